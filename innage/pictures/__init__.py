"""Figures and drawings."""

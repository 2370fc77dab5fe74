"""Compilers, and what is compiled for this computer."""

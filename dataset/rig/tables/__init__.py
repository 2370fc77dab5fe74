"""Solved tables of the built-in scenario, by the hash of what they were solved for."""

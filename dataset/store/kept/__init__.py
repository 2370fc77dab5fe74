"""Frozen sets that were read before: in memory, and in the user's cache folder."""

"""The step in C: what is computed, in which order, under which names."""

"""The checks of a bundle that run something, each in a file of its own."""

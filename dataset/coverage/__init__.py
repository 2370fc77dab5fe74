"""Which independent groups there are, and what is missing."""

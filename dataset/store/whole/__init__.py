"""The store as a whole: copies, other stores, its schema, and the check of all of it."""

"""The door of the store in parts: each method is one short transaction."""

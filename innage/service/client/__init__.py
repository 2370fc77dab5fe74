"""The other end of the line: a connection to a store's door."""

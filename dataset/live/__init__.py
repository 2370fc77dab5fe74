"""A board, an operator, and the session they make."""

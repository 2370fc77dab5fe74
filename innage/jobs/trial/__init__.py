"""A model on a live board, before there is firmware: what it would say, frame by frame."""

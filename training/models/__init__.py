"""What a model is made of, and its program."""

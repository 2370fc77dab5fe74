"""A board that runs the model: the line to it, the talk over the line, and an emulated board in its place."""

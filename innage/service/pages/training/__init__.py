"""What a model is trained on, what it is held to, and what came of it: frozen sets, limits, models."""

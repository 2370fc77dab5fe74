"""Which model: candidates, fitting, picking, the training itself."""

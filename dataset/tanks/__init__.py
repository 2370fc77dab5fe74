"""Height to volume and back: what the shape of a tank says."""

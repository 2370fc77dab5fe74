"""What was captured: sessions, what is missing, and the units."""

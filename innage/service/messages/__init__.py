"""What travels, and what both ends of the line agree on."""

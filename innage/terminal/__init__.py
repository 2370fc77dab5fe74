"""What the terminal shows: tables, progress, views."""

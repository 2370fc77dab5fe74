"""What is printed of each kind of thing: tables, facts, sentences."""

"""What may come in, and what is refused or warned of."""

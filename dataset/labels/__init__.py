"""What is stated about frames, and how sure it is: levels, conditions, liquids, trims."""

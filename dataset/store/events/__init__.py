"""What was said later of things that never change: amendments of sessions, retirements, what models are."""

"""Floor 5: a recipe and a hole become a reduced hole."""

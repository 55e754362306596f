"""Floor 6: what a notebook shows of a hole and of its results."""

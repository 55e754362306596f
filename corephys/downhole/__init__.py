"""Floor 2: one file a measurement made in the hole."""

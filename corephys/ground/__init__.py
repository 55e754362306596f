"""Floor 1: units, vocabulary, constants, flags and series. Knows nothing of cores."""

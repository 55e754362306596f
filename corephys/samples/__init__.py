"""Floor 2: one file a laboratory measurement on samples and split cores."""

"""The stages of a reduction, one file a topic."""

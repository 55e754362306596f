"""Place readings in depth, and match series that lie at different positions."""

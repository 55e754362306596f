"""Floor 0: algorithms on plain NumPy arrays that know nothing of cores."""

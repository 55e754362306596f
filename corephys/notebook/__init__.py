"""What a notebook shows of a hole and of its results, and the accessor ``ds.corephys``."""

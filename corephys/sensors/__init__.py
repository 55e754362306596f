"""Floor 2: one file a sensor of the scan, from its readings to the property."""

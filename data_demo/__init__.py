"""The invented demonstration hole and the simulator that made it."""

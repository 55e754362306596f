"""Laboratory measurements on samples and split cores, one room for each measurement."""

"""Read a hole: tables and settings, checked cell by cell and against each other."""

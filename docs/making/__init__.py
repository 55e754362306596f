"""What the build of the pages makes out of the package's own tables."""

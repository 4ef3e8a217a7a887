"""Files that people hand in, turned into checked tables."""

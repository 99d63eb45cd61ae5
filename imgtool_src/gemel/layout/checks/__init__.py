"""What the parts of a layout must say about each other, one subject a file."""

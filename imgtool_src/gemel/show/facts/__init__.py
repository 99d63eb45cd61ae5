"""What is in an image, as plain data: memories, builds, records, vectors, written values."""

"""What is shipped: a release folder's documents, and the independent readers that its files are read back by."""

"""A release folder as received: what its documents say of its files, of each other and of the image."""

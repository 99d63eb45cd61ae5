"""Show: what is in an image, as plain data, and the data as text and as JSON."""

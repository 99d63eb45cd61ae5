"""Images: sparse bytes by address, and the file formats that carry them."""

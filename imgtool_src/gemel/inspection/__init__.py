"""What an image, its layout and its builds say together: places, vectors, RAM claims, start-up tables, seals."""

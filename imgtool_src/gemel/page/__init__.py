"""One HTML page, in one file, of what is in an image, what a check found and what a rehearsal did."""

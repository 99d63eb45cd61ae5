"""Where builds go and where they are: load addresses to places in the image, symbols to addresses."""

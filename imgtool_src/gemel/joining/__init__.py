"""Join: the passes that turn builds and a layout into one image."""

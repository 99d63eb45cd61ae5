"""Read back: what a dump of a device's flash holds of an image, and of which versions."""

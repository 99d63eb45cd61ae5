"""The file system: inputs read whole, outputs written whole, together or not at all."""

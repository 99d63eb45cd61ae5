"""What proves an image: checksums, stamps, the record, and later the seal and its keys."""

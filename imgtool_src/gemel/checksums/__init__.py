"""Checksums: the CRC catalogue and engine, sums, and why a stored value does not match."""

"""What changed between two images: bytes, erase blocks, builds and their symbols, proofs, contracts."""

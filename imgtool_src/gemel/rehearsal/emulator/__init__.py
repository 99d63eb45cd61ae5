"""The emulated device: cores, memories, registers and the order in which they act."""

"""One core in the emulator: its memory, exceptions, faults, sleep and stacks."""

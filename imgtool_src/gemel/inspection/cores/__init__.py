"""What each core finds: its vector table, code at an address, room for its stack, the memory that it may use."""

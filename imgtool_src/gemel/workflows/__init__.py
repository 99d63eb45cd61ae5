"""What a command does, without arguments and printing: read the inputs, join and check, sign, write."""

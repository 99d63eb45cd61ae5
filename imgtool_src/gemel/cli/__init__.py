"""The command line: one thin file a command, and what they share (files, printing)."""

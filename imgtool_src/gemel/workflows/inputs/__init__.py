"""Files and values that commands are given, read with errors in plain words."""

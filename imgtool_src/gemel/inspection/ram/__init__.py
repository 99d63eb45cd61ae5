"""What memory a build takes at run time: sections, heap and stack, in plain addresses."""

"""The facts as lines of text."""

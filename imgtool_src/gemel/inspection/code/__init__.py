"""What the code of one build shows: which addresses it gets at, what it sets its core to, what it tests before."""

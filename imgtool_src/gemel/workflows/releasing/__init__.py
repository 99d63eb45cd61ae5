"""A release folder made, put into an index, and checked by who receives it."""

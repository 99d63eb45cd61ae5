"""What the start-up code of one build copies and clears: by its labels, by its tables, by a run of it."""

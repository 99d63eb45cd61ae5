"""A rehearsal as text, JSON and SVG."""

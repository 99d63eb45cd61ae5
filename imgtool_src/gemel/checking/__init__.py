"""Check: one rule a file under ``rules``, the runner that applies them all, and the reports."""

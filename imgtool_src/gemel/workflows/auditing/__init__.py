"""Many images judged by the same layouts, keys and options."""

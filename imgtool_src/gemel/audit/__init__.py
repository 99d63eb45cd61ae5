"""Audit: many images judged one by one, in processes of their own, and an index of what was found."""

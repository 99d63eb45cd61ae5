"""The record: its format, its faults, its page, and how it is made from an image."""

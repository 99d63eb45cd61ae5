"""Findings and the words that several rules share."""

"""Start-up code executed with values that are known or not, on all ways that it may go."""

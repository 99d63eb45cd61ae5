"""From the raw run of a device to findings in words."""

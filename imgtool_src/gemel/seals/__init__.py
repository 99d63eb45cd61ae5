"""The seal: COSE over the record; made, read, verified, and what a layout demands of it."""

"""Rehearsal: the reset code of both cores, run from the image's own bytes in an emulated device."""

"""A core's private peripheral space: its interrupt controller, tick timer, memory protection unit, identification."""

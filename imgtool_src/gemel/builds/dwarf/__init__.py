"""Types, variables and enumerators as the debug information of an ELF file (DWARF 2 to 5) shows them.

``debug_types.read_debug_types`` gives what a build holds.  Nothing here is imported by readers of builds:
only what compares the types of two builds requires it.
"""

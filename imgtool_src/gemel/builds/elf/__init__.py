"""The parts of an ELF file: header, segments, sections, symbols, notes, build attributes, mapped code."""

"""Builds: what one team delivers for one core, read into one frozen model.

Where to look:

- ``build``: the model, :class:`~gemel.builds.build.Build` and its segments;
- ``reader``: :func:`~gemel.builds.reader.read_build`, which recognises the kind of file;
- ``source``: where bytes come from, so that the parts of a file nobody asks for are never read;
- ``elf_file``: an ELF file to a build; ``elf_header``, ``elf_program_headers``, ``elf_segments`` (with
  ``segment_overlaps``), ``elf_sections``, ``elf_symbols``, ``elf_attributes`` (with the table
  ``attribute_tags``) and ``elf_notes`` each one part of it;
- ``flat_files``: Intel HEX, S-record and raw binary to a build.
"""

"""Builds: what one team delivers for one core, read into one frozen model.

Where to look:

- ``build``: the model, :class:`~gemel.builds.build.Build` and its segments;
- ``reader``: :func:`~gemel.builds.reader.read_build`, which recognises the kind of file;
- ``source``: where bytes come from, so that the parts of a file nobody needs are never read;
- ``elf_builds``: an ELF file to a build, and room ``elf`` each part of it: header, program headers, segments,
  sections, symbols (``symbol_entries`` decodes them), attributes, notes;
- room ``dwarf``: debug information: types, constants, source lines; ``debug_information`` asks it;
- ``flat_builds``: Intel HEX, S-record and raw binary to a build; ``part_notes``: what a split part says of itself.
"""

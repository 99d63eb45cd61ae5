"""An ELF file to a build: loadable segments by load address, and what the file says of itself."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.builds.debug_information import DebugInformation
from gemel.builds.dwarf.sections import DebugSections
from gemel.builds.elf.attributes import AttributesUnreadable, BuildAttributes, read_attributes
from gemel.builds.elf.header import ElfHeader, read_header
from gemel.builds.elf.notes import read_build_id
from gemel.builds.elf.program_headers import NOTE as NOTE_SEGMENT
from gemel.builds.elf.program_headers import read_program_headers
from gemel.builds.elf.section_table import MAX_NAMES, SectionTable
from gemel.builds.elf.sections import (
    ARM_ATTRIBUTES,
    NOTE,
    STRING_TABLE,
    SYMBOL_TABLE,
    Sections,
    outside,
    read_sections,
)
from gemel.builds.elf.segment_sections import in_no_segment
from gemel.builds.elf.segments import read_segments
from gemel.builds.elf.symbol_entries import ENTRY_SIZE
from gemel.builds.elf.symbols import SymbolTable
from gemel.builds.segment import Segment
from gemel.errors import BuildError, Problem

if TYPE_CHECKING:
    from gemel.builds.source import ByteSource

MAX_ATTRIBUTES = 1 << 16
"""Bytes of build attributes that are read at most."""

MAX_SYMBOLS = 1 << 18
"""Symbols that are read at most."""

MAX_PROBLEMS = 20
"""Problems of one file that are reported one by one."""

PLAIN = 16
"""Bytes of code, without zeros, from which on it is strange that none is from 0x80 on."""

_NAMES_INDEX_ELSEWHERE = 0xFFFF


def read_elf(source: ByteSource, *, name: str, file: str, names_only: bool = False) -> Build:
    """The build in an ELF file of a linked 32-bit little-endian Arm program.

    Raises BuildError with everything that keeps it from being loaded.  What only sections show
    (symbols, build id, build attributes) is missing with its reason where sections are bad.  ``names_only`` takes a
    file of debug information alone, too, if it has a build id.
    """
    header, problems, remarks = read_header(source, file)
    program_headers, header_problems = read_program_headers(source, header, file)
    problems += header_problems
    sections = read_sections(source, header) if not problems else Sections(())
    named_sections, no_sections = _named_sections(source, sections, header)
    name_of = named_sections.name_of if named_sections else str
    segments: list[Segment] = []
    if program_headers:
        segments, segment_problems, segment_remarks = read_segments(
            source, program_headers, file, sections.headers, name_of, names_only
        )
        problems += segment_problems
        remarks += segment_remarks
    if problems or _may_be_converted(sections, header, segments):
        from gemel.builds.elf.converted import text_conversion

        if converted := text_conversion(source, header, file):
            raise BuildError(converted)
    if problems:
        raise BuildError(_in_short(problems, "problems", file))
    if header.section_headers_at and sections.reason:
        remarks.append(_without_sections(sections.reason, file))
    note_places = [(h.offset, h.file_size) for h in program_headers if h.type == NOTE_SEGMENT]
    note_places += [section.extent for section in sections.of_type(NOTE)]
    build_id, no_build_id = read_build_id(source, note_places)
    attributes, no_attributes = _attributes(source, sections)
    symbols, no_symbols = _symbols(source, sections, file)
    remarks += _attribute_remarks(attributes, file) if attributes else ()
    reasons = {
        "entry point": "" if header.entry else "the file states none (e_entry is 0)",
        "symbols": no_symbols,
        "build id": no_build_id,
        "build attributes": no_attributes,
        "sections": no_sections,
    }
    if named_sections is not None:
        segments += in_no_segment(segments, sections.headers, named_sections.name_of)
        segments.sort(key=lambda segment: (segment.load_address, segment.index))
    return Build(
        name=name,
        file=file,
        kind="elf",
        segments=tuple(segments),
        entry=header.entry or None,
        build_id=build_id,
        attributes=attributes,
        symbols=symbols,
        sections=named_sections,
        debug=DebugInformation(DebugSections(source, sections, header.section_names_index), file),
        remarks=tuple(_in_short(remarks, "remarks", file)),
        source=source,
        missing=tuple(f"{aspect}: {reason}" for aspect, reason in reasons.items() if reason),
    )


def _may_be_converted(sections: Sections, header: ElfHeader, segments: list[Segment]) -> bool:
    """Whether the file looks as after a transfer as text: bad section headers, code without bytes from 0x80 on."""
    names = sections.headers[header.section_names_index : header.section_names_index + 1]
    if sections.reason or any(each.type != STRING_TABLE for each in names):
        return True
    code = [each.data for each in segments if each.executable]
    return sum(len(each) - each.count(0) for each in code) >= PLAIN and all(map(bytes.isascii, code))


def _in_short(problems: list[Problem], what: str, file: str) -> list[Problem]:
    """The first problems in full and the number of the others."""
    left = len(problems) - MAX_PROBLEMS
    if left <= 0:
        return problems
    return [*problems[:MAX_PROBLEMS], Problem(f"there are {left:,} more {what} like these", where=file)]


def _without_sections(reason: str, file: str) -> Problem:
    return Problem(
        "the section headers cannot be read; what is loaded is whole, but symbols and the like are missing",
        where=file,
        found=reason,
        expected="section headers inside the file",
        next_step="copy or build the file again if it should be whole",
    )


def _attributes(source: ByteSource, sections: Sections) -> tuple[BuildAttributes | None, str]:
    found = sections.of_type(ARM_ATTRIBUTES)
    if not found:
        return None, sections.reason or "the file has no section of build attributes"
    section = found[0]
    if outside(section, source):
        return None, "their section is outside the file (the file is cut)"
    if section.size > MAX_ATTRIBUTES:
        return None, f"their section has {section.size:,} bytes, more than {MAX_ATTRIBUTES:,}"
    try:
        return read_attributes(source.read(*section.extent)), ""
    except AttributesUnreadable as error:
        return None, f"their section is malformed: {error}"


def _attribute_remarks(attributes: BuildAttributes, file: str) -> Iterator[Problem]:
    if attributes.not_understood:
        yield Problem(
            "the build demands something of its core that gemel does not know",
            where=f"{file}, build attributes",
            found="tags " + ", ".join(map(str, attributes.not_understood)),
            expected="tags of ADDENDA32 2025Q4",
            next_step="checks of the core against the build's demands cannot be complete",
        )
    if attributes.narrower_scopes:
        yield Problem(
            "build attributes of single sections or symbols are not read",
            where=f"{file}, build attributes",
            found=f"{attributes.narrower_scopes} such parts",
            expected="attributes of the whole file (the others are deprecated since ADDENDA32 2.09)",
        )


def _symbols(source: ByteSource, sections: Sections, file: str) -> tuple[SymbolTable | None, str]:
    found = [section for section in sections.of_type(SYMBOL_TABLE) if section.size > ENTRY_SIZE]
    if not found:
        return None, sections.reason or "the file is stripped (it has no symbol table)"
    table = found[0]
    if table.entry_size != ENTRY_SIZE:
        return None, f"the symbol table has entries of {table.entry_size} bytes, not {ENTRY_SIZE}"
    if table.size // ENTRY_SIZE > MAX_SYMBOLS:
        return None, f"there are {table.size // ENTRY_SIZE:,} symbols, more than {MAX_SYMBOLS:,}"
    if table.link >= len(sections.headers) or sections.headers[table.link].type != STRING_TABLE:
        return None, f"the symbol table names section {table.link} for its strings, which holds none"
    strings = sections.headers[table.link]
    if outside(table, source) or outside(strings, source):
        return None, "the symbol table is outside the file (the file is cut)"
    return SymbolTable(source, file, table.extent, strings.extent, sections.code()), ""


def _named_sections(
    source: ByteSource, sections: Sections, header: ElfHeader
) -> tuple[SectionTable | None, str]:
    if len(sections.headers) < 2:
        return None, sections.reason or "the file has no sections"
    index = header.section_names_index
    if index == _NAMES_INDEX_ELSEWHERE:  # gABI: then it stands in sh_link of section 0
        index = sections.headers[0].link
    if index >= len(sections.headers) or sections.headers[index].type != STRING_TABLE:
        return None, f"the header names section {index} for the names of sections, which holds none"
    names = sections.headers[index]
    if outside(names, source):
        return None, "the names of its sections are outside the file (the file is cut)"
    if names.size > MAX_NAMES:
        return None, f"the names of its sections have {names.size:,} bytes, more than {MAX_NAMES:,}"
    return SectionTable(source, sections.headers, names.extent), ""

"""Write small ELF files for tests, sound by default and wrong wherever a test asks for it.

``elf([SegmentSpec(0x1000_0000, b"...")])`` gives the bytes of a linked Arm executable whose sections,
symbols, build id and build attributes the system's own tools read.  Every number of it can be replaced:
``header={"e_machine": 62}``, ``program_headers={0: {"p_filesz": 0xFFFF_FFF0}}``,
``section_headers={".symtab": {"sh_offset": 1 << 30}}``.

Field names and layouts: gABI ("ELF Header", "Program Header", "Section Header", "Symbol Table", "Note
Section"), AAELF32 and ADDENDA32 2025Q4.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

_HEADER_FIELDS = (
    ("e_ident", "16s"),
    ("e_type", "H"),
    ("e_machine", "H"),
    ("e_version", "I"),
    ("e_entry", "I"),
    ("e_phoff", "I"),
    ("e_shoff", "I"),
    ("e_flags", "I"),
    ("e_ehsize", "H"),
    ("e_phentsize", "H"),
    ("e_phnum", "H"),
    ("e_shentsize", "H"),
    ("e_shnum", "H"),
    ("e_shstrndx", "H"),
)
_PROGRAM_FIELDS = tuple(
    (name, "I")
    for name in ("p_type", "p_offset", "p_vaddr", "p_paddr", "p_filesz", "p_memsz", "p_flags", "p_align")
)
_SECTION_FIELDS = tuple(
    (name, "I")
    for name in (
        "sh_name",
        "sh_type",
        "sh_flags",
        "sh_addr",
        "sh_offset",
        "sh_size",
        "sh_link",
        "sh_info",
        "sh_addralign",
        "sh_entsize",
    )
)
KINDS = {"notype": 0, "object": 1, "function": 2, "section": 3, "file": 4}
BINDINGS = {"local": 0, "global": 1, "weak": 2}
UNDEFINED, ABSOLUTE = 0, 0xFFF1
_FLAGS = {"r": 4, "w": 2, "x": 1}


@dataclass
class SegmentSpec:
    """One PT_LOAD segment (or another ``type``) and the section behind it, or those in ``sections``.

    ``run_address`` defaults to the load address, ``memory_size`` to the size of ``data``.  ``flags`` are
    letters of "rwx".  ``offset`` puts it at a place in the file that is already written (0: it then
    carries the ELF header), in which case ``data`` is not stored but its length counts.  ``sections`` are
    (name, run address, size), with bytes in the file where the segment has them.
    """

    load_address: int
    data: bytes = b""
    run_address: int | None = None
    memory_size: int | None = None
    flags: str = "rx"
    type: int = 1
    offset: int | None = None
    align: int = 4
    section_name: str | None = None
    sections: tuple[tuple[str, int, int], ...] | None = None


@dataclass
class SymbolSpec:
    """One symbol.  ``section`` defaults to that of the segment that runs there, else absolute."""

    name: str
    value: int
    size: int = 0
    kind: str = "function"
    binding: str = "global"
    section: int | None = None


def elf(
    segments: Sequence[SegmentSpec] = (),
    symbols: Sequence[SymbolSpec] | None = None,
    build_id: bytes | None = None,
    attributes: Mapping[int, int | str] | bytes | None = None,
    entry: int = 0,
    *,
    notes: bytes | None = None,
    note_segment: bool = False,
    sections: bool = True,
    string_table: bytes | None = None,
    header: Mapping[str, int | bytes] | None = None,
    program_headers: Mapping[int, Mapping[str, int]] | None = None,
    section_headers: Mapping[str, Mapping[str, int]] | None = None,
    cut_to: int | None = None,
) -> bytes:
    """The bytes of an ELF file.

    ``symbols=None`` leaves the symbol table out (a stripped file), ``attributes`` may be the section's
    raw bytes, ``notes`` replaces the note section, ``note_segment`` adds a PT_NOTE for it,
    ``sections=False`` leaves all section headers out.  ``program_headers`` by number and
    ``section_headers`` by name replace single fields last of all; ``cut_to`` keeps that many bytes.
    """
    note_data = notes if notes is not None else build_id_note(build_id) if build_id is not None else None
    program_count = len(segments) + (note_segment and note_data is not None)
    image = bytearray(52 + 32 * program_count)
    programs: list[dict[str, int]] = []
    table = [("", dict.fromkeys((name for name, _ in _SECTION_FIELDS), 0))]

    for number, spec in enumerate(segments):
        offset = spec.offset if spec.offset is not None else _append(image, spec.data, 4)
        run = spec.load_address if spec.run_address is None else spec.run_address
        memory_size = len(spec.data) if spec.memory_size is None else spec.memory_size
        flags = sum(_FLAGS[letter] for letter in spec.flags)
        programs.append(
            _fields(
                _PROGRAM_FIELDS,
                (spec.type, offset, run, spec.load_address, len(spec.data), memory_size, flags, spec.align),
            )
        )
        name = spec.section_name or f".load{number}"
        section_flags = 2 | ("w" in spec.flags) | ("x" in spec.flags) << 2
        for each, start, size in spec.sections or ((name, run, len(spec.data) or memory_size),):
            kind = 1 if start < run + len(spec.data) else 8
            at = offset + max(0, start - run)
            table.append(
                (each, _fields(_SECTION_FIELDS, (0, kind, section_flags, start, at, size, 0, 0, 4, 0)))
            )

    if note_data is not None:
        offset = _append(image, note_data, 4)
        table.append(
            (
                ".note.gnu.build-id",
                _fields(_SECTION_FIELDS, (0, 7, 0, 0, offset, len(note_data), 0, 0, 4, 0)),
            )
        )
        if note_segment:
            programs.append(_fields(_PROGRAM_FIELDS, (4, offset, 0, 0, len(note_data), len(note_data), 4, 4)))
    if attributes is not None:
        raw = attributes if isinstance(attributes, bytes) else attributes_section(attributes)
        offset = _append(image, raw, 1)
        table.append(
            (
                ".ARM.attributes",
                _fields(_SECTION_FIELDS, (0, 0x7000_0003, 0, 0, offset, len(raw), 0, 0, 1, 0)),
            )
        )
    if symbols is not None:
        entries, strings, local_count = _symbol_table(symbols, segments)
        strings = strings if string_table is None else string_table
        offset = _append(image, entries, 4)
        strings_at = _append(image, strings, 1)
        link = len(table) + 1
        table.append(
            (
                ".symtab",
                _fields(_SECTION_FIELDS, (0, 2, 0, 0, offset, len(entries), link, local_count, 4, 16)),
            )
        )
        table.append(
            (".strtab", _fields(_SECTION_FIELDS, (0, 3, 0, 0, strings_at, len(strings), 0, 0, 1, 0)))
        )

    names_index = len(table)
    sections_at = 0
    if sections:
        table.append((".shstrtab", _fields(_SECTION_FIELDS, (0, 3, 0, 0, 0, 0, 0, 0, 1, 0))))
        names = bytearray()
        for name, fields in table:
            fields["sh_name"] = len(names)
            names += name.encode() + b"\0"
        table[-1][1]["sh_offset"] = _append(image, bytes(names), 1)
        table[-1][1]["sh_size"] = len(names)
        for name, fields in table:
            fields.update((section_headers or {}).get(name, {}))
        sections_at = _append(image, b"".join(_packed(_SECTION_FIELDS, fields) for _, fields in table), 4)

    for number, fields in (program_headers or {}).items():
        programs[number].update(fields)
    image[52 : 52 + 32 * len(programs)] = b"".join(_packed(_PROGRAM_FIELDS, fields) for fields in programs)
    values: dict[str, int | bytes] = {
        "e_ident": b"\x7fELF\x01\x01\x01" + bytes(9),
        "e_type": 2,
        "e_machine": 40,
        "e_version": 1,
        "e_entry": entry,
        "e_phoff": 52 if programs else 0,
        "e_shoff": sections_at,
        "e_flags": 0x0500_0200,
        "e_ehsize": 52,
        "e_phentsize": 32,
        "e_phnum": len(programs),
        "e_shentsize": 40 if sections else 0,
        "e_shnum": len(table) if sections else 0,
        "e_shstrndx": names_index if sections else 0,
    }
    values.update(header or {})
    image[:52] = _packed(_HEADER_FIELDS, values)
    return bytes(image[:cut_to])


def build_id_note(build_id: bytes) -> bytes:
    """The note that holds ``build_id``."""
    return note(b"GNU\0", 3, build_id)


def note(name: bytes, kind: int, description: bytes) -> bytes:
    """One note, its parts padded to 4 bytes."""
    return (
        struct.pack("<III", len(name), len(description), kind)
        + name
        + bytes(-len(name) % 4)
        + description
        + bytes(-len(description) % 4)
    )


def attributes_section(values: Mapping[int, int | str]) -> bytes:
    """A section of build attributes with ``values`` at the scope of the whole file."""
    return b"A" + vendor_part("aeabi", attributes_scope(1, values))


def vendor_part(vendor: str, *scopes: bytes) -> bytes:
    """One vendor's part of the section, its size in front."""
    body = vendor.encode() + b"\0" + b"".join(scopes)
    return struct.pack("<I", len(body) + 4) + body


def attributes_scope(scope: int, values: Mapping[int, int | str], numbers: bytes = b"") -> bytes:
    """One scope (1 file, 2 sections, 3 symbols); ``numbers``: section or symbol numbers with their 0."""
    body = numbers
    for tag, value in values.items():
        body += uleb128(tag)
        body += value.encode() + b"\0" if isinstance(value, str) else uleb128(value)
    return uleb128(scope) + struct.pack("<I", len(body) + 5) + body


def uleb128(value: int) -> bytes:
    """``value`` in the variable-length form of build attributes."""
    result = bytearray()
    while True:
        digit = value & 0x7F
        value >>= 7
        result.append(digit | (0x80 if value else 0))
        if not value:
            return bytes(result)


def _symbol_table(symbols: Sequence[SymbolSpec], segments: Sequence[SegmentSpec]) -> tuple[bytes, bytes, int]:
    """The entries (local ones first, as gABI demands), the strings, and how many are local."""
    strings = bytearray(b"\0")
    ordered = sorted(symbols, key=lambda symbol: symbol.binding != "local")
    entries = [bytes(16)]
    offsets = {"": 0}
    for symbol in ordered:
        if symbol.name not in offsets:
            offsets[symbol.name] = len(strings)
            strings += symbol.name.encode() + b"\0"
        info = BINDINGS[symbol.binding] << 4 | KINDS[symbol.kind]
        section = _section_of(symbol, segments) if symbol.section is None else symbol.section
        entries.append(
            struct.pack("<IIIBBH", offsets[symbol.name], symbol.value, symbol.size, info, 0, section)
        )
    local_count = 1 + sum(symbol.binding == "local" for symbol in ordered)
    return b"".join(entries), bytes(strings), local_count


def _section_of(symbol: SymbolSpec, segments: Sequence[SegmentSpec]) -> int:
    number = 1
    for spec in segments:
        run = spec.load_address if spec.run_address is None else spec.run_address
        size = len(spec.data) if spec.memory_size is None else spec.memory_size
        if run <= symbol.value < run + max(1, size):
            return number
        number += len(spec.sections or (spec,))
    return ABSOLUTE


def _append(image: bytearray, data: bytes, alignment: int) -> int:
    """Put ``data`` behind the image; its offset."""
    image += bytes(-len(image) % alignment)
    offset = len(image)
    image += data
    return offset


def _fields(names: tuple[tuple[str, str], ...], values: tuple[int, ...]) -> dict[str, int]:
    return {name: value for (name, _), value in zip(names, values, strict=True)}


def _packed(layout: tuple[tuple[str, str], ...], fields: Mapping[str, int | bytes]) -> bytes:
    unknown = set(fields) - {name for name, _ in layout}
    if unknown:
        raise KeyError(f"no such fields: {sorted(unknown)}")
    return struct.pack("<" + "".join(code for _, code in layout), *(fields[name] for name, _ in layout))

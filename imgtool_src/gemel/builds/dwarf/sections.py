"""The sections of debug information, decompressed.

Compressed sections come in two forms.  With the flag SHF_COMPRESSED (gABI, "Section Compression") a header
of 12 bytes stands in front: ``ch_type u32`` (1 zlib, 2 zstd), ``ch_size u32``, ``ch_addralign u32``.
The older form is recognised by its name, ``.zdebug_info``: ``"ZLIB"``, the size as 8 bytes big-endian, the stream.
"""

from __future__ import annotations

import struct
import zlib
from typing import TYPE_CHECKING

from gemel.builds.dwarf.fault import DwarfFault
from gemel.builds.elf.section_table import MAX_NAMES
from gemel.builds.elf.sections import SectionHeader, Sections, outside
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.builds.source import ByteSource

MAX_SIZE = 1 << 27
"""Bytes of the sections together that are read at most, decompressed: 128 MiB."""

MAX_UNFOLDED = 32
"""Bytes that a compressed section may unfold to for each byte of the file, besides UNFOLDED_FREE for all."""

UNFOLDED_FREE = 1 << 24

_NO_BITS = 8
_COMPRESSED = 0x800
_COMPRESSION_HEADER = struct.Struct("<III")
_ZLIB, _ZSTD = 1, 2
_OLD_MARK = b"ZLIB"


class DebugSections(NamedTuple):
    """The file and its section headers; ``names_index`` is the section that holds the sections' names."""

    source: ByteSource
    sections: Sections
    names_index: int


class DebugData(NamedTuple):
    """The bytes of the sections that describe types; ``types`` is the .debug_types of DWARF 4."""

    file_size: int
    info: bytes
    abbreviations: bytes
    strings: bytes
    line_strings: bytes
    string_offsets: bytes
    types: bytes


_WANTED = ("info", "abbrev", "str", "line_str", "str_offsets", "types")


def read_debug_sections(debug: DebugSections) -> DebugData:
    """What ``debug`` points at; DwarfFault with the reason if there is none or it cannot be read."""
    found = read_named_sections(debug, _WANTED)
    if not found.get("info") or not found.get("abbrev"):
        raise DwarfFault(_absent(debug, _by_name(debug)))
    return DebugData(debug.source.size, *(found.get(wanted, b"") for wanted in _WANTED))


def read_named_sections(debug: DebugSections, names: tuple[str, ...]) -> dict[str, bytes]:
    """Those of the sections .debug_NAME that the file has, decompressed; DwarfFault if one cannot be read."""
    by_name = _by_name(debug)
    found: dict[str, list[bytes]] = {}
    left = min(MAX_SIZE, UNFOLDED_FREE + MAX_UNFOLDED * debug.source.size)
    for wanted in names:
        name, old = f".debug_{wanted}", f".zdebug_{wanted}"
        parts = [header for header in by_name.get(name, ()) if header.type != _NO_BITS]
        for header in parts or by_name.get(old, []):
            if parts:
                data = _content(debug, header, name, left)
            else:
                data = _old_compressed(_raw(debug, header, old), old, left)
            left -= len(data)
            if left < 0:
                raise DwarfFault(f"section {name} and those before it have more than {MAX_SIZE:,} bytes")
            found.setdefault(wanted, []).append(data)
    return {wanted: b"".join(parts) for wanted, parts in found.items()}


def _by_name(debug: DebugSections) -> dict[str, list[SectionHeader]]:
    """The sections by name; objects have several of one name, a linked file has not."""
    if not debug.sections.headers:
        raise DwarfFault(debug.sections.reason)
    names = _names(debug)
    found: dict[str, list[SectionHeader]] = {}
    for header in debug.sections.headers:
        found.setdefault(_name(header, names), []).append(header)
    return found


def is_separated(debug: DebugSections) -> bool:
    """Whether the file says that its debug information is in another one."""
    try:
        names = _by_name(debug)
    except DwarfFault:
        return False
    return ".gnu_debuglink" in names and {".debug_info", ".zdebug_info"}.isdisjoint(names)


def separate_name(debug: DebugSections) -> tuple[str, int] | None:
    """The file that has the debug information of a stripped one, and its CRC-32; None if it names none."""
    for link in _by_name(debug).get(".gnu_debuglink", ()):
        if link.size <= MAX_NAMES and not outside(link, debug.source):
            held = debug.source.read(*link.extent)
            return held.split(b"\0")[0].decode("utf-8", "replace"), int.from_bytes(held[-4:], "little")
    return None


def _absent(debug: DebugSections, by_name: dict[str, list[SectionHeader]]) -> str:
    if link := separate_name(debug):
        return (
            f"the file is stripped, its debug information is in {link[0]} (.gnu_debuglink), which is not next to "
            "it or is another build's"
        )
    if any(name.endswith(".dwo") for name in by_name):
        return "the file is one half of a split build (.dwo) without the other"
    return "the file has no debug information (.debug_info)"


def _names(debug: DebugSections) -> bytes:
    headers = debug.sections.headers
    if debug.names_index >= len(headers):
        raise DwarfFault("the names of its sections cannot be found")
    header = headers[debug.names_index]
    if outside(header, debug.source) or header.size > MAX_NAMES:
        raise DwarfFault("the names of its sections are outside the file or are too long")
    return debug.source.read(*header.extent)


def _name(header: SectionHeader, names: bytes) -> str:
    end = names.find(b"\0", header.name, header.name + 64)
    return names[header.name : max(end, header.name)].decode("ascii", "replace")


def _raw(debug: DebugSections, header: SectionHeader, name: str) -> bytes:
    if outside(header, debug.source):
        raise DwarfFault(f"section {name} is outside the file (the file is cut)")
    if header.size > MAX_SIZE:
        raise DwarfFault(f"section {name} has {header.size:,} bytes, more than {MAX_SIZE:,}")
    return debug.source.read(*header.extent)


def _content(debug: DebugSections, header: SectionHeader, name: str, limit: int) -> bytes:
    data = _raw(debug, header, name)
    if not header.flags & _COMPRESSED:
        return data
    if len(data) < _COMPRESSION_HEADER.size:
        raise DwarfFault(f"section {name} is compressed and too short for the header that says how")
    kind, size, _ = _COMPRESSION_HEADER.unpack_from(data)
    if kind == _ZSTD:
        raise DwarfFault(f"section {name} is compressed with zstd; gemel reads zlib (-gz=zlib)")
    if kind != _ZLIB:
        raise DwarfFault(f"section {name} is compressed in a way that gemel does not know (type {kind})")
    return _inflated(data[_COMPRESSION_HEADER.size :], size, name, limit)


def _old_compressed(data: bytes, name: str, limit: int) -> bytes:
    if data[:4] != _OLD_MARK or len(data) < 12:
        raise DwarfFault(f"section {name} does not begin with ZLIB and its size")
    return _inflated(data[12:], int.from_bytes(data[4:12], "big"), name, limit)


def _inflated(stream: bytes, size: int, name: str, limit: int) -> bytes:
    if size > limit:
        raise DwarfFault(f"section {name} has {size:,} bytes decompressed, more than {limit:,}")
    try:
        data = zlib.decompressobj().decompress(stream, size + 1)
    except zlib.error as error:
        raise DwarfFault(f"section {name} cannot be decompressed ({error})") from error
    if len(data) != size:
        raise DwarfFault(f"section {name} has not the {size:,} bytes that it promises, decompressed")
    return data

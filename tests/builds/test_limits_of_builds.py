"""Limits of what is read of a build, each at both its sides."""

from __future__ import annotations

import hashlib
import struct
import zlib

import pytest
from both_sides import Limits, assert_both_sides
from dwarf_writer import COMPRESSED, Debug, Entry, basic, debug_elf, elf_with, member, record, types_of
from elf_writer import SegmentSpec, SymbolSpec, build_id_note, elf
from reading_builds import CODE, FLASH, RAM, read, read_elf

from gemel.builds.dwarf.constants import At, Form, Tag
from gemel.builds.dwarf.debug_types import DebugTypes
from gemel.builds.dwarf.fault import DebugUnreadable
from gemel.builds.dwarf.lines import LineTable
from gemel.builds.dwarf.sections import MAX_UNFOLDED
from gemel.builds.dwarf.split import ABSENT, read_halves
from gemel.builds.part_notes import with_part_notes
from gemel.builds.segment import NO_SEGMENT
from gemel.builds.source import BytesSource
from gemel.errors import BuildError


def _aliases(count: int) -> tuple[DebugTypes, int]:
    """``count`` types on top of each other, the last one no name, and the first of them."""
    entries = [basic("n")]
    for number in range(1, count):
        entries.append(Entry(Tag.TYPEDEF, {At.NAME: f"name{number}", At.TYPE: entries[-1]}))
    types = types_of(debug_elf(*entries))
    return types, types.named(f"name{count - 1}")[0]


def _resolved(count: int) -> bool:
    types, reference = _aliases(count)
    try:
        return bool(types.resolved(reference))
    except DebugUnreadable:
        return False


def _sized(elements: int) -> bool:
    array = Entry(Tag.ARRAY_TYPE, {At.TYPE: basic("n")}, [Entry(Tag.SUBRANGE_TYPE, {At.COUNT: elements})])
    whole = record("r", 4, member("m", array))
    types = types_of(debug_elf(array.attributes[At.TYPE], array, whole))
    (found,) = types.type_at(types.named("struct r")[0]).members
    try:
        return types.size_of(found.type) == 4 * elements
    except DebugUnreadable:
        return False


def _all_defined(count: int) -> bool:
    types = types_of(debug_elf(*(record("r", 4) for _ in range(count))))
    return len(types.named("struct r")) == count


def _name_read(form: Form) -> object:
    def is_read(size: int) -> bool:
        types = types_of(debug_elf(basic("n"), Entry(Tag.TYPEDEF, {At.NAME: (form, "x" * size)})))
        try:
            return ["x" * size] == types.near_names("x" * (size - 1))
        except DebugUnreadable:
            return False

    return is_read


def _namespaces(count: int) -> bool:
    inner = record("r", 4)
    for _ in range(count):
        inner = Entry(Tag.NAMESPACE, {At.NAME: "n"}, [inner])
    try:
        return bool(types_of(debug_elf(inner)).named("::".join(["n"] * count + ["r"])))
    except DebugUnreadable:
        return False


def _lines(program: bytes, path: str = "a.c", files: int = 1) -> LineTable:
    """The rows of one line program of version 3 (DWARF 3, section 6.2.4) with files of one path."""
    lengths = bytes((0, 1, 1, 1, 1, 0, 0, 0, 1, 0, 0, 1))
    tables = b"\0" + (path.encode() + b"\0\0\0\0") * files + b"\0"
    head = bytes((1, 1, 0xFB, 14, len(lengths) + 1)) + lengths + tables
    body = struct.pack("<HI", 3, len(head)) + head + program
    found = read(elf_with({".debug_line": struct.pack("<I", len(body)) + body})).debug
    assert found
    return found.lines()


COPY, END = b"\1", b"\0\1\1"
"""DW_LNS_copy and DW_LNE_end_sequence."""


def _steps(count: int) -> bool:
    """Whether a program of ``count`` operations, one of them for its file, is read whole."""
    return not _lines(COPY * (count - 2) + END).damaged


def _path(size: int) -> bool:
    return not _lines(COPY + END, "x" * (size - 1)).damaged


def _last_part(size: int) -> bool:
    advance = b"\2\4"  # DW_LNS_advance_pc
    (_, file, _), _ = _lines(COPY + advance + END, "folder/" + "x" * size).rows
    return file == "x" * size


def _debug_bytes(count: int) -> bool:
    """Whether sections of ``count`` bytes in sum are read."""
    sound = Debug(basic("n"), record("r", 4)).sections()
    rest = count - sum(map(len, sound.values()))
    try:
        types = types_of(elf_with({**sound, ".debug_str": sound[".debug_str"] + bytes(rest)}))
        return bool(types.named("struct r"))
    except DebugUnreadable:
        return False


def _tables(count: int) -> bool:
    """Whether ``count`` units of other sizes may have one table of abbreviations, which is read for each."""
    found = Debug(basic("n"), version=4).sections()
    info = found[".debug_info"]
    kinds = [(version, size) for version in (2, 3, 4) for size in (4, 8)][:count]
    units = b"".join(
        info[:4] + struct.pack("<H", version) + info[6:10] + bytes((size,)) + info[11:]
        for version, size in kinds
    )
    try:
        return len(types_of(elf_with({**found, ".debug_info": units})).named("n")) >= 0
    except DebugUnreadable:
        return False


def _halves(count: int) -> bool:
    wanted: dict[str, set[int | None]] = {f"{number}.dwo": {1} for number in range(count)}
    return {reason for _, _, reason in read_halves(wanted, lambda _: None)} == {ABSENT}


def _halves_size(size: int) -> bool:
    ((_, _, reason),) = read_halves({"a.dwo": {1}}, lambda _: BytesSource(bytes(size)))
    return "bytes in sum" not in str(reason)


def _members(count: int) -> bool:
    of = basic("n")
    types = types_of(debug_elf(of, record("r", 4, *(member(f"m{number}", of) for number in range(count)))))
    try:
        return bool(types.type_at(types.named("struct r")[0]))
    except DebugUnreadable:
        return False


def _segments(count: int) -> bool:
    try:
        return bool(read(elf([SegmentSpec(FLASH + 64 * n, b"code") for n in range(count)])).segments)
    except BuildError:
        return False


def _problems(count: int) -> bool:
    with pytest.raises(BuildError) as caught:
        read(elf([CODE] * count, program_headers={n: {"p_memsz": 1} for n in range(count)}))
    return all("like these" not in problem.what for problem in caught.value.problems)


def _section_name(size: int) -> bool:
    found = read_elf(SegmentSpec(FLASH, bytes(64), section_name="." * size)).sections
    assert found
    return bool(found.named("." * size))


def _symbol_name(size: int) -> bool:
    found = read_elf(symbols=[SymbolSpec("x" * size, FLASH)]).symbols
    assert found
    return "x" * size in [symbol.name for symbol in found.all()]


def _names_of_sections(size: int) -> bool:
    """Whether debug information is read where the sections' names take ``size`` bytes."""
    data = bytearray(debug_elf(record("r", 4))).ljust(1 << 12)
    at = int.from_bytes(data[32:36], "little") + 40 * int.from_bytes(data[50:52], "little") + 20
    data[at : at + 4] = struct.pack("<I", size)
    try:
        return bool(types_of(bytes(data)).named("struct r"))
    except DebugUnreadable:
        return False


def _link(size: int) -> bool:
    """Whether the file is named in which a stripped one says that its debug information is."""
    with pytest.raises(DebugUnreadable) as caught:
        types_of(elf_with({".gnu_debuglink": b"station.debug".ljust(size, b"\0")})).named("n")
    return "station.debug" in caught.value.reason


def _pieces(count: int) -> bool:
    """Whether all pieces of memory that no segment takes count: those beside a byte of each segment."""
    specs = [SegmentSpec(RAM + 16 * n, memory_size=4, flags="rw") for n in range(count)]
    sections = tuple((f".bss{n}", RAM + 16 * n, 8) for n in range(count))
    specs[0] = SegmentSpec(RAM, memory_size=4, flags="rw", sections=sections)
    return sum(each.index == NO_SEGMENT for each in read_elf(CODE, *specs).segments) == count


def _attributes(size: int) -> bool:
    return "more than" not in read_elf(attributes=b"A".ljust(size, b"\0")).reason_for("build attributes")


def _note_bytes(size: int) -> bool:
    return read_elf(notes=build_id_note(bytes(20)).ljust(size, b"\0")).build_id == bytes(20)


def _symbols(count: int) -> bool:
    """Whether a table of ``count`` symbols is read, the first of which is always there and empty."""
    return read_elf(symbols=[SymbolSpec(f"s{n}", FLASH) for n in range(count - 1)]).symbols is not None


def _notes(symbols: int = 1, places: int = 1, size: int = 0) -> bool:
    """Whether a file next to a build may name so many symbols with so many places, in so many bytes."""
    data = bytes(range(64))
    place = f"{{ address = {FLASH}, size = 4 }}"
    lines = [f"s{number} = [{', '.join([place] * places)}]" for number in range(symbols)]
    text = "\n".join(
        ["format = 1", f'sha256 = "{hashlib.sha256(data).hexdigest()}"', "[symbols]", *lines, ""]
    )
    try:
        return bool(with_part_notes(read(data, "a.bin", FLASH), text.encode().ljust(size), "a.part.toml"))
    except BuildError:
        return False


SMALL = len(b"".join(Debug(basic("n"), record("r", 4)).sections().values()))
LIMITS: Limits = {
    "builds.dwarf.debug_types.MAX_ALIASES": (4, _resolved),
    "builds.dwarf.debug_types.MAX_ELEMENTS": (100, _sized),
    "builds.dwarf.debug_types.MAX_DEFINITIONS": (3, _all_defined),
    "builds.dwarf.entries.MAX_NAME": (40, _name_read(Form.STRP)),
    "builds.dwarf.index.MAX_NAMESPACES": (3, _namespaces),
    "builds.dwarf.lines.MAX_STEPS": (9, _steps),
    "builds.dwarf.lines.MAX_FILES": (3, lambda count: not _lines(COPY + END, files=count).damaged),
    "builds.dwarf.lines.MAX_PATH": (9, _path),
    "builds.dwarf.lines.MAX_NAME": (9, _last_part),
    "builds.dwarf.sections.MAX_NAMES": (300, _names_of_sections),
    "builds.dwarf.sections.MAX_SIZE": (SMALL + 9, _debug_bytes),
    "builds.dwarf.split.MAX_FILES": (3, _halves),
    "builds.dwarf.split.MAX_SIZE": (30, _halves_size),
    "builds.dwarf.type_reader.MAX_MEMBERS": (4, _members),
    "builds.dwarf.units.MAX_TABLES": (2, _tables),
    "builds.elf.notes.MAX_NOTES": (64, _note_bytes),
    "builds.elf.program_headers.MAX_PROGRAM_HEADERS": (4, _segments),
    "builds.elf.section_table.MAX_NAME": (30, _section_name),
    "builds.elf.segment_sections.MAX_PIECES": (3, _pieces),
    "builds.elf.symbol_entries.MAX_NAME": (30, _symbol_name),
    "builds.elf_builds.MAX_ATTRIBUTES": (40, _attributes),
    "builds.elf_builds.MAX_PROBLEMS": (3, _problems),
    "builds.elf_builds.MAX_SYMBOLS": (3, _symbols),
    "builds.part_notes.MAX_BYTES": (300, lambda size: _notes(size=size)),
    "builds.part_notes.MAX_SYMBOLS": (3, _notes),
    "builds.part_notes.MAX_PLACES": (3, lambda count: _notes(places=count)),
}


@pytest.mark.parametrize("name", LIMITS)
def test_both_sides(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a limit allows is read, and one more is refused, cut or left out."""
    assert_both_sides(monkeypatch, LIMITS, name)


def test_the_longest_link_to_a_debug_file(monkeypatch: pytest.MonkeyPatch) -> None:
    """A .gnu_debuglink is looked at up to the limit of names."""
    assert_both_sides(
        monkeypatch, {"builds.dwarf.sections.MAX_NAMES": (200, _link)}, "builds.dwarf.sections.MAX_NAMES"
    )


def test_the_longest_name_in_an_entry(monkeypatch: pytest.MonkeyPatch) -> None:
    """A name that is not in a table is cut at the same length."""
    name = "builds.dwarf.entries.MAX_NAME"
    assert_both_sides(monkeypatch, {name: (40, _name_read(Form.STRING))}, name)


def test_the_most_that_a_section_unfolds_to(monkeypatch: pytest.MonkeyPatch) -> None:
    """Sections may unfold to so many times the file's size, however small they are."""
    monkeypatch.setattr("gemel.builds.dwarf.sections.UNFOLDED_FREE", 0)

    def reason(size: int) -> str:
        info = struct.pack("<III", 1, size, 1) + zlib.compress(bytes(9))
        data = elf_with({".debug_info": info}, {".debug_info": COMPRESSED})
        with pytest.raises(DebugUnreadable) as caught:
            types_of(data).named("n")
        return caught.value.reason

    most = MAX_UNFOLDED * len(elf_with({".debug_info": bytes(12) + zlib.compress(bytes(9))}))
    assert "promises" in reason(most)
    assert "more than" in reason(most + 1)

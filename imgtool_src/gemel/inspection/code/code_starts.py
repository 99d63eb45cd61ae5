"""Whether an address of a build's code is where a function or a label begins, by symbols and mapping symbols."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Literal

from gemel.builds.build import Build
from gemel.m_profile.instructions.halfwords import instructions, is_wide
from gemel.spans import Span
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.builds.elf.symbol_entries import Symbol

PlaceInCode = Literal["inside a function", "inside an instruction", "constants", "padding"]

MAX_PADDING = 16
"""Bytes between two functions that an alignment may have filled up."""

_NOPS = {0xBF00, 0x46C0, 0xF3AF, 0x8000, 0x0000}
"""Halfwords that code is filled up with; linkers also repeat one byte."""


class Inside(NamedTuple):
    """An address that is no start: what it is inside of, the function, and how many bytes into it."""

    part: PlaceInCode
    function: str
    offset: int

    @property
    def words(self) -> str:
        """``inside an instruction of reset_handler, 6 bytes after its start``."""
        if self.part == "padding":
            return f"in the padding in front of {self.function}, {-self.offset} bytes before its start"
        kind = {"inside a function": "inside of", "inside an instruction": "inside an instruction of"}
        return f"{kind.get(self.part, 'constants of')} {self.function}, {self.offset} bytes after its start"


def inside_of(build: Build, address: int) -> Inside | None:
    """What ``address`` (a run address, bit 0 ignored) is inside of; None if something begins there.

    None too where symbols do not show.
    """
    if build.symbols is None:
        return None
    address &= ~1
    found = build.symbols.function_at(address)
    if found is None:
        return _in_padding(build, address)
    function, offset = found
    if offset == 0:
        return None
    if not function.size:
        return None  # how far a function without a size reaches is a guess
    if any(_begins_at(symbol, address) for symbol in build.symbols.all()):
        return None
    start = function.value & ~1
    if _is_data(build, function, address):
        part: PlaceInCode = "constants"
    else:
        part = (
            "inside a function"
            if _on_instruction(build, function, start, address)
            else "inside an instruction"
        )
    return Inside(part, function.name, offset)


def _in_padding(build: Build, address: int) -> Inside | None:
    """What ``address`` is in front of, where an alignment between two functions of known size is filled up there."""
    function_at = build.symbols.function_at if build.symbols else lambda _: None
    reach = range(2, MAX_PADDING, 2)
    after = next((found for at in reach if (found := function_at(address + at))), None)
    before = next((found for at in reach if (found := function_at(address - at))), None)
    if not after or not before or after[1] or not before[0].size or not build.symbols:
        return None
    start, end = (before[0].value & ~1) + before[0].size, after[0].value & ~1
    filled = (build.read_at_run(start, end - start) or b"") if start <= address < end else b""
    halfwords = {half for (half,) in struct.iter_unpack("<H", filled[: len(filled) & ~1])}
    is_padding = len({*filled}) == 1 or (len(filled) % 2 == 0 and len(halfwords) > 0 and halfwords <= _NOPS)
    if not is_padding or _is_data(build, before[0], address):
        return None
    if any(_begins_at(symbol, address) for symbol in build.symbols.all()):
        return None
    return Inside("padding", after[0].name, address - end)


def data_at(build: Build, address: int) -> str:
    """What of the build's data is at a run address, as words; empty for code and where the file does not show.

    A section that is not marked executable may hold code all the same where a mapping symbol says so.
    """
    if build.symbols is None or build.sections is None:
        return ""
    holding = [each for each in build.sections.all() if each.allocated and each.span.holds(address)]
    if not holding:
        return "no section"
    section = holding[0]
    if section.executable and build.symbols.function_at(address) is not None:
        return ""  # code, constants of a function, or a label of its own
    objects = [
        each
        for each in build.symbols.objects_in(Span.from_bounds(section.span.start, address + 1))
        if each.span.holds(address) and not each.mapping
    ]
    mark = build.symbols.mark_at(section.number, address)
    is_code = not mark[1].startswith("$d") if mark else section.executable
    if is_code and not (section.executable and any(each.kind == "object" for each in objects)):
        return ""  # clang marks no data that the linker script puts among code
    return f"data of section {section.name}" + (f", {objects[-1].name}" if objects else "")


def _begins_at(symbol: Symbol, address: int) -> bool:
    return (
        symbol.defined
        and not symbol.mapping
        and bool(symbol.name)
        and symbol.kind in ("function", "notype")
        and symbol.value & ~1 == address
    )


def _is_data(build: Build, function: Symbol, address: int) -> bool:
    """Whether the last mapping symbol of the section up to ``address`` begins data."""
    mark = build.symbols.mark_at(function.section_index, address) if build.symbols else None
    return mark is not None and mark[1].startswith("$d")


def _on_instruction(build: Build, function: Symbol, start: int, address: int) -> bool:
    """Whether an instruction begins at ``address``, counted from the last mapping symbol before it."""
    mark = build.symbols.mark_at(function.section_index, address) if build.symbols else None
    start = max(start, mark[0]) if mark else start
    code = build.read_at_run(start, address - start) or b""
    return sum(4 if is_wide(first) else 2 for _, first, _ in instructions(code)) == len(code)

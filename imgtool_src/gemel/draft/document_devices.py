"""The part of a draft that a CMSIS-SVD file gives: device memories, and registers with their reset values."""

from __future__ import annotations

import re
from collections.abc import Iterable
from itertools import pairwise

from gemel.draft.drafting import Draft
from gemel.draft.page import Page, listed, size_words
from gemel.draft.svd import Peripheral, Register
from gemel.layout.rehearsal_model import ALL_BITS
from gemel.m_profile.instructions.halfwords import modified_constant, moved_constant, wide_immediate
from gemel.m_profile.memory_map import SYSTEM
from gemel.spans import Span, align_down, align_up, format_address, merge

MAX_ENTRIES, MAX_SEQUENCES, MAX_NAMES, MAX_MEMORIES = 256, 64, 4096, 16
"""As many as a layout takes of each kind of description and of names, and a draft writes of memories."""

PAGE = 4096

_MOVS, _MOV_WIDE, _MOVW, _MOVT = 0x4, 0xF04F, 0xF240, 0xF2C0


def used_peripherals(draft: Draft, peripherals: Iterable[Peripheral]) -> list[Peripheral]:
    """Those that code of the builds has an address of: a word, or a constant that its instructions load."""
    found: set[int] = set()
    for seen in draft.seen:
        for segment in seen.build.stored:
            found |= _addresses(segment.data)
    pages = {address // 4 for address in found}
    return [
        each
        for each in peripherals
        if not each.span.overlaps(SYSTEM)
        and (
            any(
                at in pages
                for at in range(each.span.start // 4, min(each.span.end, each.span.start + PAGE) // 4)
            )
        )
    ]


def _addresses(data: bytes) -> set[int]:
    """Words that may be addresses, and constants that code moves to a register.

    Arm Architecture Reference Manuals: MOV (immediate) T1, T2 and T3, MOVT T1, LSL (immediate) T1.
    """
    words = {int.from_bytes(data[at : at + 4], "little") for at in range(0, len(data) - 3, 4)}
    halves = [int.from_bytes(data[at : at + 2], "little") for at in range(0, len(data) - 1, 2)]
    low: dict[int, int] = {}
    for first, second in pairwise(halves):
        if first >> 11 == _MOVS and second >> 11 == 0 and second & 7 == second >> 3 & 7 == first >> 8 & 7:
            words.add((first & 0xFF) << (second >> 6 & 0x1F))
        elif second & 0x8000:
            continue
        elif first & 0xFBEF == _MOV_WIDE:
            words.add(modified_constant(wide_immediate(first, second)))
        elif first & 0xFBF0 == _MOVW:
            low[second >> 8 & 0xF] = moved_constant(first, second)
        elif first & 0xFBF0 == _MOVT:
            words.add(moved_constant(first, second) << 16 | low.get(second >> 8 & 0xF, 0))
    return words


def write_devices(page: Page, draft: Draft, peripherals: Iterable[Peripheral], file: str) -> None:
    """Device memories, reset values and names of the registers of the peripherals that the builds use."""
    used = used_peripherals(draft, peripherals)
    if not used:
        page.blank()
        page.remark(f"No build holds an address of a peripheral of {file}.")
        return
    _memories(page, draft, used, file)
    words: dict[int, _Word] = {}
    names: dict[str, int] = {}
    seen: set[int] = set()
    for peripheral in used:
        for register in peripheral.registers:
            names.setdefault(_name(register.name), register.address)
            if register.address in seen or not register.readable:
                continue
            seen.add(register.address)
            for at in range(register.address & ~3, register.address + register.size // 8, 4):
                words.setdefault(at, _Word(register.name)).add(register, 8 * (register.address - at))
    page.table("rehearsal", f"reset values by {file}, for the peripherals that the builds use")
    held = {at: each for at, each in words.items() if each.kept}
    sequences = {
        at: each for at, each in words.items() if not each.kept and each.after_read not in (None, each.reset)
    }
    constant = {
        at: each for at, each in words.items() if not each.kept and at not in sequences and each.reset
    }
    left = (
        _list(page, "constant", constant, MAX_ENTRIES)
        + _list(page, "held", held, MAX_ENTRIES)
        + _list(page, "sequence", sequences, MAX_SEQUENCES)
    )
    if left:
        page.remark(
            f"{left:,} more registers are left out; those with a reset value other than 0 come first."
        )
    _say_what_has_no_form(page, words.values(), file)
    page.table("rehearsal.register_name", f"the names in {file}, for messages")
    for name, address in list(names.items())[:MAX_NAMES]:
        page.key(name, format_address(address))
    if len(names) > MAX_NAMES:
        page.remark(f"{len(names) - MAX_NAMES:,} more names are left out.")


def _memories(page: Page, draft: Draft, used: list[Peripheral], file: str) -> None:
    taken = [window for memory in draft.places.memories for window in memory.windows]
    pages = [
        Span.from_bounds(align_down(each.span.start, PAGE), align_up(each.span.end, PAGE)) for each in used
    ]
    free = [span for span in merge(pages) if not any(span.overlaps(window) for window in taken)]
    for number, span in enumerate(free[:MAX_MEMORIES], 1):
        page.table(f"memory.devices-{number}")
        inside = [each.name for each in used if span.overlaps(each.span)]
        more = [f"{len(inside) - 4} more"] if len(inside) > 4 else []
        page.key("kind", '"device"', f"by {file}: {listed([*map(_name, inside[:4]), *more])}")
        page.key("start", format_address(span.start))
        page.key("size", size_words(span.size))
    if len(free) > MAX_MEMORIES:
        page.remark(f"{len(free) - MAX_MEMORIES:,} more stretches of registers are left out.")


class _Word:
    """A word of registers: what it resets to, which bits read what code writes, and what it reads after a read."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.reset = self.kept = self.changed = self._registers = 0
        self.after_read: int | None = 0

    def add(self, register: Register, shift: int) -> None:
        """A register ``shift`` bits from the beginning of the word on, or before it."""

        def part(value: int) -> int:
            return (value << shift if shift >= 0 else value >> -shift) & ALL_BITS

        self.reset |= part(register.reset)
        self.kept |= part(register.kept)
        self.changed |= part(register.changed)
        self._registers |= part((1 << register.size) - 1)
        if self.after_read is not None:
            after = register.after_read
            self.after_read = None if after is None else self.after_read | part(after)

    def keys(self, kind: str) -> str:
        """What the layout says of it."""
        if kind == "sequence":
            return f"values = [{format_address(self.reset)}, {format_address(self.after_read or 0)}]"
        reset = f"{'value' if kind == 'constant' else 'reset'} = {format_address(self.reset)}"
        fixed = self._registers & ~self.kept
        return (
            f"{reset}, writable = {format_address(ALL_BITS & ~fixed)}" if kind == "held" and fixed else reset
        )


def _say_what_has_no_form(page: Page, words: Iterable[_Word], file: str) -> None:
    """Which registers do something at an access that no description of a layout does."""
    changed = [each.name for each in words if each.changed]
    read = [
        each.name
        for each in words
        if each.after_read is None or (each.kept and each.after_read != each.reset)
    ]
    for found, how in ((changed, "a write clears, sets or inverts"), (read, "a read changes")):
        if found:
            more = [f"{len(found) - 4:,} more"] if len(found) > 4 else []
            said = f"By {file} {how} bits of {listed([*map(_name, found[:4]), *more])}. No entry of a layout does"
            page.remark(
                f"{said} that alone: they keep their value here; an [[rehearsal.event]] may set and clear them."
            )


def _list(page: Page, kind: str, entries: dict[int, _Word], most: int) -> int:
    """A list of registers, those that do not reset to 0 first; how many are left out."""
    if not entries:
        return 0
    chosen = sorted(entries, key=lambda word: (not entries[word].reset, word))[:most]
    page.lines.append(f"{kind} = [")
    for word in sorted(chosen):
        keys, name = entries[word].keys(kind), _name(entries[word].name)
        page.lines.append(f"    {{ at = {format_address(word)}, {keys} }},  # {name}")
    page.lines.append("]")
    return len(entries) - len(chosen)


def _name(name: str) -> str:
    """A register's name as a layout takes it."""
    return re.sub("[^A-Za-z0-9_-]", "_", name)[:64]

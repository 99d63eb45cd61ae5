"""What the code of a build sets its own core to: vector table, stack limit, coprocessor access."""

from __future__ import annotations

import re
import struct
from collections.abc import Iterable
from typing import NamedTuple

from gemel.builds.build import Build
from gemel.builds.elf.symbols import Symbol
from gemel.m_profile.guards import is_guarded
from gemel.m_profile.known_stores import (
    CALL,
    CPACR,
    MSPLIM,
    VTOR,
    KnownStore,
    call_distance,
    instructions,
    known_stores,
)
from gemel.spans import format_address

WALK_LIMIT, DEPTH_LIMIT = 20_000, 32
"""Instructions from the reset handler on that are followed, and calls inside each other."""

_SIGNS = (
    rb"[\x00-\xff][\xe0-\xef]\x00\xe0"  # an address in the system control space
    rb"|\xce\xf2\x00[\x00-\x0e]"  # MOVT Rd, #0xE000
    rb"|\x4f\xf0\xe0[\x20-\x2e]"  # MOV.W Rd, #0xE000E000
    rb"|\x0a\x88"  # the second half of MSR MSPLIM
)
"""Bytes of functions that may set something of their core."""


def _signs(addresses: Iterable[int]) -> re.Pattern[bytes]:
    """The same with what puts one of ``addresses`` together from the 4 KiB that it is in."""
    signs = [_SIGNS]
    for address in addresses:
        upper = address >> 16
        page = bytes(range(address >> 8 & 0xF0, (address >> 8 & 0xF0) + 16))
        signs.append(rb"[\x00-\xff][" + re.escape(page) + b"]" + re.escape(struct.pack("<H", upper)))
        imm4, i, imm3, imm8 = upper >> 12, upper >> 11 & 1, upper >> 8 & 7, upper & 0xFF
        first = re.escape(struct.pack("<H", 0xF2C0 | i << 10 | imm4))
        registers = re.escape(bytes(range(imm3 << 4, (imm3 << 4) + 15)))
        signs.append(first + re.escape(bytes((imm8,))) + b"[" + registers + b"]")
    return re.compile(b"|".join(signs), re.DOTALL)


class Setting(NamedTuple):
    """A store that sets something of the core, and the function that does it."""

    store: KnownStore
    function: str

    @property
    def place(self) -> str:
        """``0x1000_8124 (reset_handler)``."""
        return format_address(self.store.at) + (f" ({self.function})" if self.function else "")


def settings_of(build: Build, registers: frozenset[int] = frozenset()) -> tuple[Setting, ...]:
    """Every store of the build to a system register, or one of ``registers``, whose address it puts together.

    Only functions that hold such an address, or set a special register, are gone through.
    """
    found = []
    for function in _functions(build, _signs(sorted(registers))):
        start = function.value & ~1
        code = build.read_at_run(start, function.size) or b""
        for store in known_stores(code, start, lambda at: _word(build, at)):
            if store.target in (VTOR, CPACR, MSPLIM) or store.target in registers:
                found.append(Setting(store, function.name))
    return tuple(sorted(found, key=lambda each: each.store.at))


def _functions(build: Build, signs: re.Pattern[bytes]) -> list[Symbol]:
    """The functions with bytes that could put a system address together, or set the stack limit."""
    found: dict[int, Symbol] = {}
    for segment in build.stored:
        for match in signs.finditer(segment.data) if segment.executable and build.symbols else ():
            at = segment.run_address + match.start()
            function = build.symbols.function_at(at) if build.symbols and at % 2 == 0 else None
            if function and function[0].size:
                found[function[0].value] = function[0]
    return list(found.values())


def _word(build: Build, address: int) -> int | None:
    """The word that the build stores for an address, as long as it is not a variable."""
    for segment in build.stored:
        offset = address - segment.run_address
        if 0 <= offset <= len(segment.data) - 4 and not (segment.writable and not segment.executable):
            return int.from_bytes(segment.data[offset : offset + 4], "little")
    return None


class FirstFloat(NamedTuple):
    """The first floating-point instruction from the reset handler on, before the coprocessor is enabled."""

    at: int
    function: str


def first_float(core: CoreCode, reset: int) -> FirstFloat | None:
    """The float instruction that the reset handler comes to before a store to CPACR; None if there is none.

    Functions are gone through from start to end, calls where they stand; both sides of branches count.
    """
    walk = _Walk(core)
    walk.function(reset & ~1, 0)
    return walk.found


class _Walk:
    """Goes through functions in the order of their calls."""

    def __init__(self, core: CoreCode) -> None:
        self._build = core.build
        self._visited: set[int] = set()
        self._left = WALK_LIMIT
        self.found: FirstFloat | None = None
        self.enabled = False

    def function(self, start: int, depth: int) -> None:
        """Go through the function at ``start``, as long as neither is found."""
        symbols = self._build.symbols
        known = symbols.function_at(start) if symbols else None
        if known is None or known[1] or start in self._visited or depth > DEPTH_LIMIT:
            return
        self._visited.add(start)
        code = self._build.read_at_run(start, known[0].size) or b""
        stores = {each.at: each for each in known_stores(code, start, self._word)}
        for at, half, second in instructions(code):
            self._left -= 1
            if self.found or self.enabled or self._left < 0:
                return
            store = stores.get(start + at)
            if store and store.target == CPACR:
                self.enabled = True
            elif store and store.target == CALL and store.value is not None:
                self.function(store.value & ~1, depth + 1)
            elif half & 0xF800 == 0xF000 and second & 0xD000 in (0xD000, 0x9000):
                self.function(start + at + 4 + call_distance(half, second), depth + 1)
            elif _is_float(half, second) and not is_guarded(code, 0, at, start, self._word):
                self.found = FirstFloat(start + at, known[0].name)

    def _word(self, address: int) -> int | None:
        return _word(self._build, address)


def _is_float(first: int, second: int) -> bool:
    """Whether it is an instruction for coprocessor 10 or 11 (but not one that only lays aside lazily)."""
    if first & 0xEC00 != 0xEC00 or second & 0x0E00 != 0x0A00:
        return False
    return first & 0xFFE0 != 0xEC20 or second & 0x0F00 not in (0x0A00,)

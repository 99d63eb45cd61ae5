"""Text from a bench with its addresses named in place: register dumps, back traces, logs."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import lru_cache

from gemel.lookup.facts import FoundWays, Lookup
from gemel.m_profile.fault_registers import (
    ADDRESS,
    FIRST_RETURN,
    NO_ADDRESS,
    RETURN,
    exception_return,
    flags_of,
    has_its_width,
    spelled_out,
)
from gemel.text.demangled import MAX_TEXT_IN_ALL, demangled
from gemel.text.escaping import on_one_line

_COLOURED = r"(?<=\x1b\[m)|(?<=\x1b\[[0-9]m)|(?<=\x1b\[[0-9]{2}m)|(?<=\x1b\[[0-9];[0-9]{2}m)"
_SUFFIX = r"(?:[hH]|[uU]?[lL]{0,2})(?![0-9A-Za-z_])"
_NUMBER = re.compile(
    rf"(?:(?<![A-Za-z_])(?!m[0-9A-Fa-f]|[0-9A-Fa-f]{{1,8}}{_SUFFIX})(?P<word>[A-Za-z_][0-9A-Za-z_]{{0,39}}+)\W{{0,12}}+)?+"
    rf"(?:(?<![0-9A-Za-z_.])|{_COLOURED})"
    r"(?P<number>(?P<mark>0[xX])?(?:0{8}(?=[0-9A-Fa-f]{8}))?"
    r"(?P<digits>(?(mark)[0-9A-Fa-f]{1,4}|[0-9A-Fa-f]{4})_[0-9A-Fa-f]{4}|[0-9A-Fa-f]{1,8}))"
    rf"{_SUFFIX}(?!-[0-9A-Fa-f]{{4}}-)"
)
"""A hexadecimal number of up to 32 bits, with eight zeros before it where a tool prints 64, with what assemblers and C
write after it, and right after a colour of a terminal; not the first part of a UUID.  ``word`` is the word before it,
no number itself nor the end of a colour, with what may stand between them: ``CFSR: ``, ``lr = ``."""

MIN_DIGITS, MIN_AFTER_REGISTER, MIN_ALONE = len("100"), len("10000"), len("10000000")
"""Digits of what may be an address: with 0x, without it after the name of a register, and with neither."""

_STATUS = re.compile(r"fsr|status", re.IGNORECASE)
"""What stands in a line that has a fault status register."""

_REGISTER = re.compile(r"([A-Za-z_]\w*)\W{0,12}$")

NEAR, FAR = 40, 80
"""Characters before a number in which the name of a status register, and its name in words, is looked for."""

MAX_LINE = 1 << 16
"""Characters of a line that are searched; the rest is passed on as it is."""

CACHED = 1 << 16
"""Addresses whose names are kept."""

LONG_NAME, LONG_NAMES_IN_ALL = 120, 1 << 22
"""Characters of what is said of an address, and of all that is longer in one text; after that only so much is said."""

FEW_WAYS, WAYS_IN_ALL = 2, 60_000
"""Ways to builds that each address has, and those of all addresses with more; after that only the first few count."""


class _Spelled(dict[str, str]):
    """Symbols as their sources spell them, but for those after the first MAX_TEXT_IN_ALL / 2 characters."""

    def __init__(self) -> None:
        self._left = MAX_TEXT_IN_ALL // 2

    def __missing__(self, symbol: str) -> str:
        if symbol.startswith("_Z"):
            self._left -= len(symbol)
        self[symbol] = demangled(symbol) if self._left >= 0 else symbol
        return self[symbol]


def annotated(lines: Iterable[str], lookup: Lookup, cores: Sequence[str]) -> Iterator[str]:
    """Each line with what is at its addresses, in angle brackets after each; control characters but tabs are escaped.

    Only what a build names is written: functions, objects and source lines.  Fault status registers and exception
    return values are written out.  ``cores`` are those whose view counts.
    """
    found, spelled = lookup.found_by(tuple(cores)), _Spelled()
    left, ways_left = LONG_NAMES_IN_ALL, WAYS_IN_ALL

    @lru_cache(CACHED)
    def named(address: int) -> str:
        nonlocal ways_left
        if address >= FIRST_RETURN and (returns_to := exception_return(address)):
            return returns_to
        groups, more = found(address), ""
        if (ways := sum(len(ways) for _, ways in groups)) > FEW_WAYS:
            ways_left -= ways
            if ways_left < 0:
                groups, more = _first_ways(groups), "; ..."
        return (names := _names(groups, address, cores, spelled)) and names + more

    for line in lines:
        text = line.rstrip("\r\n")
        is_plain = text.isprintable() or text.replace("\t", "").isprintable()
        has_status = _STATUS.search(text)
        pieces: list[str] = []
        at = 0
        for match in _NUMBER.finditer(text[:MAX_LINE]):
            said = _flags(match) if has_status else None
            if said is None:
                word, mark, digits = match.group("word", "mark", "digits")
                shortest, shortest_marked, returns = _role(word) if word else _ORDINARY
                if len(digits) < (shortest_marked if mark else shortest):
                    continue
                value = int(digits, 16)
                said = named(value)
                if returns and value & 1 and (call := _call_before(value, said, named)):
                    said += f"; as a return address: after {call}"
            if said:
                if len(said) > LONG_NAME:
                    left -= len(said)
                    said = said if left >= 0 else _cut(said)
                end = match.end()
                pieces += (text[at:end] if is_plain else _without_controls(text[at:end]), " <", said, ">")
                at = end
        rest = text[at:] if at else text
        pieces.append(rest if is_plain else _without_controls(rest))
        yield "".join(pieces)


def _first_ways(found: FoundWays) -> FoundWays:
    return [(group, ways[:FEW_WAYS]) for group, ways in found if ways][:FEW_WAYS]


def _cut(said: str) -> str:
    """LONG_NAME characters: the beginning, and the end, where an offset and a source line are."""
    return f"{said[: LONG_NAME // 2]}...{said[3 - LONG_NAME // 2 :]}"


def _without_controls(text: str) -> str:
    """What may stand in a line of a log: tabs stay, other control characters are escaped."""
    return "\t".join(map(on_one_line, text.split("\t")))


_NEVER = 1 << 16
_ORDINARY = MIN_ALONE, MIN_DIGITS, False


@lru_cache(1 << 12)
def _role(word: str) -> tuple[int, int, bool]:
    """Digits of an address after a word, without 0x and with it, and whether the word names the link register."""
    if NO_ADDRESS.match(word):
        return _NEVER, _NEVER, False
    return (
        MIN_AFTER_REGISTER if ADDRESS.match(word) else MIN_ALONE,
        MIN_DIGITS,
        bool(RETURN.match(word)),
    )


def _flags(match: re.Match[str]) -> str | None:
    """The bits of a fault status register by name; None for any other number."""
    text, start, is_marked = match.string, match.start("number"), bool(match["mark"])
    digits = match["digits"].replace("_", "")
    word = _REGISTER.search(text, max(0, start - NEAR), start)
    if len(digits) < MIN_AFTER_REGISTER and not word and not is_marked:
        return None
    for status in filter(None, (word and word[1], spelled_out(text[max(0, start - FAR) : start]))):
        if is_marked or has_its_width(status, len(digits)):
            flags = flags_of(status, int(digits, 16))
            if flags is not None:
                return flags
    return None


def _call_before(value: int, name: str, named: Callable[[int], str]) -> str:
    """The last instruction before a function that begins at a return address; empty where none does.

    A call that never returns may be the last instruction of its function, and the next function follows.
    """
    if not name or " + " in name:
        return ""
    call = named((value & ~1) - 2)
    return call if " + " in call else ""


def _names(found: FoundWays, address: int, cores: Sequence[str], spelled: Mapping[str, str]) -> str:
    """The names of what groups of cores find in one line, by core where they differ; empty where none has one."""
    words: dict[str, list[str]] = {}
    last: object = None
    moved, text = 0, ""
    for group, ways in found:
        texts: list[str] = []
        for _, _, _, distance, names in ways:
            if names and (names is not last or distance != moved):
                last, moved, text = names, distance, names.text_at(address + distance, spelled)
            if names and text and text not in texts:
                texts.append(text)
        if texts:
            words.setdefault(texts[0] if len(texts) == 1 else "; ".join(texts), []).extend(group)
    if len(words) < 2:
        return on_one_line(next(iter(words), ""))
    by_core = {core: said for said, group in words.items() for core in group}
    return on_one_line(" | ".join(f"{core}: {by_core[core]}" for core in cores if core in by_core))

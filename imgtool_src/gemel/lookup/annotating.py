"""Text from a bench with its addresses named in place: register dumps, back traces, logs."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import lru_cache

from gemel.lookup.facts import Hit, Lookup
from gemel.m_profile.fault_registers import (
    ADDRESS,
    NO_ADDRESS,
    RETURN,
    exception_return,
    flags_of,
    has_its_width,
    spelled_out,
)
from gemel.text.demangled import LONGEST_TOGETHER, demangled
from gemel.text.escaping import on_one_line

_NUMBER = re.compile(
    r"(?:(?<![0-9A-Za-z_.])|(?<=\x1b\[m)|(?<=\x1b\[[0-9]m)|(?<=\x1b\[[0-9]{2}m)|(?<=\x1b\[[0-9];[0-9]{2}m))"
    r"(?P<mark>0[xX])?(?P<zeros>0{8}(?=[0-9A-Fa-f]{8}))?"
    r"(?P<digits>(?(mark)[0-9A-Fa-f]{1,4}|[0-9A-Fa-f]{4})_[0-9A-Fa-f]{4}|[0-9A-Fa-f]{1,8})"
    r"(?:[hH]|[uU]?[lL]{0,2})(?![0-9A-Za-z_])(?!-[0-9A-Fa-f]{4}-)"
)
"""A hexadecimal number of up to 32 bits, with eight zeros before it where a tool prints 64, with what assemblers and C
write after it, and right after a colour of a terminal; not the first part of a UUID."""

SHORTEST, SHORTEST_AFTER_REGISTER = len("100"), len("10000")
"""Digits of what may be an address, with 0x, and without it after the name of a register; else it has eight."""

SHORTEST_TEXT = len("r 1")
"""Characters of a line in which anything is named."""

_REGISTER = re.compile(r"([A-Za-z_]\w*)\W{0,12}$")
"""The word before a number, with what may stand between them: ``CFSR: ``, ``lr = ``."""

NEAR, FAR = 40, 80
"""Characters before a number in which the name of a register, and its name in words, is looked for."""

MAX_LINE = 1 << 16
"""Characters of a line that are searched; the rest is passed on as it is."""

CACHED = 1 << 16


def annotated(lines: Iterable[str], lookup: Lookup, cores: Sequence[str]) -> Iterator[str]:
    """Each line with what is at its addresses, in angle brackets after each; control characters but tabs are escaped.

    Only what a build names is written: functions, objects and source lines.  Fault status registers and exception
    return values are written out.  ``cores`` are those whose view counts.
    """
    spelled: dict[str, str] = {}
    left = LONGEST_TOGETHER

    def spell(symbol: str) -> str:
        nonlocal left
        if symbol.startswith("_Z") and symbol not in spelled:
            left -= len(symbol)
            spelled[symbol] = demangled(symbol) if left >= 0 else symbol
        return spelled.get(symbol, symbol)

    @lru_cache(CACHED)
    def named(address: int) -> str:
        return name_of(lookup.hits(address, cores), spell)

    for line in lines:
        text = line.rstrip("\r\n")
        numbers = list(_NUMBER.finditer(text[:MAX_LINE])) if len(text) >= SHORTEST_TEXT else []
        yield "".join(_pieces(text, numbers, named)) if numbers or not text.isprintable() else text


def _pieces(text: str, numbers: Iterable[re.Match[str]], named: Callable[[int], str]) -> Iterator[str]:
    at = 0
    for match in numbers:
        if (said := _said(match, named)) is not None:
            yield _without_controls(text[at : match.end()]) + f" <{said}>"
            at = match.end()
    yield _without_controls(text[at:])


def _without_controls(text: str) -> str:
    """What may stand in a line of a log: tabs stay, other control characters are escaped."""
    return "\t".join(map(on_one_line, text.split("\t")))


def _said(match: re.Match[str], named: Callable[[int], str]) -> str | None:
    text, start, is_marked = match.string, match.start(), bool(match["mark"])
    digits = match["digits"].replace("_", "")
    count = len(digits)
    word = _REGISTER.search(text, max(0, start - NEAR), start)
    register = word[1] if word else ""
    if count < SHORTEST_AFTER_REGISTER and not word and not is_marked:
        return None
    value = int(digits, 16)
    for status in filter(None, (register, spelled_out(text[max(0, start - FAR) : start]))):
        if (is_marked or has_its_width(status, count)) and (flags := flags_of(status, value)) is not None:
            return flags
    shortest = SHORTEST if is_marked else SHORTEST_AFTER_REGISTER if ADDRESS.match(register) else 8
    if count < shortest or NO_ADDRESS.match(register):
        return None
    name = exception_return(value) or named(value)
    if value & 1 and RETURN.match(register) and (call := _call_before(value, name, named)):
        name += f"; as a return address: after {call}"
    return name or None


def _call_before(value: int, name: str, named: Callable[[int], str]) -> str:
    """The last instruction before a function that begins at a return address; empty where none does.

    A call that never returns may be the last instruction of its function, and the next function follows.
    """
    if not name or " + " in name:
        return ""
    call = named((value & ~1) - 2)
    return call if " + " in call else ""


def name_of(found: Mapping[str, Sequence[Hit]], spell: Callable[[str], str] = demangled) -> str:
    """The names of what is found by core in one line, by core where they differ; empty where no build has one."""
    words = {}
    for core, hits in found.items():
        if text := "; ".join(dict.fromkeys(filter(None, (hit_name(hit, spell) for hit in hits)))):
            words[core] = text
    if len(set(words.values())) < 2:
        return on_one_line(next(iter(words.values()), ""))
    return on_one_line(" | ".join(f"{core}: {text}" for core, text in words.items()))


def hit_name(hit: Hit, spell: Callable[[str], str] = demangled) -> str:
    """``name + 12, file.c:34`` of what a build has at an address; empty where it has no symbol there."""
    if not hit.symbol:
        return ""
    symbol = spell(hit.symbol)
    name = f"{symbol} + {hit.offset}" if hit.offset else symbol
    return f"{name}, {hit.source}" if hit.source else name

"""Text from a bench with its addresses named in place: register dumps, back traces, logs."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import lru_cache

from gemel.lookup.facts import AddressFacts, Hit, Lookup
from gemel.m_profile.fault_registers import NO_ADDRESS, exception_return, flags_of
from gemel.text.demangled import demangled
from gemel.text.escaping import on_one_line

_NUMBER = re.compile(
    r"(?<![0-9A-Za-z_.])"
    r"(0[xX][0-9A-Fa-f]{1,4}_[0-9A-Fa-f]{4}|0[xX][0-9A-Fa-f]{1,8}|[0-9A-Fa-f]{8})[hH]?(?![0-9A-Za-z_])"
)
"""A hexadecimal number: with 0x one to eight digits, without it exactly eight; assemblers write an h after it."""

SHORTEST = len("0x100")
"""Characters of what may be an address; what is shorter is looked at as the value of a register alone."""

_REGISTER = re.compile(r"([A-Za-z_]\w*)\W{0,12}$")
"""The word before a number, with what may stand between them: ``CFSR: ``, ``lr = ``."""

MAX_LINE = 1 << 16
"""Characters of a line that are searched; the rest is passed on as it is."""

CACHED = 1 << 16


def annotated(lines: Iterable[str], lookup: Lookup, cores: Sequence[str]) -> Iterator[str]:
    """Each line with what is at its addresses, in angle brackets after each; control characters are escaped.

    Only what a build names is written: functions, objects and source lines.  Fault status registers and exception
    return values are written out.  ``cores`` are those whose view counts.
    """

    @lru_cache(CACHED)
    def named(address: int) -> str:
        return name_of(lookup.address(address, "", cores))

    for line in lines:
        yield "".join(_pieces(line, named))


def _pieces(line: str, named: Callable[[int], str]) -> Iterator[str]:
    text = line.rstrip("\r\n")
    at = 0
    for match in _NUMBER.finditer(text[:MAX_LINE]):
        value = int(match[1].replace("_", ""), 16)
        word = _REGISTER.search(text, max(0, match.start() - 40), match.start())
        register = word[1] if word else ""
        if (said := _said(register, value, named, len(match[1]) >= SHORTEST)) is not None:
            yield on_one_line(text[at : match.end()]) + f" <{said}>"
            at = match.end()
    yield on_one_line(text[at:])


def _said(register: str, value: int, named: Callable[[int], str], may_be_address: bool) -> str | None:
    if (flags := flags_of(register, value)) is not None:
        return flags
    if not may_be_address or (register and NO_ADDRESS.match(register)):
        return None
    return exception_return(value) or named(value) or None


def name_of(facts: AddressFacts) -> str:
    """The names at an address in one line, by core where they differ; empty where no build has one."""
    words = {
        view.core: "; ".join(dict.fromkeys(filter(None, map(hit_name, view.hits)))) for view in facts.views
    }
    words = {core: text for core, text in words.items() if text}
    if len(set(words.values())) == 1:
        return on_one_line(next(iter(words.values())))
    return on_one_line(" | ".join(f"{core}: {text}" for core, text in words.items()))


def hit_name(hit: Hit) -> str:
    """``name + 12, file.c:34`` of what a build has at an address; empty where it has no symbol there."""
    if not hit.symbol:
        return ""
    symbol = demangled(hit.symbol)
    name = f"{symbol} + {hit.offset}" if hit.offset else symbol
    return f"{name}, {hit.source}" if hit.source else name

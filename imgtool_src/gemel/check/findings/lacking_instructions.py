"""Findings about instructions that a core lacks: one for each kind of instruction in a build."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from gemel.check.findings.wording import SHOWN, concerned, counted
from gemel.check.rule import Finding
from gemel.layout.model import BuildPlan, Core
from gemel.m_profile.capabilities import IN_WORDS, Capability
from gemel.m_profile.disassembly import raw, spelled
from gemel.m_profile.instruction_table import Encoding
from gemel.m_profile.sieve import NEWEST
from gemel.spans import Span, format_address


class Place(NamedTuple):
    """One instruction: its address as the core sees it, its bytes, what it is, and the function around it.

    ``function`` and ``offset`` into it are empty and 0 where no symbol tells.
    """

    address: int
    data: bytes
    encoding: Encoding
    function: str = ""
    offset: int = 0

    def told(self) -> str:
        """``0x1000_8124 (filter + 12): vadd.f32 s0, s0, s1``."""
        text = format_address(self.address)
        if self.function:
            text += f" ({self.function}{f' + {self.offset}' if self.offset else ''})"
        return f"{text}: {self._spelled()}"

    def _spelled(self) -> str:
        """The instruction; raw where the disassembler reads one that Armv8.1-M added as an older one."""
        text = spelled(self.data, self.address)
        added = NEWEST.intersection(self.encoding.needs)
        misread = added and ("v8.1" in added or not text.startswith("v"))
        return raw(self.data) if misread or not text else text


def lacking_findings(
    plan: BuildPlan, core: Core, where: str, places: Iterable[Place], doubt: str = ""
) -> Iterator[Finding]:
    """One finding for each kind of instruction among ``places``; ``doubt`` is told of each."""
    kinds: dict[tuple[str, Capability], list[Place]] = {}
    for place in places:
        kinds.setdefault((place.encoding.what, place.encoding.needs[0]), []).append(place)
    for (what, capability), found in sorted(kinds.items(), key=lambda kind: kind[1][0].address):
        first = found[0]
        yield Finding(
            f"build {plan.name} holds {counted(len(found), what)}, which core {core.name} does not have",
            concerned(plan.name, core.name),
            where,
            first.told(),
            f"only what core {core.name} has: {_has(core)}; it lacks {IN_WORDS[capability]}",
            Span(first.address, len(first.data)),
            lines=(*_further(found), *([doubt] if doubt else [])),
        )


def _further(found: list[Place]) -> list[str]:
    """The first instruction of each further function, or each further one where no function is known."""
    functions: dict[object, list[Place]] = {}
    for place in found:
        functions.setdefault(place.function or place.address, []).append(place)
    first, *others = functions.values()
    lines = [f"{first[0].function} holds {len(first):,} of them"] if len(first) > 1 else []
    for places in others[:SHOWN]:
        more = f", and {len(places) - 1:,} more there" if len(places) > 1 else ""
        lines.append(places[0].told() + more)
    left = len(others) - SHOWN
    if left > 0:
        lines.append(f"and in {counted(left, 'more function' if first[0].function else 'more place')}")
    return lines


def _has(core: Core) -> str:
    return " with ".join([core.architecture, *([" and ".join(core.extensions)] if core.extensions else [])])

"""Findings about instructions that a core lacks: one for each kind of instruction in a build."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from gemel.inspection.wording import MAX_SHOWN, concerned, counted
from gemel.layout.model import BuildPlan, Core
from gemel.m_profile.capabilities import IN_WORDS, Capability
from gemel.m_profile.instructions.found_instruction import FoundInstruction
from gemel.outcomes import Finding
from gemel.spans import Span

_ARCHITECTURE = "build-architecture-fits-core"
"""The rule that finds what a build was compiled for, from which instructions in it follow."""

_OF_SWEPT = ("flash-words-programmed",)
"""The rule that finds erased bytes in the place of code, which read as instructions where no symbols separate them."""

_DEMANDS_OF: dict[Capability, tuple[str, ...]] = {
    **dict.fromkeys(("fp", "fp-double", "fp16"), ("float-demands-fit-core", _ARCHITECTURE)),
    **dict.fromkeys(("dsp", "mve"), ("extension-demands-fit-core", _ARCHITECTURE)),
    "mve-fp": ("extension-demands-fit-core", "float-demands-fit-core", _ARCHITECTURE),
}
"""All such rules for the instructions of an extension."""


def lacking_findings(
    plan: BuildPlan, core: Core, where: str, places: Iterable[FoundInstruction], doubt: str = ""
) -> Iterator[Finding]:
    """One finding for each kind of instruction among ``places``; ``doubt`` is said of each."""
    kinds: dict[tuple[str, Capability], list[FoundInstruction]] = {}
    for place in places:
        kinds.setdefault((place.encoding.what, place.encoding.needs[0]), []).append(place)
    for (what, capability), found in sorted(kinds.items(), key=lambda kind: kind[1][0].address):
        first = found[0]
        yield Finding(
            f"build {plan.name} holds {counted(len(found), what)}, which core {core.name} does not have",
            concerned(plan.name, core.name),
            where=where,
            found=first.described(),
            expected=f"only what core {core.name} has: {_has(core)}; it lacks {IN_WORDS[capability]}",
            span=Span(first.address, len(first.data)),
            lines=(*_further(found), *([doubt] if doubt else [])),
            follows_from=tuple(
                (rule, plan.name)
                for rule in (*_DEMANDS_OF.get(capability, (_ARCHITECTURE,)), *(_OF_SWEPT if doubt else ()))
            ),
        )


def _further(found: list[FoundInstruction]) -> list[str]:
    """The first instruction of each further function, or each further one where no function is known."""
    functions: dict[object, list[FoundInstruction]] = {}
    for place in found:
        functions.setdefault(place.function or place.address, []).append(place)
    first, *others = functions.values()
    lines = [f"{first[0].function} holds {len(first):,} of them"] if len(first) > 1 else []
    for places in others[:MAX_SHOWN]:
        more = f", and {len(places) - 1:,} more there" if len(places) > 1 else ""
        lines.append(places[0].described() + more)
    left = len(others) - MAX_SHOWN
    if left > 0:
        lines.append(f"and in {counted(left, 'more function' if first[0].function else 'more place')}")
    return lines


def _has(core: Core) -> str:
    return " with ".join([core.architecture, *([" and ".join(core.extensions)] if core.extensions else [])])

"""Words that several rules share: sizes of spans, owners of areas, symbols at an address, long lists."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cache
from itertools import islice
from typing import TYPE_CHECKING

from gemel.builds.build import Aspect, Build
from gemel.builds.segment import Segment
from gemel.errors import GemelError
from gemel.layout.model import Area, BuildPlan, Checksum, Layout, Stamp, SymbolPlace
from gemel.outcomes import Finding, Holds, Need, Outcome, Reason, needs_of
from gemel.spans import Span, format_address, format_size
from gemel.structs import replace
from gemel.text.wrapping import first_of

if TYPE_CHECKING:
    from gemel.builds.elf.symbol_entries import Symbol
    from gemel.inspection.ram.claims import Claim

MAX_SHOWN = 8
"""Findings or lines of one kind that are shown; of more it is only reported that there are."""


def place_words(span: Span) -> str:
    """``0x1000_0000..0x1000_00FF``; of a single byte its address."""
    return format_address(span.start) if span.size == 1 else str(span)


def sized(span: Span) -> str:
    """``0x1000_0000..0x1000_00FF, 256 bytes``."""
    return f"{place_words(span)}, {format_size(span.size)}"


def copied_elsewhere(build: str) -> tuple[str, str]:
    """The cause that the primary copies a build to where it does not run, as findings name their causes."""
    return "copy-constants-agree", f"copy of {build}"


def concerned(*names: str) -> tuple[str, ...]:
    """The names in their order, each once, empty ones left out."""
    return tuple(dict.fromkeys(name for name in names if name))


def counted(count: int, what: str) -> str:
    """``1 byte``, ``2 bytes``; ``what`` forms its plural with an s."""
    return f"{count:,} {what}{'' if count == 1 else 's'}"


def in_short(findings: Iterable[Finding]) -> Iterator[Finding]:
    """The first findings; the last one shown says that there are more, which are not even made."""
    kept = list(islice(findings, MAX_SHOWN + 1))
    if len(kept) > MAX_SHOWN:
        last = kept[MAX_SHOWN - 1]
        kept[MAX_SHOWN - 1 :] = [replace(last, lines=(*last.lines, "there are more findings of this kind"))]
    yield from kept


def found_or_holds(findings: Iterable[Finding], where: str) -> Iterator[Outcome]:
    """The findings in short; that the rule holds ``where`` if there are none."""
    shown = list(in_short(findings))
    yield from shown
    if not shown:
        yield Holds(where)


def lines_in_short(lines: list[str], what: str) -> tuple[str, ...]:
    """The first lines and the number of the others, which are called ``what``."""
    left = len(lines) - MAX_SHOWN
    return (*lines[:MAX_SHOWN], f"and {counted(left, f'more {what}')}") if left > 0 else tuple(lines)


def as_one(findings: Sequence[Finding], what: str) -> Finding:
    """Findings of one cause as the first of them, with lines for the others, which are called ``what``."""
    first, *others = findings
    lines = lines_in_short([f"{each.where}: {each.found}" for each in others], what)
    return replace(first, lines=(*first.lines, *lines)) if others else first


@cache
def needs_build(name: str) -> Reason:
    """The reason for what only a build shows when it is not given."""
    return Reason(f"needs the build: {name}=FILE", Need("build", name))


def needs_elf(name: str, build: Build | None, asked: Aspect) -> str:
    """Why a build does not show ``asked``, and what it takes; empty if it does."""
    if build is None:
        return _needs_file(name)
    reason = build.reason_for(asked)
    if reason and build.kind != "elf":
        return Reason(f"{reason}; needs its ELF file", Need("build", name))
    return Reason(reason, Need("symbol", build=name)) if reason and asked == "symbols" else reason


@cache
def _needs_file(name: str) -> Reason:
    return Reason(f"needs the ELF file: {name}=FILE", Need("build", name))


def needs_symbol(name: str, symbol: str) -> Reason:
    """The reason for what only a symbol shows, of a build that is not given or has no symbols."""
    words = f"needs the ELF file with the symbol {symbol}: {name}=FILE"
    return Reason(words, Need("build", name), Need("symbol", symbol, name))


def said_of(what: str, reason: str) -> Reason:
    """``what: reason``, with what the reason needs."""
    return Reason(f"{what}: {reason}", *needs_of(reason))


def see(rule: str, what: str) -> Reason:
    """The reason for what cannot be looked at because of something that another rule reports."""
    return Reason(f"{what}: see {rule}", Need("rule", rule))


def record_not_sound() -> Reason:
    """The reason for what only a sound record shows."""
    return Reason("the record is not sound", Need("rule", "record-sound"))


def segment_words(build: Build, segment: Segment) -> str:
    """``build station (station.elf, segment 1)``."""
    return f"build {build.name} ({build.file}, {segment.words})"


def claim_words(build: Build, claim: Claim) -> str:
    """``build station (station.elf, segment 1)``, ``build station (station.elf, heap, section .heap)``."""
    return f"build {build.name} ({build.file}, {claim.words})"


def builds_stored_in(layout: Layout, area: str) -> list[BuildPlan]:
    """The builds that an area is for; at most one in a sound layout."""
    return [plan for plan in layout.builds.values() if area in (plan.stored_in, *plan.also_stored_in)]


def own_areas_words(layout: Layout, plan: BuildPlan) -> str:
    """``inside area station-code, 0x1000_0000..0x1000_0FFF``, and further areas of the build."""
    names = (plan.stored_in, *plan.also_stored_in)
    return "inside " + " or ".join(f"area {name}, {layout.span_of(name)}" for name in names)


def owners_of(layout: Layout, area: Area) -> tuple[str, tuple[str, ...]]:
    """Whose an area is, in words, and the names of the cores and builds that these are."""
    stored = [plan.name for plan in builds_stored_in(layout, area.name)]
    runs = [plan.name for plan in layout.builds.values() if plan.runs_in == area.name]
    owners = [core.name for core in layout.cores.values() if area.name in core.ram]
    if stored or runs:
        uses = [f"build {name} is stored" for name in stored] + [f"build {name} runs" for name in runs]
        return f"where {' and '.join(uses)}", tuple(stored + runs + owners)
    if owners:
        return f"which core {' and core '.join(owners)} owns", tuple(owners)
    return f"of purpose {area.purpose}", ()


def symbol_at(build: Build, run_address: int) -> str:
    """The function or object of ``build`` at an address as its core sees it; empty if none is known."""
    if build.symbols is None:
        return ""
    if (function := build.symbols.function_at(run_address)) is not None:
        symbol, offset = function
        return _with_offset(symbol, offset)
    for symbol in build.symbols.all():
        if symbol.kind == "object" and symbol.span.holds(run_address):
            return _with_offset(symbol, run_address - symbol.address)
    return ""


def _with_offset(symbol: Symbol, offset: int) -> str:
    return f"{symbol.name} + {offset:#x}" if offset else symbol.name


def biggest_symbols(build: Build, span: Span) -> str:
    """The three largest objects of ``build`` that are in ``span`` (as its core sees it); empty if none is known."""
    if build.symbols is None:
        return ""
    objects: dict[str, Symbol] = {}
    for symbol in build.symbols.all():
        if symbol.kind == "object" and symbol.defined and symbol.span.overlaps(span):
            objects[symbol.name] = symbol
    largest = sorted(objects.values(), key=lambda symbol: (-symbol.size, symbol.address, symbol.name))
    return ", ".join(
        f"{in_source(symbol.name)} at {format_address(symbol.address)}, {format_size(symbol.size)}"
        for symbol in largest[:3]
    )


def sections_in(build: Build, span: Span) -> str:
    """The names of the sections of ``build`` in ``span`` (as its core sees it); empty if none is known."""
    return first_of([each.name for each in build.all_sections if each.allocated and each.span.overlaps(span)])


def in_source(name: str) -> str:
    """The name of a symbol as its source has it, such as ``tide::link``."""
    if not name.startswith("_Z"):
        return name
    from gemel.text.demangled import demangled

    return demangled(name)


def no_place(builds: Mapping[str, Build], item: Stamp | Checksum, error: GemelError) -> str:
    """The reason for a rule that ``item`` is not checked, after its lookup raised ``error``."""
    if isinstance(item.at, SymbolPlace):
        reason = needs_elf(item.at.build, builds.get(item.at.build), "symbols")
        if reason:
            return reason
    problem = error.problems[0]
    return f"{problem.what}: found {problem.found}, expected {problem.expected}"


def taken_lines(layout: Layout, plan: BuildPlan, build: Build, span: Span) -> Iterator[str]:
    """Each segment, heap or stack that takes some of ``span`` (plain), where its core sees it, and its objects."""
    from gemel.inspection.ram.claims import claims_of

    claims = [
        claim for claim in claims_of(layout, plan, build) if claim.in_ram and claim.plain.overlaps(span)
    ]
    for claim in claims[:2]:
        seen = claim.plain.intersection(span).moved(claim.seen.start - claim.plain.start)
        symbols = biggest_symbols(build, seen)
        words = f": {symbols}" if symbols else "" if claim.reserve else ", objects not known"
        yield f"build {plan.name}, {claim.words}, as core {plan.core} sees it {place_words(seen)}{words}"

"""Rule ``copy-constants-agree``: the primary copies a build from where it is stored to where it runs."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.errors import BuildError
from gemel.inspection.cores.views import run_span, whereabouts
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import concerned, copied_elsewhere, needs_elf
from gemel.layout.addresses import locate, seen_by
from gemel.layout.copy_model import CopiedBy
from gemel.layout.model import BuildPlan
from gemel.outcomes import NOT_FOUND, Finding, Holds, NotChecked, Outcome
from gemel.placement.placed import PlacedBuild
from gemel.placement.places import SymbolNotPlaced
from gemel.spans import Span, format_address, format_size
from gemel.structs import NamedTuple

WORD = 4
"""Bytes of a word, by which copies often count."""


class CopyConstant(NamedTuple):
    """What one key of copied_by names: its value, and where it stands (None: it is a symbol's own value)."""

    key: str
    symbol: str
    value: int
    place: Span | None


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each constant that the layout names."""
    for plan in inspection.layout.builds.values():
        for key, symbol in plan.copied_by.symbols if plan.copied_by else ():
            yield _outcome(inspection, plan, key, symbol)


def _outcome(inspection: Inspection, plan: BuildPlan, key: str, symbol: str) -> Outcome:
    copied = plan.copied_by
    placed = inspection.placed.get(plan.name)
    where = f"{key} of the copy of build {plan.name}"
    if copied is None or placed is None:
        return NotChecked(where, NOT_FOUND)
    constant = _constant(inspection, copied, key, symbol)
    if isinstance(constant, str):
        return NotChecked(where, constant)
    core = inspection.layout.builds[copied.build].core
    if key == "length":
        fault = _length_fault(inspection, plan, placed, constant.value, copied.unit)
    else:
        due = placed.stored.start if key == "source" else run_span(inspection, placed).start
        fault = _address_fault(inspection, core, constant.value, due)
    if fault is None:
        return Holds(f"{where}: {symbol} of build {copied.build}")
    found, expected, *step = fault
    at = f" at {format_address(constant.place.start)}" if constant.place else ", its own value"
    elsewhere = copied_elsewhere(plan.name)
    return Finding(
        f"build {copied.build} copies build {plan.name} {_WRONG[key]}",
        (
            *concerned(plan.name, copied.build, plan.core, core, plan.stored_in, plan.runs_in or ""),
            *([elsewhere[1]] if key == "destination" else []),
        ),
        where=f"build {copied.build}, constant {symbol}{at}",
        found=found,
        expected=expected,
        span=constant.place,
        next_step="".join(step),
        follows_from=(elsewhere,) if key == "length" else (),  # the room for it is that from where it runs
    )


_WRONG = {
    "source": "from where it is not stored",
    "destination": "to where it does not run",
    "length": "with a length that does not fit",
}


def _constant(inspection: Inspection, copied: CopiedBy, key: str, symbol: str) -> CopyConstant | str:
    """The constant, or why its value is not known."""
    build = inspection.builds.get(copied.build)
    if reason := needs_elf(copied.build, build, "symbols"):
        return reason
    try:
        place = Span(inspection.symbols(copied.build, symbol), 4)
    except SymbolNotPlaced as error:
        own = _own_value(inspection, copied.build, symbol)
        reason = "; ".join(str(problem) for problem in error.problems)
        return reason if own is None else CopyConstant(key, symbol, own, None)
    return CopyConstant(key, symbol, inspection.word_at(place.start), place)


def _own_value(inspection: Inspection, build: str, symbol: str) -> int | None:
    """The value of an absolute symbol, by which linker scripts hand out addresses and sizes."""
    symbols = inspection.builds[build].symbols
    try:
        found = symbols.find(symbol) if symbols else None
    except BuildError:
        return None
    return found.value if found and found.absolute else None


def _address_fault(inspection: Inspection, core: str, value: int, due: int) -> tuple[str, ...] | None:
    """Found and expected, unless ``core`` sees the plain address ``due`` at ``value``."""
    located = locate(inspection.layout, value, core)
    if located and located.plain == due:
        return None
    found = f"{format_address(value)}, for core {core} {whereabouts(inspection, core, value)}"
    return found, format_address(seen_by(inspection.layout, due, core))


def _length_fault(
    inspection: Inspection, plan: BuildPlan, placed: PlacedBuild, value: int, unit: int
) -> tuple[str, ...] | None:
    """Found, expected and, where it may count words, the next step, unless all is copied and has room."""
    least = _stored_bytes(inspection, placed)
    run = run_span(inspection, placed)
    area = inspection.layout.span_of(plan.runs_in or plan.stored_in)
    memory = inspection.layout.memory_of(plan.stored_in)
    most = min(area.end - run.start, memory.span.end - placed.stored.start)
    if least <= value * unit <= most:
        return None
    words = f"if it counts words, state unit = {WORD} in copied_by of [build.{plan.name}]"
    return (
        f"{format_size(value * unit)}, {'less than is stored' if value * unit < least else 'more than has room'}",
        f"at least {format_size(least)}, which are stored, and at most {format_size(most)}",
        *([words] if unit == 1 and least <= value * WORD <= most else []),
    )


def _stored_bytes(inspection: Inspection, placed: PlacedBuild) -> int:
    """Bytes of the build, from its start to its last byte, without padding as far as that is known."""
    if placement := inspection.placements.get(placed.name):
        ends = [piece.span.end for piece in placement.pieces if piece.span.overlaps(placed.stored)]
        return max(ends) - placed.stored.start
    return inspection.written(placed.stored).size


RULE = Rule(
    name="copy-constants-agree",
    severity="error",
    guards="device",
    checks="The constants in the primary's code that the layout names as source, destination and length of the copy "
    "of a build (copied_by) hold, in the image, where it is stored, where it runs, and a length that covers "
    "all of it and fits its area.",
    why="The primary copies what is at the source, for as long as the length says. When the second build has moved "
    "or grown and the first was not rebuilt, the secondary starts without its last functions or initial "
    "values, or with other code altogether; a length too large overwrites the RAM after the area.",
    remedy="Let the join write the constants, with stamps of values start_of, run_start_of and size_of; or rebuild "
    "the primary with a header exported from the layout.",
    source="common practice",
    absent="no build of the layout names the constants of its copy (copied_by)",
    check=check,
    only_with="copied builds",
)

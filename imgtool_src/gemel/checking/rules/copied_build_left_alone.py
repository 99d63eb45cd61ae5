"""Rule ``copied-build-left-alone``: nobody else uses the RAM that a build is copied to."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.builds.build import Build
from gemel.checking.rule import Rule
from gemel.inspection.cores.views import run_span
from gemel.inspection.inspection import Inspection
from gemel.inspection.ram.claims import claims_of
from gemel.inspection.wording import biggest_symbols, claim_words, concerned, found_or_holds, needs_elf, sized
from gemel.layout.model import BuildPlan
from gemel.outcomes import NOT_FOUND, Finding, NotChecked, Outcome
from gemel.spans import Span, without


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build that is copied and each build of another core."""
    layout = inspection.layout
    for plan in layout.builds.values():
        others = [other for other in layout.builds.values() if other.core != plan.core]
        for other in others if plan.runs_in else ():
            where = f"build {plan.name}, against build {other.name}"
            build = inspection.builds.get(other.name)
            reason = needs_elf(other.name, build, "RAM use")
            if plan.name not in inspection.placed:
                reason = NOT_FOUND
            if build is None or reason:
                yield NotChecked(where, reason)
            else:
                yield from found_or_holds(_findings(inspection, plan, other, build), where)


def _block(inspection: Inspection, plan: BuildPlan) -> list[Span]:
    """The plain spans that the copy fills, but those that ram-claims-apart judges by the ELF file."""
    block = run_span(inspection, inspection.placed[plan.name])
    build = inspection.builds.get(plan.name)
    if build is None:
        return [block]
    return without(
        [block], [claim.plain for claim in claims_of(inspection.layout, plan, build) if claim.in_ram]
    )


def _findings(inspection: Inspection, plan: BuildPlan, other: BuildPlan, build: Build) -> Iterator[Finding]:
    block = _block(inspection, plan)
    whole = run_span(inspection, inspection.placed[plan.name])
    for claim in claims_of(inspection.layout, other, build):
        for common in (span.intersection(claim.plain) for span in block if claim.in_ram):
            if not common.size:
                continue
            seen = common.moved(claim.seen.start - claim.plain.start)
            symbols = biggest_symbols(build, seen)
            yield Finding(
                f"build {other.name} uses RAM that the copy of build {plan.name} fills",
                concerned(plan.name, other.name, plan.core, other.core, plan.runs_in or ""),
                where=claim_words(build, claim),
                found=sized(common),
                expected=f"nothing in {whole}, which holds build {plan.name} from its copy on, padding included",
                span=common,
                lines=(f"largest objects there: {symbols}",) if symbols else (),
            )


RULE = Rule(
    name="copied-build-left-alone",
    severity="error",
    guards="device",
    checks="The RAM that a copied build fills, as its file, the record or the image's own bytes show, "
    "padding to whole write units included, is taken by no data, heap or stack of another core's build.",
    why="The copy overwrites what the other build keeps there, and whatever that build writes there later "
    "changes the instructions of the copied one: it runs for as long as nobody uses that variable.",
    remedy="Move the data of the other build, or the area that the build is copied to, and give both "
    "linker scripts the areas of the layout; the last bytes of a copy are padding, which counts.",
    source="System V gABI, chapter 7, program header, p_vaddr and p_memsz; common practice",
    absent="no build of the layout is copied to RAM (runs_in), or there is no build of another core",
    check=check,
    only_with="copied builds",
)

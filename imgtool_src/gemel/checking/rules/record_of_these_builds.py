"""Rule ``record-of-these-builds``: the record says of each build what the given build says."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import needs_build, record_not_sound
from gemel.outcomes import Finding, Holds, NotChecked, Outcome
from gemel.placement.placed import PlacedBuild, has_vectors
from gemel.placement.placing import Placement
from gemel.record.record import BuildEntry
from gemel.spans import format_address, without
from gemel.structs import replace


def check(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome for each build of the layout."""
    plan = inspection.layout.record
    if plan is None:
        return
    entries = {entry.name: entry for entry in inspection.record.builds} if inspection.record else {}
    for name in inspection.layout.builds:
        placement = inspection.placements.get(name)
        if inspection.record is None:
            yield NotChecked(f"build {name}", record_not_sound())
        elif placement is None:
            yield NotChecked(f"build {name}", needs_build(name))
        elif placement.placed is None or name not in entries:
            yield NotChecked(f"build {name}", "the build or its entry in the record was not found")
        else:
            vectors = placement.placed.vector_address if has_vectors(inspection.layout, name) else None
            entry = entries[name]
            if _is_padded(inspection, entry, placement.placed):
                stored = placement.placed.stored
                run_start = entry.run_start + stored.start - entry.stored_start
                entry = replace(
                    entry, stored_start=stored.start, stored_size=stored.size, run_start=run_start
                )
            differences = list(_differences(entry, placement, placement.placed, vectors))
            for what, found, expected in differences:
                yield Finding(
                    f"the record gives build {name} another {what} than the given build",
                    (name, plan.area),
                    where=f"record in area {plan.area}, entry {name}",
                    found=found,
                    expected=f"{expected} ({placement.build.file})",
                    follows_from=(("build-ids-equal", name), ("image-equals-builds", name)),
                )
            if not differences:
                yield Holds(f"build {name}")


def _is_padded(inspection: Inspection, entry: BuildEntry, placed: PlacedBuild) -> bool:
    """Whether the image was joined from a longer form of the build, which nothing but one byte fills around it."""
    rest = without([entry.stored], [placed.stored])
    return entry.stored.covers(placed.stored) and len(set(b"".join(map(inspection.bytes_of, rest)))) == 1


def _differences(
    entry: BuildEntry, placement: Placement, placed: PlacedBuild, vectors: int | None
) -> Iterator[tuple[str, str, str]]:
    if entry.stored != placed.stored:
        yield "stored span", str(entry.stored), str(placed.stored)
    for what, found, expected in (
        ("run address", entry.run_start, placed.run_start),
        ("vector address", entry.vector_address, vectors),
    ):
        if found != expected:
            yield what, _words(found), _words(expected)
    if entry.build_id and placement.build.kind == "elf" and not placed.build_id:
        yield "build id", entry.build_id.hex(), "none"


def _words(address: int | None) -> str:
    return "none" if address is None else format_address(address)


RULE = Rule(
    name="record-of-these-builds",
    severity="error",
    guards="image",
    checks="For each given build, the record's stored span (padding around the build aside), run address "
    "and vector address are those of the build, and where its ELF file has no build id the record names none "
    "(build-ids-equal compares two).",
    why="Boot code that trusts the record copies and starts what it says; with another run or vector address "
    "the secondary starts in the wrong place, and with another build id the evidence is for other code.",
    remedy="Give the builds that the image was joined from, or join again from these.",
    source="the record's format, `gemel explain record`; common practice",
    absent="the layout has no record",
    check=check,
)

"""What must hold of a dump, as a rule of its own besides those of a check of its image.

It is made for one dump, so it is not in the registry, and no layout can waive it.
"""

from __future__ import annotations

from collections.abc import Container, Iterator, Sequence

from gemel.checking.rule import Rule
from gemel.inspection.altered.changed_bytes import OTHER_BYTES
from gemel.inspection.inspection import Inspection
from gemel.outcomes import DoesNotApply, Finding, Holds, Need, NotChecked, Outcome, Reason
from gemel.readback.versions import (
    ERASED,
    UNKNOWN,
    KnownVersion,
    SetAside,
    VersionStretch,
    stretches,
    version_key,
)
from gemel.record.record import sound_records
from gemel.spans import Span, format_address

NAME = "device-holds-one-version"
MORE_VERSIONS = Reason(
    "which version the bytes are of needs the images of other versions: --index FILE or --previous IMAGE",
    Need("option", "--index"),
)


def dump_rule(aside: Sequence[SetAside], known: Sequence[KnownVersion]) -> Rule:
    """The rule for a dump of which ``aside`` was set aside; ``known`` are images of other versions."""

    def check(inspection: Inspection) -> Iterator[Outcome]:
        for each in aside:
            yield DoesNotApply(str(each.span), f"set aside: {each.reason}")
        yield from _record_outcomes(inspection)
        yield from _version_outcomes(stretches(inspection, known), inspection)

    return Rule(
        name=NAME,
        severity="error",
        guards="image",
        checks="The device holds one version: its record is in the record's area and nowhere else, and all blocks "
        "that builds are stored in are of the version that it names.",
        why="An update that stopped half way leaves the start of one version and the end of another, which crash "
        "into each other; a record that is left of another version is what a careless boot loader finds first.",
        remedy="Program the device again, whole; find out why the last update stopped.",
        source="common practice",
        absent="the layout has no record",
        check=check,
    )


def _record_outcomes(inspection: Inspection) -> Iterator[Outcome]:
    plan = inspection.layout.record
    if plan is None:
        return
    area = inspection.layout.span_of(plan.area)
    found = list(sound_records(inspection.image))
    due = next((record for start, record in found if start == area.start), None)
    if due:
        yield Holds(f"area {plan.area}, record of {due.product} {due.version}")
    for start, record in found:
        if start == area.start:
            continue
        what = f"remains of {'another version' if due else 'a version'}: a record outside of its area"
        if due is None:
            what = "the record is not in its area"
        elif record == due:
            what = "a second copy of the record, outside of its area"
        yield Finding(
            what,
            (plan.area, "record"),
            where=format_address(start),
            found=f"a record of {record.product} {record.version}, rollback counter {record.rollback}",
            expected=f"one record, at {format_address(area.start)} (area {plan.area})",
            span=Span(start, 8),
        )


def _version_outcomes(found: list[VersionStretch], inspection: Inspection) -> Iterator[Outcome]:
    own = inspection.record.version if inspection.record else None
    versions = {each.version for each in found} - {ERASED, UNKNOWN}
    due = (*versions,) if inspection.layout.record else (None, *versions)
    if found and len(versions) == 1 and len({each.version for each in found}) == 1 and own in due:
        yield Holds(f"all blocks of builds are of version {found[0].version}")
        return
    if not found or (not versions and ERASED not in {each.version for each in found}):
        yield NotChecked("builds", MORE_VERSIONS)
        return
    yield _mixed(found, versions, own, inspection)


def _mixed(
    found: list[VersionStretch], versions: set[str], own: str | None, inspection: Inspection
) -> Finding:
    """The finding about blocks of several versions, with the block where an update stopped if they look like that."""
    newest = max(versions, key=version_key, default="")
    layout = inspection.layout
    starts = [layout.span_of(each.stored_in).start for each in layout.builds.values()]
    stop = _stop(found, newest, starts) if newest and (own != newest or len(versions) > 1) else None
    erased = next((each for each in found if each.version == ERASED), None)
    if stop is None and erased and own and versions <= {own}:
        stop = erased.span.start
    target = newest or own
    if stop is None and len(found) == 1 and newest and own != newest and layout.record:
        # The record is written last, or first: that alone is of another version, or still erased.
        area = layout.span_of(layout.record.area)
        if own:
            target = max(own, newest, key=version_key)
            stop = found[0].span.start if target == own else area.start
        elif inspection.image.held_in(area) and not inspection.bytes_of(area).strip(
            bytes((inspection.erased_byte_at(area.start),))
        ):
            stop = area.start
    if stop is not None:
        what = f"an update to {target} stopped half way, at block {format_address(stop)}"
    elif len(versions) == 1 and own not in versions:
        what = f"the blocks are of {newest}, and the record is {f'of {own}' if own else 'not sound'}"
    elif not versions and not own and len(found) == 1:
        what = "the device holds no version: its blocks are erased"
    else:
        what = "the device does not hold one version"
    lines = tuple(f"{each.span}  {each.version}" for each in found) if found[4:] else ()
    if (held := inspection.image.bounds()) and held.end < found[-1].span.end:
        lines += (f"the dump ends at {format_address(held.last)}: it may be cut",)
    mixed = stop is not None or versions != {own}
    shown = ", ".join(f"{each.span} {each.version}" for each in found[:4])
    return Finding(
        what,
        tuple(dict.fromkeys(["device", *inspection.layout.builds])),
        where=f"{format_address(found[0].span.start)}..{format_address(found[-1].span.last)}",
        found=f"{shown}{', ...' if found[4:] else ''}",
        expected=f"all of {own}, as the record says" if own else "one version, with its record",
        span=found[0].span if stop is None else Span(stop, 1),
        lines=lines,
        follows_from=tuple((rule, name) for rule in OTHER_BYTES for name in layout.builds)
        if not mixed
        else (),
        explains_all=mixed,
    )


def _stop(found: list[VersionStretch], newest: str, starts: Container[int]) -> int | None:
    """The first block that an update to ``newest`` did not come to; None unless its blocks are one run.

    Most updates go from low addresses up; one that has the highest block and does not begin at one of ``starts``,
    those of builds, goes down.  Where it began with another build than the lowest, the lowest is what is left.
    """
    runs = [index for index, each in enumerate(found) if each.version == newest]
    if len(runs) != 1 or len(found) == 1:
        return None
    (index,) = runs
    if index + 1 < len(found):
        return found[index + 1].span.start
    if found[index].span.start in starts:
        return found[0].span.start
    return found[index - 1].span.end - found[index - 1].block

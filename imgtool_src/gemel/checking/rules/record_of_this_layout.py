"""Rule ``record-of-this-layout``: the image was joined with the layout it is checked against."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from gemel.checking.findings.build_evidence import of_record
from gemel.checking.rule import Rule
from gemel.inspection.altered.unchanged import joined_with_other_layout
from gemel.inspection.inspection import Inspection
from gemel.layout.addresses import plain_span, seen_by
from gemel.layout.digest import digested
from gemel.layout.model import BuildPlan, Layout, RecordPlan
from gemel.layout.reader import ReadLayout
from gemel.outcomes import Finding, Holds, Outcome
from gemel.placement.placed import has_vectors, identities_of
from gemel.record.record import BuildEntry, Record
from gemel.spans import Span, format_address

_ANOTHER = (("record-of-this-layout", "layout"),)
_IDENTITY = ("product", "vendor id", "class id")
"""What says for which device an image is: what comes later follows from what comes before."""


@of_record
def check(inspection: Inspection, plan: RecordPlan, record: Record) -> Iterator[Outcome]:
    """One finding for each thing in which the record and the layout differ."""
    findings = [*_identity(inspection, record, plan), *_builds(inspection, record, plan)]
    yield from findings
    if not findings:
        yield Holds("record and layout")


def _identity(inspection: Inspection, record: Record, plan: RecordPlan) -> Iterator[Finding]:
    vendor, product_class = identities_of(plan)
    where = f"record in area {plan.area}"
    pairs = (
        ("product", record.product, inspection.layout.product),
        ("vendor id", record.vendor_id, vendor),
        ("class id", record.class_id, product_class),
    )
    for number, (what, found, expected) in enumerate(pairs):
        if found != expected:
            yield Finding(
                f"the image is for another {what}",
                (plan.area, what),
                where=where,
                found=_words(found),
                expected=_words(expected),
                follows_from=(
                    *((RULE.name, before) for before in _IDENTITY[:number]),
                    *(("image-fits-policy", each) for each in _IDENTITY[: number + 1]),
                ),
            )
    if joined_with_other_layout(inspection):
        yield Finding(
            "the image was joined with another layout",
            (plan.area, "layout"),
            where=where,
            found=f"layout digest {record.layout_sha256.hex()[:16]}...",
            expected=f"layout digest {inspection.read.digest.hex()[:16]}... ({inspection.read.name})",
            next_step=_next_step(inspection),
            follows_from=tuple((RULE.name, each) for each in _IDENTITY),
            lines=tuple(_differences(inspection, record)),
        )


def _next_step(inspection: Inspection) -> str:
    step = "check it with the layout it was joined with, or join again with this one"
    if inspection.joined_with is None:
        step += "; --joined-with LAYOUT lists the tables that differ"
    return step


def _differences(inspection: Inspection, record: Record) -> list[str]:
    """The tables that differ from the layout that the image was joined with, where that is given."""
    other = inspection.joined_with
    if other is None:
        return []
    if other.digest != record.layout_sha256:
        return [f"{other.name} is not that layout either: its digest is {other.digest.hex()[:16]}..."]
    return [f"differs in {line}" for line in _differing_tables(inspection.read, other)]


def _words(value: object) -> str:
    return "none" if value is None else str(value)


def _builds(inspection: Inspection, record: Record, plan: RecordPlan) -> Iterator[Finding]:
    where = f"record in area {plan.area}"
    names = [entry.name for entry in record.builds]
    if set(names) != set(inspection.layout.builds):
        yield Finding(
            "the record lists other builds",
            (plan.area,),
            where=where,
            found=", ".join(names),
            expected=", ".join(inspection.layout.builds),
            follows_from=_ANOTHER,
        )
    for entry in record.builds:
        build = inspection.layout.builds.get(entry.name)
        if build is None:
            continue
        role = inspection.layout.cores[build.core].role
        if (entry.core, entry.role) != (build.core, role):
            yield Finding(
                f"build {entry.name} is recorded for another core",
                (entry.name, build.core),
                where=where,
                found=f"{entry.role} {entry.core}",
                expected=f"{role} {build.core}",
                follows_from=_ANOTHER,
            )
        area = inspection.layout.span_of(build.stored_in)
        if not area.covers(entry.stored):
            yield Finding(
                f"build {entry.name} is recorded outside its area",
                (entry.name, build.stored_in),
                where=where,
                found=str(entry.stored),
                expected=f"inside area {build.stored_in}, {area}",
                span=entry.stored,
                follows_from=_ANOTHER,
            )
        else:
            yield from _addresses(inspection.layout, build, entry, where)


def _addresses(layout: Layout, build: BuildPlan, entry: BuildEntry, where: str) -> Iterator[Finding]:
    """What the layout says of the addresses that boot code takes from the record: where it runs, its vectors."""
    area = layout.span_of(build.stored_in)
    run = Span(entry.run_start, entry.stored.size)
    if build.runs_in:
        home = layout.span_of(build.runs_in)
        seen = Span(seen_by(layout, home.start, build.core), home.size)
        inside = plain_span(layout, run, build.core)
        right, expected = inside is not None and home.covers(inside), f"inside {seen}, area {build.runs_in}"
    else:
        address = seen_by(layout, entry.stored.start, build.core)
        right, expected = entry.run_start == address, f"{format_address(address)}, where it is stored"
    if not right:
        yield Finding(
            f"build {entry.name} is recorded to run elsewhere than the layout says",
            (entry.name, build.core, build.runs_in or build.stored_in),
            where=f"{where}, entry {entry.name}",
            found=f"runs at {format_address(entry.run_start)}, as core {build.core} sees it",
            expected=expected,
            span=entry.stored,
            follows_from=(*_ANOTHER, ("copied-build-in-run-area", entry.name)),
        )
        return
    vectors = entry.run_start + area.start + build.vector_offset - entry.stored.start
    due = vectors if has_vectors(layout, entry.name) else None
    if entry.vector_address != due:
        yield Finding(
            f"build {entry.name} is recorded with another vector table than the layout says",
            (entry.name, build.core, build.stored_in),
            where=f"{where}, entry {entry.name}",
            found=_address_words(entry.vector_address),
            expected=f"{_address_words(due)} (vector_offset {format_address(build.vector_offset)})",
            span=entry.stored,
            follows_from=_ANOTHER,
        )


def _address_words(address: int | None) -> str:
    return "no vector table" if address is None else format_address(address)


def _differing_tables(first: ReadLayout, second: ReadLayout) -> list[str]:
    """``[area.sampler-code]: size``: each table in which they differ, with the keys, in the order of the names."""
    ours, theirs = (_tables(digested(each.layout)) for each in (first, second))
    lines = []
    for name in sorted({*ours, *theirs}):
        here, there = ours.get(name), theirs.get(name)
        if here == there:
            continue
        if here is None or there is None:
            lines.append(f"[{name}]: only in {(second if here is None else first).name}")
            continue
        keys = [key for key in {**here, **there} if here.get(key) != there.get(key)]
        lines.append(f"[{name}]: {', '.join(keys)}" if name else f"{', '.join(keys)}")
    return lines


def _tables(document: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """The tables by name: ``area.NAME``; ``seal``; "" for keys above all tables; arrays of tables by their names."""
    tables: dict[str, dict[str, Any]] = {}
    for key, value in document.items():
        if isinstance(value, list) and value and all(isinstance(each, dict) for each in value):
            value = {str(each.get("name", at)): each for at, each in enumerate(value)}
        if not isinstance(value, dict):
            tables.setdefault("", {})[key] = value
        elif value and all(isinstance(each, dict) for each in value.values()):
            tables |= {f"{key}.{name}": each for name, each in value.items()}
        else:
            tables[key] = value
    return tables


RULE = Rule(
    name="record-of-this-layout",
    severity="error",
    guards="image",
    checks="The record names the layout's product, vendor and class ids, the SHA-256 of this layout with the "
    "record's version and rollback counter or its own, and its builds, each for its core, inside its area, and "
    "with the run address and vector address that follow from the layout.",
    why="An image for another product, or joined for another memory map, can brick the device or run one "
    "core's code on the other. Boot code that trusts the record starts a core at the vector address in it.",
    remedy="Take the layout that belongs to the image, or the image that belongs to the device.",
    source="RFC 9124 sections 3.3 and 3.4, vendor and class id; section 4.2.3, THREAT.IMG.INCOMPATIBLE "
    "(draft 13 read)",
    absent="the layout has no record",
    check=check,
)

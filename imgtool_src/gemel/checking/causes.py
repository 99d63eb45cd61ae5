"""Which findings follow from which: one finding for one cause, and the cause first."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import TypeAlias

from gemel.checking.rule import Rule, Severity
from gemel.checking.rule_changes import WEIGHTS
from gemel.inspection.altered.unchanged import builds_as_recorded
from gemel.inspection.cores.views import ERASED_WORD, area_as_seen
from gemel.inspection.inspection import Inspection
from gemel.layout.model import Layout
from gemel.outcomes import Finding
from gemel.placement.placing import Placement
from gemel.spans import Span
from gemel.structs import NamedTuple, replace

DIFFERS = "image-equals-builds"
"""The rule whose finding is the cause of all that would not be there if the image held the builds as given."""

OTHER_LAYOUT = "record-of-this-layout"
"""The rule whose finding, that the image was joined with another layout, is the cause of all that this one states."""

OTHER_BUILD = "build-ids-equal"
"""The rule whose finding is that another build was given than the image holds."""

OF_LAYOUT = ("stamps-match", "record-of-these-builds")
"""Rules about the image that depend on the layout alone where the builds are as they were joined."""

CHANGED = "record-digests-match"
"""The rule whose finding, that a build's bytes changed, is the cause of what rules about the device find in them."""

RECORD = "record-sound"
"""The rule whose finding, that the record is elsewhere, is the cause of all about the bytes that it has there."""

OTHERS = "vectors-of-own-build"
"""The rule that says which other build is there."""

COPIED = "copied-build-in-run-area"

MISPLACED = ("builds-in-own-areas", "load-addresses-in-flash", COPIED)
"""Rules whose finding about a build without a byte in its own area is the cause of all else about that build.

The last one is about the area that a build is copied to.
"""

ENDS = (
    RECORD,
    "vector-table-not-blank",
    "vector-table-complete",
    "checksums-match",
    "reset-handler-in-code",
    "handlers-in-code",
)
"""Rules whose finding that an image alone ends before something is the cause of all after it, the first of them."""

STARTS = ("vector-table-not-blank", "reset-handler-in-code")
"""Rules whose finding says where a build starts, and so that its addresses were changed after it was linked."""

OTHER_ARCHITECTURE = "build-architecture-fits-core"
"""The rule whose finding that a build is for another kind of core is the cause of all else about that build."""

OTHER_PROFILES = ("A", "R", "S")
"""Application, real-time and either, as build attributes have them."""


class FindingKey(NamedTuple):
    """A finding by its rule and its number among the findings of that rule."""

    rule: str
    number: int


class OpenFinding(NamedTuple):
    """A finding that no waiver covers, with its rule and how serious it is in this product."""

    rule: Rule
    severity: Severity
    finding: Finding


Open: TypeAlias = Mapping[FindingKey, OpenFinding]
Apply: TypeAlias = Callable[[Rule, Inspection], Iterable[Finding]]
"""The findings of a rule."""


def roots_of(found: Open, inspection: Inspection, apply: Apply) -> dict[FindingKey, FindingKey]:
    """The first cause of each finding that follows from another one.

    A cause refuses no less than what follows from it, and no finding follows from itself.
    """
    explaining = [
        place
        for place, (_, severity, finding) in found.items()
        if finding.explains_all and severity == "error"
    ]
    if explaining:  # the last one: rules about files come after those about the bytes in them
        return _of_everything(found, explaining[-1])
    causes: dict[FindingKey, FindingKey] = {}
    for source in (
        _of_another_profile(found, inspection),
        _of_the_misplaced(found, inspection),
        _of_the_moved(found, inspection),
        _of_the_builds(found, inspection, apply),
        _of_what_was_given(found, inspection),
        _stated(found),
        _of_a_moved_record(found, inspection),
        _of_a_damaged_image(found, inspection),
        _of_a_cut_image(found, inspection),
        _of_changed_bytes(found),
    ):
        for place, candidates in source.items():
            for cause in candidates:
                weighs = WEIGHTS[found[cause].severity] >= WEIGHTS[found[place].severity]
                settled = place in causes or found[place].finding.explains_all
                if weighs and not settled and _first(cause, causes) != place:
                    causes[place] = cause
    return {place: _first(place, causes) for place in causes}


def _of_everything(found: Open, everything: FindingKey) -> dict[FindingKey, FindingKey]:
    """All that follows from one finding: what other rules found, and what of its own rule names it."""
    own = (everything.rule, found[everything].finding.where)
    return {
        place: everything
        for place, (_, _, finding) in found.items()
        if not (place.rule == everything.rule and (finding.explains_all or own not in finding.follows_from))
    }


def _first(place: FindingKey, causes: Mapping[FindingKey, FindingKey]) -> FindingKey:
    """The cause of a place that follows from nothing."""
    while place in causes:
        place = causes[place]
    return place


_Causes: TypeAlias = dict[FindingKey, list[FindingKey]]
"""What may be the cause of each finding, the first that leads in no circle."""


def _stated(found: Open) -> _Causes:
    named: dict[tuple[str, str], FindingKey] = {}
    for place, (_, _, finding) in found.items():
        for party in (*finding.parties, finding.where):
            named.setdefault((place.rule, party), place)
    return {
        place: [named[cause] for cause in finding.follows_from if cause in named]
        for place, (_, _, finding) in found.items()
    }


def _of_changed_bytes(found: Open) -> _Causes:
    """Findings about the device in bytes that the record shows to have changed."""
    changed = [
        (finding.span, place)
        for place, (rule, _, finding) in found.items()
        if rule.name == CHANGED and finding.span
    ]
    return {
        place: [cause for span, cause in changed if finding.span and span.covers(finding.span)]
        for place, (rule, _, finding) in found.items()
        if rule.guards == "device"
    }


def _of_a_moved_record(found: Open, inspection: Inspection) -> _Causes:
    """Findings about bytes that are nothing but the record, away from its place."""
    not_there = [place for place in found if place.rule == RECORD]
    if not not_there:
        return {}
    from gemel.inspection.altered.moved_record import moved_record

    moved = moved_record(inspection)
    return {
        place: not_there
        for place, (_, _, finding) in found.items()
        if moved and place.rule != RECORD and finding.span and moved.span.covers(finding.span)
    }


def _of_a_damaged_image(found: Open, inspection: Inspection) -> _Causes:
    """All findings of an image whose record and builds are each damaged, and that has no file to compare with."""
    layout = inspection.layout
    places = [
        place for place, (_, severity, _) in found.items() if (place.rule, severity) == (RECORD, "error")
    ]
    if not places or layout.record is None or inspection.builds:
        return {}
    start = layout.span_of(layout.record.area).start
    faulty = {
        party
        for place, (_, severity, finding) in found.items()
        if severity == "error" and place.rule != RECORD
        for party in finding.parties
    }
    if inspection.word_at(start) == ERASED_WORD or not all(
        {plan.name, plan.stored_in} & faulty for plan in layout.builds.values()
    ):
        return {}
    return dict.fromkeys(found, places)


def _of_a_cut_image(found: Open, inspection: Inspection) -> _Causes:
    """Findings about what should be at the end of an image alone, or after it, by the first that says that it ends."""
    bounds = inspection.image.bounds()
    if inspection.builds or bounds is None:
        return {}
    from gemel.inspection.altered.changed_bytes import cut_before, end_of_written

    end, layout = end_of_written(inspection), inspection.layout
    ending = []
    for place, (_, severity, finding) in found.items():
        if place.rule in ENDS and severity == "error" and finding.span:
            after = (finding.span, Span(bounds.end, 1), Span(end, 1))
            said = {line for span in after for line in cut_before(inspection, span)}
            ending += [place] if said & {finding.found, *finding.lines} else []
    ending.sort(key=lambda each: ENDS.index(each.rule))
    lost = {area for area in layout.areas if layout.span_of(area).end > end}
    lost |= {plan.name for plan in layout.builds.values() if plan.stored_in in lost}
    return {place: ending for place, (_, _, finding) in found.items() if lost & {*finding.parties}}


def _of_the_misplaced(found: Open, inspection: Inspection) -> _Causes:
    """Findings about builds that have no byte in their own areas, such as swapped ones, by what says that."""
    layout = inspection.layout
    misplaced = {
        name: place
        for place, (_, severity, finding) in found.items()
        if place.rule in MISPLACED and severity == "error"
        for name in finding.parties
        if (placement := inspection.placements.get(name))
        and _is_astray(layout, placement, place.rule == COPIED)
    }
    return {
        place: [misplaced[name] for name in finding.parties if name in misplaced]
        for place, (_, _, finding) in found.items()
        if place.rule not in MISPLACED
    }


def _is_astray(layout: Layout, placement: Placement, copied: bool) -> bool:
    """Whether no piece of a build is in its area, or runs in the one that it is copied to."""
    plan = placement.plan
    if copied:
        area = area_as_seen(layout, plan.runs_in, plan.core) if plan.runs_in else None
        return area is not None and not any(
            piece.segment.run_span.overlaps(area) for piece in placement.pieces
        )
    return not any(piece.span.overlaps(layout.span_of(plan.stored_in)) for piece in placement.pieces)


def _of_the_moved(found: Open, inspection: Inspection) -> _Causes:
    """Findings about builds whose addresses were changed after they were linked, by what says where they start."""
    starts = [place for place in found if place.rule in STARTS]
    if not starts:
        return {}
    from gemel.inspection.moved_after_link import moved_after_link

    moved = {
        name: place
        for place in starts
        for name in found[place].finding.parties
        if (build := inspection.builds.get(name)) and moved_after_link(build)
    }
    return {
        place: [moved[name] for name in finding.parties if name in moved]
        for place, (_, _, finding) in found.items()
        if place.rule not in STARTS
    }


def _of_another_profile(found: Open, inspection: Inspection) -> _Causes:
    """All findings about builds for applications or real-time processors, whose files are other projects'."""
    others = {
        name: place
        for place, (_, severity, finding) in found.items()
        if place.rule == OTHER_ARCHITECTURE and severity == "error"
        for name in _alone(finding, inspection)
        if (build := inspection.builds.get(name)) and build.attributes
        if build.attributes.profile in OTHER_PROFILES
    }
    return {
        place: [others[name] for name in finding.parties if name in others]
        for place, (_, _, finding) in found.items()
        if place.rule != OTHER_ARCHITECTURE
    }


def _alone(finding: Finding, inspection: Inspection) -> list[str]:
    """The parties of a finding, without cores that run other builds too: what is found of these has other causes."""
    cores = [plan.core for plan in inspection.layout.builds.values()]
    return [party for party in finding.parties if cores.count(party) < 2]


def _of_the_builds(found: Open, inspection: Inspection, apply: Apply) -> _Causes:
    """Findings about the device that go where the image holds the bytes of the builds, by what says that it does not.

    One that says which other build is there stays: it is the cause.
    """
    differs = [
        place for place, (_, severity, _) in found.items() if (place.rule, severity) == (DIFFERS, "error")
    ]
    if not differs:
        return {}
    held = replace(inspection, image=inspection.image_of_builds())
    known: dict[str, set[tuple[str, str]]] = {}
    causes: _Causes = {}
    for place, (rule, _, finding) in found.items():
        if rule.guards != "device":
            continue
        if rule.name not in known:
            known[rule.name] = {(each.what, each.where) for each in apply(rule, held)}
        of_others = rule.name == OTHERS and len(inspection.builds.keys() & finding.parties) > 1
        if (finding.what, finding.where) not in known[rule.name] and not of_others:
            about = [each for each in differs if {*finding.parties} & {*found[each].finding.parties}]
            causes[place] = [*about, *differs]
    return causes


def _of_what_was_given(found: Open, inspection: Inspection) -> _Causes:
    """Findings that follow from another layout or other builds than the image was joined with.

    These are all where the record shows that the builds are still as they were joined, which was then checked.
    """
    other_builds: dict[str, FindingKey] = {}
    other_layout = None
    for place, (_, severity, finding) in found.items():
        if severity == "error" and place.rule in (OTHER_BUILD, DIFFERS):
            other_builds = {**dict.fromkeys(_alone(finding, inspection), place), **other_builds}
        elif severity == "error" and place.rule == OTHER_LAYOUT and "layout" in finding.parties:
            other_layout = place
    record = inspection.record
    if not (other_builds or other_layout) or record is None:
        return {}
    if not builds_as_recorded(inspection, record.builds):
        return {}
    differs = any(place.rule == DIFFERS for place in found)
    causes: _Causes = {}
    for place, (rule, _, finding) in found.items():
        if rule.guards != "device" and rule.name not in OF_LAYOUT:
            continue
        causes[place] = [other_builds[name] for name in finding.parties if name in other_builds]
        if other_layout and not differs:
            causes[place].append(other_layout)
    return causes

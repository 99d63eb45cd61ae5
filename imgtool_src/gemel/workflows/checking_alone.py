"""Checking an image without its layout, by the receiver's policy: what record and seal prove by themselves.

The record in the image says where its builds are, and the seal whose it is; a layout is made of that, and the
rules that need no more are applied to it.  Every other rule is reported as not checked.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Literal

from gemel.errors import Problem, UsageProblem
from gemel.image.sparse import SparseBytes
from gemel.inspection.image_bytes import not_erased
from gemel.inspection.wording import counted, record_not_sound
from gemel.layout.model import Area, BuildPlan, Core, Layout, Memory, RecordPlan, SealPlan
from gemel.layout.reader import ReadLayout
from gemel.outcomes import Finding, Holds, Need, NotChecked, Outcome, Reason
from gemel.placement.places import THUMB
from gemel.record.format import MAX_BUILDS
from gemel.record.record import Record, find, record_size, sound_records
from gemel.seals.reading import MAX_SEAL, find_seals
from gemel.spans import Span, format_address, merge, without
from gemel.structs import replace

if TYPE_CHECKING:
    import datetime

    from gemel.checking.rule import Rule
    from gemel.checking.runner import RuleResult
    from gemel.image.image import Image
    from gemel.inspection.inspection import Inspection, Strict
    from gemel.policy.reader import ReadPolicy
    from gemel.seals.keys.keys import PublicKey
    from gemel.workflows.checking import CheckResult

APPLIED = (
    "image-fits-policy",
    "record-digests-match",
    "record-sound",
    "rollback-not-lower",
    "seal-algorithm-allowed",
    "seal-by-trusted-key",
    "seal-over-this-record",
    "seal-present",
    "seal-signers-known",
    "seal-signers-sufficient",
    "seal-well-formed",
)
"""The rules that need no layout."""

ENTRY = "file-entry-is-reset-handler"
"""The rule that is applied by the record: which of the primary's builds starts, the layout alone says."""

LOOKED_FOR = {"record-sound": "record", "seal-present": "seal"}
"""What two of them look for, wherever it is in the image."""

NEEDS_LAYOUT = Reason("needs the layout, which says what else is in the flash", Need("layout"))
NO_LAYOUT = "no layout"
REST = "rest-digest-matches"
"""The rule about all that is in no build, of whose bytes the report says how many nothing verifies."""
_ROLES: dict[str, Literal["primary", "secondary"]] = {"primary": "primary", "secondary": "secondary"}


def check_alone(
    image: Image,
    policy: ReadPolicy,
    trusted: Sequence[PublicKey] | None = None,
    min_rollback: int | None = None,
    today: datetime.date | None = None,
    strict: Strict = "",
) -> CheckResult:
    """What can be said of ``image`` by ``policy`` alone; ``trusted`` narrows the policy's keys.

    Raises UsageProblem for an image with several sound records or seals, and as ``trust_in`` does.
    """
    from gemel.checking.registry import all_rules
    from gemel.checking.runner import RuleResult
    from gemel.workflows.checking import CheckResult, check
    from gemel.workflows.trust import trust_in

    layout = _layout_of(image.data, image.file)
    rules = all_rules()
    result = check(
        layout,
        image,
        trusted=trust_in(layout, trusted, policy),
        min_rollback=min_rollback,
        today=today,
        rehearsal=False,
        strict=strict,
        rules=[
            *(_with_absence(rule, layout, image) for rule in rules if rule.name in APPLIED),
            *(replace(rule, check=_entry_of_record) for rule in rules if rule.name == ENTRY),
        ],
    )
    applied = {each.rule.name: each for each in result.results}
    missing = dict.fromkeys((rule.name for rule in rules), NotChecked("", NEEDS_LAYOUT))
    missing[REST] = NotChecked("", Reason(f"{NEEDS_LAYOUT}; {unverified(result)}", Need("layout")))
    every: list[RuleResult] = [
        applied.get(rule.name) or RuleResult(rule, (), (), (missing[rule.name],)) for rule in rules
    ]
    return CheckResult(tuple(every), result.idle_waivers, result.strict, result.inspection)


def _with_absence(rule: Rule, layout: ReadLayout, image: Image) -> Rule:
    """The rule; where the image has none of what the rule looks for, one that says so, and no place for it."""
    what = LOOKED_FOR.get(rule.name)
    if what is None or image.data.held_in(layout.layout.span_of(what)):
        return rule

    def absent(inspection: Inspection) -> Iterator[Outcome]:
        yield Finding(
            f"the image has no {what}",
            (what,),
            where=f"the image, {counted(image.data.size, 'byte')} in all",
            found=f"no bytes that a {what} begins with",
            expected=f"a {what}",
        )

    return replace(rule, check=absent)


def _entry_of_record(inspection: Inspection) -> Iterator[Outcome]:
    """One outcome, if the file names a start address: a reset handler of one of the primary's builds."""
    entry, image = inspection.entry, inspection.image
    found = _the_record(image, "")
    if entry is None:
        return
    if found is None:
        yield NotChecked(f"start address {format_address(entry)}", record_not_sound())
        return
    primary = [build for build in found[1].builds if build.role == "primary"]
    handlers = set()
    for build in primary:
        if build.vector_address is not None:
            word = Span(build.stored_start + build.vector_address - build.run_start + 4, 4)
            if build.stored.covers(word) and image.holds(word):
                handlers.add(int.from_bytes(image.read(word, None), "little"))
    if entry in {handler & ~THUMB for handler in handlers} | handlers:
        yield Holds(f"start address {format_address(entry)}")
    else:
        yield Finding(
            "the image's file starts at another place than a reset handler of the primary",
            tuple(build.name for build in primary),
            where="the file's start address (Intel HEX 03 or 05, S-record S7, S8 or S9)",
            found=format_address(entry),
            expected=f"{' or '.join(map(format_address, sorted(handlers))) or 'a vector table in the record'}, or none",
        )


def unverified(result: CheckResult) -> str:
    """How many bytes of the image nothing here verifies, and where, in words."""
    layout, image = result.inspection.layout, result.inspection.image
    verified = merge([layout.span_of(area) for area in layout.areas])
    found = [not_erased(image, span, 0xFF) for span in without(image.spans(), verified)]
    others = [each for each in found if each]
    if not others:
        return "the image has no bytes but 0xFF outside builds, record and seal"
    where = Span.from_bounds(others[0].first, others[-1].last + 1)
    return (
        f"nothing verifies {counted(sum(each.count for each in others), 'byte')} outside builds, record and seal,"
        f" in {where}"
    )


def refuse_without_layout(given: Sequence[str]) -> None:
    """Raise UsageProblem for what only a layout gives a meaning to."""
    if given:
        step = "give the layout before the image, or leave it out"
        raise UsageProblem("without a layout this means nothing", found=", ".join(given), next_step=step)


def _layout_of(image: SparseBytes, file: str) -> ReadLayout:
    """A layout that says what record and seal say, and nothing else; areas of what is missing are empty.

    Where no record is sound, or no seal well formed, the first place that begins as one does is its area.
    """
    found = _the_record(image, file)
    places = find_seals(image)
    seals = [each.span for each in places if each.seal]
    if len(seals) > 1:
        raise UsageProblem(_several("seals", file, [span.start for span in seals]))
    runs = merge(image.spans())
    spare = _free(runs)
    spans = {"record": spare, "seal": Span(spare.start + 0x1000, 0x1000)}
    if seals:
        spans["seal"] = seals[0]
    elif places:
        spans["seal"] = Span(places[0].span.start, MAX_SEAL)
    record = None
    if found:
        start, record = found
        spans["record"] = Span(start, record_size(len(record.builds)))
    elif marks := find(image.pieces()):
        spans["record"] = Span(marks[0], record_size(MAX_BUILDS))
    memories = {
        f"flash-{number}": Memory(name=f"flash-{number}", kind="flash", start=span.start, size=span.size)
        for number, span in enumerate([*runs, Span(spare.start, 0x2000)])
    }
    areas = {}
    for purpose, span in spans.items():
        memory = next(each for each in memories.values() if each.span.holds(span.start))
        size = min(span.size, memory.span.end - span.start)
        kind: Literal["record", "seal"] = "record" if purpose == "record" else "seal"
        areas[purpose] = Area(
            name=purpose, memory=memory.name, offset=span.start - memory.start, size=size, purpose=kind
        )
    builds, cores = _builds_of(record, memories, areas)
    layout = Layout(
        format=1,
        product=record.product if record else NO_LAYOUT,
        memories=memories,
        cores=cores,
        areas=areas,
        builds=builds,
        record=RecordPlan(area="record"),
        seal=SealPlan(area="seal"),
    )
    digest = record.layout_sha256 if record else bytes(32)
    return ReadLayout(layout, NO_LAYOUT, digest, "", hashlib.sha256(b"").digest())


def _the_record(image: SparseBytes, file: str) -> tuple[int, Record] | None:
    sound = [
        (start, record)
        for start, record in sound_records(image)
        if image.holds(Span(start, record_size(len(record.builds))))
    ]
    if len(sound) > 1:
        raise UsageProblem(_several("sound records", file, [start for start, _ in sound]))
    return sound[0] if sound else None


def _several(what: str, file: str, starts: list[int]) -> Problem:
    found = ", ".join(format_address(start) for start in starts[:6])
    step = "check the image with its layout, which says which of them counts"
    return Problem(f"the image has several {what}", where=file, found=found, expected="one", next_step=step)


def _free(runs: list[Span]) -> Span:
    """4 KiB of addresses, with 4 KiB after them, that the image does not touch."""
    start = 0
    for run in runs:
        if run.start - start >= 0x2000:
            break
        start = -(-run.end // 0x1000) * 0x1000
    return Span(start, 0x1000)


def _builds_of(
    record: Record | None, memories: dict[str, Memory], areas: dict[str, Area]
) -> tuple[dict[str, BuildPlan], dict[str, Core]]:
    """The builds that the record lists and their cores; ``areas`` gets one for each that the image holds."""
    builds, cores = {}, {}
    for number, entry in enumerate(record.builds if record else ()):
        memory = next((each for each in memories.values() if each.span.covers(entry.stored)), None)
        if memory is None:
            continue
        area = f"stored-{number}"
        areas[area] = Area(
            name=area,
            memory=memory.name,
            offset=entry.stored.start - memory.start,
            size=entry.stored.size,
            purpose="data",
        )
        builds[entry.name] = BuildPlan(name=entry.name, core=entry.core, stored_in=area)
        cores[entry.core] = Core(
            name=entry.core, role=_ROLES[entry.role], architecture="armv7-m", interrupts=0
        )
    return builds, cores

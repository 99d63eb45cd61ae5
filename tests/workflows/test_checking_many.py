"""Many images checked by one layout: each has the result of a check by itself, and leaves nothing in memory."""

from __future__ import annotations

import datetime
import gc
import random

import pytest
from audit.audited import IN_CODE, plan_of_layout, write_image
from small_device import joined, layout

import gemel
from gemel.checking.registry import all_rules
from gemel.checking.runner import RuleResult
from gemel.image.image import Image, ImageFile
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.inspection.without_image import OF_THE_IMAGE, ImageNeeded, WithoutImage
from gemel.spans import Span
from gemel.structs import fields, replace
from gemel.workflows.audit_worker import Judge
from gemel.workflows.checking import with_image
from gemel.workflows.checking_many import Checker
from gemel.workflows.trust import trust_in

TODAY = datetime.date(2026, 11, 24)
WAIVED = """
[[rules.waive]]
rule = "checksums-match"
where = "station-crc"
reason = "r"
until = 2027-01-01
[[rules.waive]]
rule = "ram-claims-apart"
where = "station"
reason = "covers nothing"
until = 2027-01-01
[[rules.severity]]
rule = "checksum-distance-sufficient"
severity = "error"
reason = "r"
"""


def images() -> dict[str, Image]:
    """Images of the small device that hold other bytes, versions and formats, and some that are of no device."""
    sound = joined().image
    cases = {
        "sound": sound,
        "another version": joined(layout({'version = "1.2.3"': 'version = "1.2.4"'})).image,
        "a byte of code changed": changed(sound, IN_CODE),
        "empty": SparseBytes(),
        "noise": SparseBytes(),
    }
    bounds = sound.bounds()
    assert bounds
    for place in range(bounds.start, bounds.end, 2083):
        cases[f"changed at {place:x}"] = changed(sound, place)
    cases["noise"].write(bounds.start, random.Random(1).randbytes(bounds.size))
    made = {name: Image(data, file=f"{name}.hex") for name, data in cases.items()}
    whole = SparseBytes()
    whole.write(bounds.start, sound.read(bounds, 0xFF))
    made["raw"] = Image(whole, file="raw.bin", leaves_bytes_out=False, read_from=ImageFile(1, bytes(32), 0))
    made["entry"] = Image(sound.copy(), entry=bounds.start | 1, file="entry.hex")
    return made


def changed(image: SparseBytes, place: int) -> SparseBytes:
    """A copy with one byte changed, or written where none was."""
    copy = image.copy()
    copy.write(place, bytes([copy.read(Span(place, 1), 0x55)[0] ^ 1]))
    return copy


@pytest.mark.parametrize("add", ["", WAIVED])
def test_each_result_is_that_of_a_check_by_itself(add):
    """Sound, broken and foreign images in any order: every outcome, waiver and verdict is the same.

    But for the causes of wrong checksums, which are not searched for.
    """
    read = layout(add=add)
    checker = Checker(read, trust_in(read), min_rollback=7, disassemble=False, today=TODAY)
    verdicts = set()
    for name, image in images().items():
        alone = gemel.check(read, image, min_rollback=7, disassemble=False, rehearsal=False, today=TODAY)
        found = checker.check(image)
        for one, other in zip(found.results, alone.results, strict=True):
            assert one == (unexplained(other) if other.rule.name == "checksums-match" else other), name
        assert (found.idle_waivers, found.passes) == (alone.idle_waivers, alone.passes), name
        if alone.passes:
            assert found.to_json() == alone.to_json()
        verdicts.add((found.passes, len(found.findings)))
    assert len(verdicts) > 3


def unexplained(result: RuleResult) -> RuleResult:
    """A result without what may be the cause of its findings."""
    bare = [replace(each, finding=replace(each.finding, lines=(), next_step="")) for each in result.findings]
    return replace(result, findings=tuple(bare))


def test_what_does_not_depend_on_the_image_is_applied_once(monkeypatch):
    """Of all rules at least a third is applied no more than once, however many images there are."""
    read = layout()
    applied: dict[str, int] = {}

    def counting(rule):  # type: ignore[no-untyped-def]
        def check(inspection):  # type: ignore[no-untyped-def]
            applied[rule.name] = applied.get(rule.name, 0) + 1
            return rule.check(inspection)

        return replace(rule, check=check)

    rules = tuple(counting(rule) for rule in all_rules())
    monkeypatch.setattr("gemel.checking.runner.all_rules", lambda: rules)
    checker = Checker(read, trust_in(read), min_rollback=None, disassemble=False, today=TODAY)
    for _ in range(3):
        checker.check(Image(joined().image))
    assert set(applied.values()) == {1, 4}
    assert sum(applied.get(rule.name, 0) <= 1 for rule in rules) > len(rules) / 3


def test_every_field_of_an_image_is_withheld():
    """``OF_THE_IMAGE`` are the fields that an image changes; each raises where there is none, and all others do not."""
    read = layout()
    fixed = Inspection(read, SparseBytes())
    data = joined().image
    image = Image(
        data, 5, (gemel.errors.Problem("p"),), "f", leaves_bytes_out=False, read_from=ImageFile(1, b"")
    )
    filled = with_image(fixed, image)
    assert {name for name in fields(filled) if getattr(filled, name) != getattr(fixed, name)} == set(
        OF_THE_IMAGE
    )
    without = WithoutImage.of(fixed)
    for name in fields(without):
        if name in OF_THE_IMAGE:
            with pytest.raises(ImageNeeded):
                getattr(without, name)
        else:
            assert getattr(without, name) == getattr(fixed, name)


def test_no_image_is_left_in_memory(tmp_path):
    """After each image of an audit its bytes are freed, without the garbage collector: what bounds the memory."""
    judge = Judge(plan_of_layout(tmp_path))
    paths = [str(write_image(tmp_path / "sound.hex")), str(write_image(tmp_path / "broken.bin", broken=True))]
    damaged = bytearray((tmp_path / "broken.bin").read_bytes())
    damaged[damaged.find(b"small-device")] ^= 1
    for name, data in (("record.bin", damaged), ("zeros.bin", bytes(9000)), ("text.hex", b":00")):
        (tmp_path / name).write_bytes(data)
        paths.append(str(tmp_path / name))
    for path in paths:
        judge.result(path)
    before = held()
    gc.disable()
    try:
        statuses = [judge.result(path).status for path in paths]
        assert held() == before
    finally:
        gc.enable()
    assert statuses == ["passes", "broken", "broken", "broken", "not judged"]


def held() -> int:
    """How many images and inspections there are."""
    return sum(isinstance(each, SparseBytes | Inspection) for each in gc.get_objects())

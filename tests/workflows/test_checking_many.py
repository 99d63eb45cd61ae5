"""Many images checked by one layout: each has the result of a check by itself, and leaves nothing in memory."""

from __future__ import annotations

import datetime
import gc
import random

import pytest
from audited import IN_CODE, plan_of_layout, write_image
from small_device import joined, layout

import gemel
from gemel.checking.conditions import ONLY_WITH
from gemel.checking.registry import all_rules
from gemel.checking.runner import RuleResult
from gemel.image.image import Image, ImageFile
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.inspection.watched import OF_THE_IMAGE, Watched
from gemel.spans import Span
from gemel.structs import fields, replace
from gemel.workflows.auditing.worker import Checker, Judge
from gemel.workflows.checking import with_image
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
    """Sound, broken and foreign images in several orders: every outcome, waiver and verdict is the same.

    But for the causes of wrong checksums, which are not searched for.
    """
    read = layout(add=add)
    checker = Checker(read, trust_in(read), min_rollback=7, disassemble=False, today=TODAY)
    verdicts = set()
    shuffled = random.Random(5)
    made = images()
    singles = {}
    for name in [*made, *shuffled.sample([*made], len(made)), *shuffled.sample([*made], len(made))]:
        image = made[name]
        alone = singles.get(name) or gemel.check(
            read, image, min_rollback=7, disassemble=False, rehearsal=False, today=TODAY
        )
        singles[name] = alone
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


def test_a_rule_is_applied_again_where_it_reads_something_else_alone(monkeypatch):
    """To an image that is the same no rule; to another version no more than a few; to another code more of them."""
    read = layout()
    applied: list[str] = []

    def counting(rule):  # type: ignore[no-untyped-def]
        def check(inspection):  # type: ignore[no-untyped-def]
            applied.append(rule.name)
            return rule.check(inspection)

        return replace(rule, check=check)

    rules = tuple(counting(rule) for rule in all_rules())
    monkeypatch.setattr("gemel.checking.runner.all_rules", lambda: rules)
    checker = Checker(read, trust_in(read), min_rollback=None, disassemble=False, today=TODAY)
    made = images()
    found = {}
    for name in ("sound", "sound", "another version", "a byte of code changed"):
        applied.clear()
        checker.check(Image(made[name].data.copy(), file=name))
        found.setdefault(name, []).append(len(applied))
    first, same = found["sound"]
    assert len(set(applied)) == len(applied)
    assert (same, first) == (0, sum(not rule.of_elf for rule in rules) - skipped(read, rules))
    assert 0 < found["another version"][0] < first / 3
    assert 0 < found["a byte of code changed"][0] < first / 3


def skipped(read, rules) -> int:  # type: ignore[no-untyped-def]
    """How many rules have conditions that say all for this layout."""
    return sum(
        bool(rule.only_with) and not rule.of_elf and not ONLY_WITH[rule.only_with](read.layout)
        for rule in rules
    )


def test_everything_of_an_image_is_watched():
    """All that differs between images is what the image has, and no more: fields, bytes and runs."""
    fixed = Inspection(layout(), SparseBytes())
    made = images()
    watched = Watched.of(fixed)
    problem = (gemel.errors.Problem("p"),)
    for name, image in made.items():
        filled = with_image(fixed, replace(image, remarks=problem if name == "raw" else ()))
        watched.over(filled)
        for field in (*fields(fixed), "record", "placed", "blank_tables"):
            if field != "image":
                mine, its = getattr(watched, field), getattr(filled, field)
                assert mine == its or (isinstance(mine, Exception) and str(mine) == str(its)), (name, field)
        watched.settle()
        ours, theirs = watched.image, image.data
        inner = Span(5, 0x2000) if theirs.bounds() is None else Span(theirs.bounds().start - 3, 5000)
        assert ours == theirs
        assert ours.copy() == theirs
        for method, *words in READINGS:
            given = [inner if word == "span" else word for word in words]
            one, other = (getattr(each, method) for each in (ours, theirs))
            if callable(one):
                one, other = one(*given), other(*given)
            if method == "pieces":
                one, other = list(one), list(other)
            assert one == other, (name, method)
    changed = [with_image(fixed, replace(each, remarks=problem)) for each in made.values()]
    differing = {
        name
        for each in changed
        for name in fields(fixed)
        if getattr(each, name) != getattr(fixed, name) and name != "image"
    }
    assert differing == set(OF_THE_IMAGE)


READINGS = (
    ("size",),
    ("bounds",),
    ("spans",),
    ("held_in", "span"),
    ("holds", "span"),
    ("pieces",),
    ("pieces", "span"),
    ("read", "span", 0xFF),
)
"""What can be read of an image, with what it is given; ``copy`` and comparing are left."""


def test_readings_are_all_that_there_are():
    """A new method of an image is watched too, or changes it, which a rule must not."""
    methods = {name for name in vars(SparseBytes) if not name.startswith("_")}
    assert methods - {name for name, *_ in READINGS} == {"copy", "write", "add", "erase"}
    image = Watched.of(Inspection(layout(), SparseBytes())).image
    for change in (
        lambda: image.write(0, b"1"),
        lambda: image.add(0, b"1"),
        lambda: image.erase(Span(0, 1)),
    ):
        with pytest.raises(AttributeError):
            change()


def test_what_cannot_be_read_of_the_next_image_is_for_its_reader():
    """A read that raises for the next image is caught by what catches it for one."""
    fixed = Inspection(layout(), SparseBytes())
    watched = Watched.of(fixed)

    def whole(inspection):  # type: ignore[no-untyped-def]
        try:
            return inspection.image.read(Span(0, 4), None)
        except ValueError:
            return None

    found = []
    for size in (4, 3, 4, 3):
        image = SparseBytes()
        image.write(0, bytes(size))
        found.append(watched.over(with_image(fixed, Image(image))).kept("whole", whole))
        watched.settle()
    assert found == [bytes(4), None, bytes(4), None]


@pytest.mark.parametrize("name", ["MAX_BYTES", "MAX_RUNS"])
@pytest.mark.parametrize(("less", "kept"), [(0, True), (1, False)])
def test_a_large_image_is_checked_by_itself(name, less, kept, monkeypatch):
    """One of more bytes or runs than are kept several times has the same result, and nothing of it is kept."""
    read, image = layout(), joined().image
    at = {"MAX_BYTES": image.size, "MAX_RUNS": len(image.spans())}[name]
    monkeypatch.setattr(f"gemel.workflows.auditing.worker.{name}", at - less)
    checker = Checker(read, trust_in(read), min_rollback=None, disassemble=False, today=TODAY)
    alone = gemel.check(read, Image(image), disassemble=False, rehearsal=False, today=TODAY)
    assert checker.check(Image(image)).results == alone.results
    assert bool(vars(checker._watched)["_kept"]) == kept


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

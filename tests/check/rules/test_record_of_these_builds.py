"""``record-of-these-builds``: what the record says of a build, against the file at hand."""

from __future__ import annotations

import layout_edits as edits
import pytest
from image_edits import changed
from record_edits import with_entry
from small_device import RECORD, SAMPLER, STATION, apply, build, builds, findings, joined, layout, sampler_elf

from gemel.checking.runner import RuleResult

RULE = "record-of-these-builds"
COPIED = layout(edits.COPIED)
DATA = layout(
    {
        'sampler-code = { memory = "flash", offset = "4 KiB", size = "4 KiB", purpose = "code" }': (
            'sampler-code = { memory = "flash", offset = "4 KiB", size = "4 KiB", purpose = "data" }'
        )
    }
)


def _entry(index: int, **values: object) -> RuleResult:
    return apply(RULE, image=with_entry(index, **values))


BREAKS = {
    "another stored span": lambda: _entry(1, stored_size=0x80),
    "another run address": lambda: _entry(1, run_start=0x3000_3400),
    "another vector address": lambda: _entry(0, vector_address=STATION + 0x80),
    "no vector address": lambda: _entry(0, vector_address=None),
    "all of it": lambda: _entry(
        0, stored_size=0x80, run_start=0, vector_address=0x400, build_id=bytes(range(32))
    ),
    "a newer given build": lambda: apply(
        RULE, image=joined().image, handed=builds(sampler=sampler_elf(build_id=bytes(20), code=b"\1" * 200))
    ),
    "a given build without an id": lambda: apply(
        RULE, image=joined().image, handed=builds(sampler=sampler_elf(build_id=None))
    ),
}

KEEPS = {
    "a join": lambda: apply(RULE),
    "a copied build": lambda: apply(
        RULE, COPIED, handed=builds(sampler=sampler_elf(run=0x3000_3400, base=SAMPLER))
    ),
    "a build of data, without vectors": lambda: apply(RULE, DATA),
}


@pytest.mark.parametrize(
    ("fill", "keeps"), [(b"\xff" * 64, True), (bytes(64), True), (bytes(63) + b"\1", False)]
)
@pytest.mark.parametrize("before", [0, 32])
def test_a_padded_form_of_the_build_is_the_same_build(fill: bytes, keeps: bool, before: int) -> None:
    """The record has the span of the binary that was joined; around the build one byte fills it, or there is more."""
    entry = joined().record.builds[1]
    image = with_entry(
        1,
        stored_start=entry.stored_start - before,
        stored_size=entry.stored_size + 64 + before,
        run_start=entry.run_start - before,
    )
    image.write(entry.stored.end, fill)
    image.write(entry.stored_start - before, fill[:before])
    assert (apply(RULE, image=image).status == "holds") == keeps


def test_each_difference_has_its_finding() -> None:
    """Three fields that differ are three findings, and the other build holds."""
    result = BREAKS["all of it"]()
    words = [
        finding.what.removeprefix("the record gives build station another ") for finding in findings(result)
    ]
    assert [each.split(" than")[0] for each in words] == [
        "stored span",
        "run address",
        "vector address",
    ]
    assert [held.where for held in result.holds] == ["build sampler"]


@pytest.mark.parametrize("build_id", [bytes(20), bytes(range(32))])
def test_build_ids_are_left_to_the_rule_about_them(build_id: bytes) -> None:
    """Another id in the record is one finding of a whole check, of build-ids-equal."""
    image = with_entry(1, build_id=build_id)
    assert apply(RULE, image=image).status == "holds"
    (finding,) = findings(apply("build-ids-equal", image=image))
    assert finding.parties[0] == "sampler"


def test_a_build_of_data_is_recorded_without_vectors() -> None:
    """An area of purpose data holds no vector table, and the record says so."""
    made = joined(DATA).record
    assert made is not None
    assert [entry.vector_address for entry in made.builds] == [STATION, None]


def test_without_builds_it_says_what_it_needs() -> None:
    """Each build that is not at hand is not checked, with the word that gives it."""
    result = apply(RULE, handed={})
    assert [missing.reason for missing in result.not_checked] == [
        "needs the build: station=FILE",
        "needs the build: sampler=FILE",
    ]


def test_what_it_cannot_compare() -> None:
    """An unsound record, a misplaced build and an entry of another name are told, not passed over."""
    unsound = apply(RULE, image=changed(joined().image, {RECORD: b"X"}))
    assert {missing.reason for missing in unsound.not_checked} == {"the record is not sound"}
    elsewhere = {**builds(), "sampler": build("sampler", sampler_elf(base=0x1000_3000))}
    astray = apply(RULE, image=joined().image, handed=elsewhere)
    assert [missing.where for missing in astray.not_checked] == ["build sampler"]
    renamed = _entry(1, name="logger")
    assert [missing.where for missing in renamed.not_checked] == ["build sampler"]

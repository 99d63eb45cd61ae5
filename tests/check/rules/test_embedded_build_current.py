"""``embedded-build-current``: stale copies of the sampler in the station, by bytes and by build id."""

from __future__ import annotations

import layout_edits as edits
from elf_writer import SegmentSpec
from gauge_builds import gauge, gauge_builds
from image_edits import holding
from small_device import (
    CODE,
    SAMPLER,
    SAMPLER_ID,
    STATION,
    STATION_ID,
    apply,
    builds,
    findings,
    joined,
    layout,
    note,
    sampler_elf,
    station_elf,
)
from small_device import build as build_of
from verdict_builds import of

from gemel.checking.rules.embedded_build_current import MAX_NOTES
from gemel.joining.pipeline import join
from gemel.spans import Span

RULE = "embedded-build-current"
OLD_ID = bytes(range(200, 220))
OLD_CODE = CODE[:64] + b"\x55" * 64
ARRAY = STATION + 0x400
PLAIN = joined().image
NO_RECORD = layout(edits.NO_RECORD)


def _bytes(elf: bytes) -> bytes:
    return build_of("sampler", elf).stored[0].data


TODAY, OLD = _bytes(sampler_elf()), _bytes(sampler_elf(code=OLD_CODE, build_id=OLD_ID))
MOVED = _bytes(sampler_elf(words={1: SAMPLER + 0x91}, build_id=OLD_ID))
BY_ID = bytes(16) + MOVED[16:]
"""An old copy of which the build id alone is known."""


def _station(*extra, **options):
    return station_elf(extra=tuple(SegmentSpec(address, data) for address, data in extra), **options)


def _with(*extra, **options):
    return apply(RULE, image=PLAIN, handed=builds(station=_station(*extra, **options)))


def _alone(*extra, read=None, sampler=None, names=()):
    """The image joined with a station that carries ``extra``, checked with the builds of ``names`` only."""
    handed = builds(_station(*extra), sampler)
    image = joined(read, handed).image
    return apply(RULE, read, image, {name: handed[name] for name in names})


BREAKS = {
    "an old copy at its place": lambda: _with((SAMPLER, OLD)),
    "one byte changed in the copy at its place": lambda: _with((SAMPLER, TODAY[:-1] + b"\0")),
    "a longer copy at its place": lambda: _with((SAMPLER, TODAY + b"more")),
    "an old copy in an array": lambda: _with((ARRAY, OLD)),
    "a copy in an array cut short": lambda: _with((ARRAY, TODAY[:0x100])),
    "an old copy whose reset handler was elsewhere": lambda: _with((ARRAY, MOVED)),
    "the same without a build id": lambda: _with(
        (ARRAY, _bytes(sampler_elf(words={1: SAMPLER + 0x91}, build_id=None)))
    ),
    "an old copy without vectors, known by its build id": lambda: _with((ARRAY, BY_ID)),
    "an old copy at its place, the sampler known from the record": lambda: apply(
        RULE, image=PLAIN, handed={"station": build_of("station", _station((SAMPLER, OLD)))}
    ),
    "the image alone, with its record": lambda: _alone((ARRAY, OLD)),
    "the tide gauge with a stale sampler": lambda: apply(
        RULE,
        gauge(),
        join(gauge(), gauge_builds()).image,
        gauge_builds(station="station-stale"),
    ),
}

KEEPS = {
    **{
        f"a copy with another fill between sections, {family}": lambda family=family: of(
            RULE, family, "station-embeds-sections", "sampler-ram-code"
        )
        for family in ("v6", "v7", "v8")
    },
    "no copy": lambda: apply(RULE),
    "the image alone, no copy": lambda: apply(RULE, handed={}),
    "a copy at its place": lambda: _with((SAMPLER, TODAY)),
    "a part of it at its place": lambda: _with((SAMPLER + 0x40, TODAY[0x40:0x80])),
    "a copy in an array": lambda: _with((ARRAY, b"head" + TODAY + b"tail")),
    "its build id in an array": lambda: _with((ARRAY, b"x" + note(SAMPLER_ID))),
    "the image alone, with its record": lambda: _alone((ARRAY, TODAY)),
    "a copy at its place, the sampler known from the record": lambda: _alone(
        (SAMPLER, TODAY), names=["station"]
    ),
    "build ids without a record": lambda: _alone((ARRAY, TODAY), read=NO_RECORD, names=["sampler"]),
    "the tide gauge with today's sampler": lambda: apply(
        RULE,
        gauge(),
        join(gauge(), gauge_builds(station="station-embedding")).image,
        gauge_builds(station="station-embedding"),
    ),
}


def test_first_difference_and_both_build_ids_are_shown() -> None:
    """The finding on a stale copy gives address and bytes of the first difference, and both build ids."""
    (finding,) = findings(BREAKS["an old copy at its place"]())
    first = next(at for at, (old, new) in enumerate(zip(OLD, TODAY, strict=True)) if old != new)
    count = sum(old != new for old, new in zip(OLD, TODAY, strict=True))
    assert finding.where.endswith(f"first difference at 0x{SAMPLER + first:08X}".replace("0x1000", "0x1000_"))
    assert finding.found == f"0x{OLD[first]:02X}, build id {OLD_ID.hex()}"
    assert finding.expected == f"0x{TODAY[first]:02X}, build id {SAMPLER_ID.hex()}, as in sampler.elf"
    assert finding.lines[0].startswith(f"{count} bytes of the copy not as expected")


def test_an_array_is_compared_at_its_own_address() -> None:
    """Addresses of a copy in an array are those of the array, not of the build it is a copy of."""
    (finding,) = findings(BREAKS["an old copy in an array"]())
    assert finding.span is not None
    assert Span(ARRAY, len(OLD)).covers(finding.span)
    (cut,) = findings(BREAKS["a copy in an array cut short"]())
    assert cut.found.startswith("the end of the copy")
    assert cut.span == Span(ARRAY + 0x100, len(TODAY) - 0x100)


def test_two_copies_are_two_outcomes() -> None:
    """A station that carries today's sampler and yesterday's is told so."""
    result = _with((ARRAY, TODAY), (STATION + 0x800, OLD))
    assert len(result.holds) == 1
    assert len(findings(result)) == 1


def test_a_copy_without_another_build_to_hold_it_against() -> None:
    """Where nothing tells the sampler's build id, its copy is not checked and says what it takes."""
    at_place = apply(RULE, NO_RECORD, PLAIN, {"station": build_of("station", _station((SAMPLER, OLD)))})
    assert [each.reason for each in at_place.not_checked] == ["needs the build: sampler=FILE"]
    array = apply(RULE, NO_RECORD, PLAIN, {"station": build_of("station", _station((ARRAY, OLD)))})
    assert [each.reason for each in array.not_checked] == ["needs the ELF file: sampler=FILE"]
    no_id = apply(
        RULE,
        NO_RECORD,
        PLAIN,
        {"station": build_of("station", _station((SAMPLER, _bytes(sampler_elf(build_id=None)))))},
    )
    assert [each.reason for each in no_id.not_checked] == ["needs the build: sampler=FILE"]


def test_without_a_copy_and_without_the_other_build_it_is_not_held() -> None:
    """No foreign build id proves little while the sampler's vectors and build id are unknown."""
    result = apply(RULE, NO_RECORD, PLAIN, {"station": builds()["station"]})
    assert result.status == "not checked"
    assert "sampler=FILE" in result.not_checked[0].reason


def test_the_stations_own_id_may_be_unknown() -> None:
    """With neither ELF file nor record one id in its bytes is taken for its own, a second one is not."""
    one = _alone(read=NO_RECORD)
    assert "only build ids were looked for" in one.not_checked[0].reason
    two = _alone((ARRAY, BY_ID), read=NO_RECORD, names=["sampler"])
    assert [each.where for each in two.not_checked] == [
        f"build id {OLD_ID.hex()} inside build station, at 0x1000_{0x400 + BY_ID.index(note(OLD_ID)):04X}"
    ]


def test_a_station_without_build_id_hides_nothing() -> None:
    """A station linked without a build id does not lend its place to the id of a stale copy."""
    recorded = _with((ARRAY, BY_ID), build_id=None)
    assert [finding.found for finding in findings(recorded)] == [OLD_ID.hex()]
    handed = builds(station=_station((ARRAY, BY_ID), build_id=None))
    unknown = apply(RULE, NO_RECORD, PLAIN, handed)
    assert unknown.status == "not checked"
    assert OLD_ID.hex() in unknown.not_checked[0].where


def test_a_sampler_without_stored_vectors_is_found_by_id_alone() -> None:
    """A build whose first words are blank or not stored cannot be found by them."""
    blank = sampler_elf(words={0: 0xFFFF_FFFF, 1: 0xFFFF_FFFF})
    later = sampler_elf(base=SAMPLER + 0x100)
    for sampler in (blank, later):
        result = apply(RULE, image=PLAIN, handed=builds(sampler=sampler))
        assert [held.where for held in result.holds] == [
            "build station, which holds no copy of another build"
        ]


def test_a_copy_without_its_first_bytes_is_found_by_id() -> None:
    """What lies in front of the vectors may be missing in a copy that begins with them."""
    read = layout({'stored_in = "sampler-code"': 'stored_in = "sampler-code"\nvector_offset = 64'})
    sampler = sampler_elf(base=SAMPLER + 64, extra=(SegmentSpec(SAMPLER, bytes(range(64))),))
    copy = build_of("sampler", sampler).stored[1].data
    result = apply(RULE, read, PLAIN, builds(_station((ARRAY, copy)), sampler))
    assert [held.where.partition(" inside")[0] for held in result.holds] == ["build id of sampler"]


def test_very_many_notes_are_not_all_looked_at() -> None:
    """A station full of build ids gives a bounded report, and says what was left out."""
    result = _with((ARRAY, b"".join(note(bytes((n,)) * 20) for n in range(80))))
    assert len(findings(result)) == MAX_NOTES - 1
    assert "only the first 64 of 81 build id notes" in result.not_checked[0].reason


def test_missing_builds() -> None:
    """An image in which the station is not found is not checked; a layout of one build has no copies."""
    result = apply(RULE, image=holding({SAMPLER: TODAY}), handed={})
    assert result.not_checked[0].reason == "nothing of the build was found in the image"
    single = layout(edits.ONE_BUILD)
    alone = apply(RULE, single, PLAIN, {"station": builds()["station"]})
    assert alone.not_applicable[0].reason == "the layout has one build only"


def test_a_copy_names_its_holder_with_the_files_own_id() -> None:
    """The station's own note is never taken for a copy, wherever it lies."""
    result = _with((ARRAY, note(STATION_ID)))
    assert result.status == "holds"

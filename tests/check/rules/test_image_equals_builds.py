"""``image-equals-builds``: bytes that are not those of the builds, and places that are exempt."""

from __future__ import annotations

import layout_edits as edits
import pytest
from elf_writer import SegmentSpec
from gauge_builds import gauge, gauge_builds
from gauge_rules import on_the_gauge
from image_edits import changed, holding
from small_device import (
    CODE,
    FLASH,
    RAM_OF_SAMPLER,
    SAMPLER,
    STATION,
    STATION_RAM,
    apply,
    builds,
    findings,
    joined,
    layout,
    sampler_elf,
    station_elf,
)
from small_device import build as build_of
from verdict_builds import of

from gemel.builds.build import Build
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.joining.pipeline import join
from gemel.spans import Span
from gemel.structs import replace

RULE = "image-equals-builds"
IMAGE = joined().image
LENGTH_AT = STATION + 4 * 32 + len(CODE)
"""Where the station's symbol image_length lies, which the layout stamps."""
COPIED = layout(edits.COPIED)
DATA_APART = layout(edits.ALSO_SPARE)
TABLE = builds(station=station_elf(extra=(SegmentSpec(FLASH + 0x2000, b"table..."),)))


def _changed(writes, without=(), **options):
    return apply(RULE, image=changed(IMAGE, writes, tuple(Span(*span) for span in without)), **options)


def _gap_filled(fill: bytes, family: str = "v6"):
    """The pair of a build with a gap between two sections of a segment, checked in an image with ``fill`` there."""
    gap = Span.from_bounds({"v6": 0x1000_810C, "v7": 0x1000_8150, "v8": 0x1000_811C}[family], 0x1000_8180)
    return of(
        RULE,
        family,
        "sampler-ram-code",
        edit=lambda image: changed(image, {gap.start: (fill * gap.size)[: gap.size]}),
    )


def _raw(name: str, start: int) -> Build:
    """The bytes of a sound build as a raw binary, which has no symbols."""
    data = builds()[name].stored[0].data
    return read_build(BytesSource(data, f"{name}.bin"), name=name, file=f"{name}.bin", raw_start=start)


BREAKS = {
    "one byte": lambda: _changed({SAMPLER + 0x8A: b"\0"}),
    "first and last byte": lambda: _changed({SAMPLER: b"\1", SAMPLER + 0x123: b"\1"}),
    "a hole": lambda: _changed({}, without=[(SAMPLER + 0x80, 0x20)]),
    "zero padding over the end": lambda: _changed({SAMPLER + 0x100: bytes(0x100)}),
    "next to a stamp": lambda: _changed({LENGTH_AT + 4: b"\xff"}),
    "another sampler": lambda: apply(RULE, image=IMAGE, handed=builds(sampler=sampler_elf(code=CODE[::-1]))),
    "both builds": lambda: _changed({STATION + 8: b"\0", SAMPLER + 8: b"\0"}),
    "a raw binary with more differences than stamps": lambda: _changed(
        {STATION + 0x90: b"\0", LENGTH_AT: b"\1\2\3\4"}, handed={"station": _raw("station", STATION)}
    ),
    "a raw binary without a stamp of its own": lambda: _changed(
        {SAMPLER + 0x90: b"\0"}, handed={"sampler": _raw("sampler", SAMPLER)}
    ),
    "constants apart from the code": lambda: apply(
        RULE, DATA_APART, changed(joined(DATA_APART, TABLE).image, {FLASH + 0x2004: b"\0"}), TABLE
    ),
    "the tide gauge, another build of the sampler": lambda: apply(
        RULE,
        gauge(),
        join(gauge(), gauge_builds()).image,
        gauge_builds(sampler="sampler-wide-enums"),
    ),
    "a gap between sections with content": lambda: _gap_filled(b"\xff\0"),
    "a byte past a gap between sections": lambda: of(
        RULE, "v6", "sampler-ram-code", edit=lambda image: changed(image, {0x1000_8180: b"\xff"})
    ),
}

KEEPS = {
    **{
        f"a gap between sections filled with {fill.hex()}, {family}": lambda fill=fill, family=family: (
            _gap_filled(fill, family)
        )
        for fill in (b"\xff", b"\xa5", b"\0")
        for family in ("v6", "v7", "v8")
    },
    "a gap between sections that is not in the image": lambda: of(
        RULE, "v7", "sampler-ram-code", edit=lambda image: changed(image, {}, (Span(0x1000_8150, 0x30),))
    ),
    "a join": lambda: apply(RULE),
    "erased bytes that are not held": lambda: _changed({}, without=[(LENGTH_AT, 4)]),
    "any value of a stamp": lambda: _changed({LENGTH_AT: b"\1\2\3\4"}),
    "any value of a checksum": lambda: _changed({STATION + 0xFFC: b"\1\2\3\4"}),
    "bytes that belong to no build": lambda: _changed({STATION + 0x800: b"\1", SAMPLER + 0x800: b"\1"}),
    "raw binaries": lambda: apply(
        RULE,
        layout({'at = { build = "station", symbol = "image_length" }': f"at = {LENGTH_AT}"}),
        IMAGE,
        {"station": _raw("station", STATION), "sampler": _raw("sampler", SAMPLER)},
    ),
    "a copied build": lambda: apply(
        RULE, COPIED, handed=builds(sampler=sampler_elf(base=SAMPLER, run=RAM_OF_SAMPLER + 0x3400))
    ),
    "constants apart from the code": lambda: apply(RULE, DATA_APART, handed=TABLE),
    **on_the_gauge(RULE),
}


def test_first_difference_count_and_symbol_are_told() -> None:
    """The finding names the first differing byte, how many there are, and the function there."""
    (finding,) = findings(BREAKS["one byte"]())
    assert finding.what.endswith("1 differing byte")
    assert finding.where.endswith("first difference at 0x1000_108A, in other_handler + 0x2")
    assert finding.found.startswith("00 0c")
    assert finding.expected.startswith("0b 0c")
    assert finding.span == Span(SAMPLER + 0x8A, 1)


def test_the_extent_runs_from_the_first_to_the_last() -> None:
    """Two far bytes of one segment are one finding whose span reaches over both."""
    (finding,) = findings(BREAKS["first and last byte"]())
    assert finding.span == Span(SAMPLER, 0x124)
    assert "2 differing bytes" in finding.what


@pytest.mark.parametrize(
    ("case", "cause"),
    [
        ("a hole", "erased"),
        ("zero padding over the end", "zero"),
        ("another sampler", None),
        ("one byte", None),
    ],
)
def test_a_usual_cause_is_named(case: str, cause: str | None) -> None:
    """Bytes that are all erased or all zero say so; others, or too few of them, say nothing."""
    (finding,) = findings(BREAKS[case]())
    causes = [line for line in finding.lines if line.startswith("in the image all of them are")]
    assert [line.split()[7].rstrip(":") for line in causes] == ([cause] if cause else [])


def test_a_stamp_at_an_unknown_symbol_is_not_checked() -> None:
    """A raw binary differs from the join in the stamp, whose symbol only the ELF file tells."""
    result = apply(RULE, image=IMAGE, handed={"station": _raw("station", STATION)})
    reasons = {each.where: each.reason for each in result.not_checked}
    assert reasons["build station"].endswith("needs the ELF file with symbols, station=FILE")
    assert "station-length (symbol image_length)" in reasons["build station"]
    assert reasons["build sampler"] == "needs the build: sampler=FILE"


def test_a_raw_binary_without_a_difference_holds() -> None:
    """Where nothing differs, it does not matter that the place of a stamp is not known."""
    result = _changed({}, without=[(LENGTH_AT, 4)], handed={"station": _raw("station", STATION)})
    assert [held.where for held in result.holds] == ["build station"]


def test_bytes_outside_flash_are_left_to_another_rule() -> None:
    """A build with all bytes in RAM cannot be compared, one with some is compared as far as it goes."""
    ram_only = build_of("sampler", sampler_elf(base=STATION_RAM))
    some = build_of("sampler", sampler_elf(extra=(SegmentSpec(RAM_OF_SAMPLER + 0x800, b"data"),)))
    for build in (ram_only, some):
        result = apply(RULE, image=IMAGE, handed={"sampler": build})
        assert any(
            each.where == "build sampler" and "load-addresses-in-flash" in each.reason
            for each in result.not_checked
        )
    broken = apply(RULE, image=holding({SAMPLER: b"\0"}), handed={"sampler": some})
    assert len(findings(broken)) == 1


def test_a_difference_of_many_blocks_is_counted_in_full() -> None:
    """Differences that reach over block borders are counted and joined to one extent."""
    read = layout(
        {
            'size = "16 KiB"\nerase_block': 'size = "1 MiB"\nerase_block',
            'sampler-code = { memory = "flash", offset = "4 KiB", size = "4 KiB"': "sampler-code = { "
            'memory = "flash", offset = "512 KiB", size = "512 KiB"',
        }
    )
    base = FLASH + 0x80000
    code = bytes(range(1, 256)) * 1000
    handed = builds(sampler=sampler_elf(code=code, base=base))
    image = joined(read, handed).image
    start = base + 0x80 + 0x100
    image.write(start, bytes(0x30000))
    (finding,) = findings(apply(RULE, read, image, handed))
    assert "196,608 differing bytes" in finding.what
    assert finding.span == Span(start, 0x30000)
    assert finding.lines[-1].endswith("padding of another file may have been written over them")


def test_stripped_builds_are_compared_without_names() -> None:
    """Without a symbol table the finding is the same, less the symbol."""
    stripped = replace(builds()["sampler"], symbols=None)
    (finding,) = findings(_changed({SAMPLER + 0x90: b"\0"}, handed={"sampler": stripped}))
    assert finding.where.endswith("first difference at 0x1000_1090")

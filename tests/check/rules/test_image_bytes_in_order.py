"""Tests of the rule ``image-bytes-in-order``."""

from __future__ import annotations

from base64 import encodebytes
from collections.abc import Callable

import pytest
from small_device import TODAY, findings
from verdict_builds import broken_in, builds_of, layout_of, of

from gemel.checking.rules.image_bytes_in_order import check as check_order
from gemel.checking.runner import check
from gemel.image.sparse import SparseBytes
from gemel.inspection.altered.disorders import MAX_DISTANCE
from gemel.inspection.altered.moved_record import MAX_MARKS
from gemel.inspection.altered.text_conversions import (
    ASCII,
    BASE64,
    CONVERSIONS,
    CP1252,
    CR_LF,
    NO_CR,
    REPLACED,
    SEVEN_BITS,
    UTF8,
    UTF16,
    Conversion,
)
from gemel.inspection.byte_orders import ORDERS, Order
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.outcomes import Finding, Holds
from gemel.record.format import MARK
from gemel.spans import Span
from gemel.structs import replace

RULE = "image-bytes-in-order"
ALIAS = (('size = "64 KiB"\n', 'size = "64 KiB"\naliases = [0x0000_0000]\n'),)


HALFWORDS, WORDS = ORDERS[:2]


def _swapped(order: Order, start: int = 0) -> Callable[[SparseBytes], SparseBytes]:
    """An edit that leaves all from ``start`` (an address) on in another order."""

    def edit(image: SparseBytes) -> SparseBytes:
        made = SparseBytes()
        for address, piece in image.pieces():
            data = bytes(piece)
            data += b"\xff" * (-len(data) % 8)
            kept = min(max(0, start - address), len(data))
            made.write(address, data[:kept] + order.of(data[kept:]))
        return made

    return edit


RECORDED = 0x1000_F000
RECORD = (
    ('product = "tide-gauge"\n', 'product = "tide-gauge"\nversion = "1.0.0"\n'),
    (
        'offset = "32 KiB", size = "32 KiB", purpose = "code" }',
        'offset = "32 KiB", size = "28 KiB", purpose = "code" }\n'
        'record = { memory = "flash", offset = "60 KiB", size = "4 KiB", purpose = "record" }',
    ),
    ("[contract.link]", '[record]\narea = "record"\n\n[contract.link]'),
)
"""A record at the end of flash."""


def _shifted(distance: int, start: int = 0, end: int = 1 << 32) -> Callable[[SparseBytes], SparseBytes]:
    """An edit that moves all bytes from ``start`` on, up to ``end``."""

    def edit(image: SparseBytes) -> SparseBytes:
        made = SparseBytes()
        for address, piece in image.pieces(Span.from_bounds(end, 1 << 32)) if end >> 32 == 0 else ():
            made.write(address, bytes(piece))
        pieces = [(address, bytes(piece)) for address, piece in image.pieces(Span(0, end))]
        for address, data in pieces:
            kept = min(max(0, start - address), len(data))
            if data[kept:]:
                made.write(address + kept + distance, data[kept:])
        for address, data in pieces:
            kept = min(max(0, start - address), len(data))
            if kept:
                made.write(address, data[:kept])
        return made

    return edit


def _lost(start: int, size: int) -> Callable[[SparseBytes], SparseBytes]:
    """An edit that takes ``size`` bytes out at ``start`` and moves what follows down, gaps written as erased."""

    def edit(image: SparseBytes) -> SparseBytes:
        bounds = image.bounds() or Span(0, 1)
        data = image.read(bounds, 0xFF)
        made = SparseBytes()
        made.write(bounds.start, data[: start - bounds.start] + data[start + size - bounds.start :])
        return made

    return edit


def _as_binary(image: SparseBytes) -> tuple[Span, bytes]:
    """The image as a raw binary of the whole flash, where the gap before the record is not all erased."""
    bounds = Span.from_bounds(0x1000_0000, 0x1001_0000)
    return bounds, image.read(bounds, 0xFF)


def _converted(conversion: Conversion) -> Callable[[SparseBytes], SparseBytes]:
    """An edit that leaves the image's raw binary as a conversion of text does."""

    def edit(image: SparseBytes) -> SparseBytes:
        bounds, data = _as_binary(image)
        made = SparseBytes()
        made.write(bounds.start, conversion.of(data))
        return made

    return edit


def _with(data: bytes) -> Callable[[SparseBytes], SparseBytes]:
    """An edit that writes ``data`` after the sampler's code."""

    def edit(image: SparseBytes) -> SparseBytes:
        image.write(0x1000_C000, data)
        return image

    return edit


STATION, SAMPLER = 0x1000_0000, 0x1000_8000
BREAKS = {
    "halfwords swapped": lambda: of(RULE, "v6", edit=_swapped(HALFWORDS)),
    "words swapped": lambda: of(RULE, "v7", edit=_swapped(WORDS)),
    "words swapped from the middle on": lambda: of(RULE, "v8", edit=_swapped(WORDS, 0x1000_0080)),
    "moved up by 4 KiB": lambda: of(RULE, "v6", edit=_shifted(0x1000)),
    "a byte too many in the middle": lambda: of(RULE, "v7", edit=_shifted(1, 0x1000_0080)),
    "at an alias": lambda: of(RULE, "v8", changes=ALIAS, edit=_shifted(-0x1000_0000)),
    "moved, without builds": lambda: of(RULE, "v6", edit=_shifted(0x200), given=()),
    "the vector table lost": lambda: of(RULE, "v7", edit=_lost(SAMPLER, 128)),
    "512 bytes before the vectors": lambda: of(RULE, "v8", edit=_shifted(512, SAMPLER)),
    "moved by a word, without builds": lambda: of(RULE, "v7", edit=_shifted(4), given=()),
    "a word lost at the start, without builds": lambda: of(RULE, "v8", edit=_lost(STATION, 4), given=()),
    "two bytes before one build, without it": lambda: of(
        RULE, "v6", edit=_shifted(2, SAMPLER), given=("station",)
    ),
    "words swapped, without builds": lambda: of(RULE, "v8", edit=_swapped(WORDS), given=()),
    "halfwords of one build swapped, without it": lambda: of(
        RULE, "v7", edit=_swapped(HALFWORDS, SAMPLER), given=("station",)
    ),
    "to UTF-8": lambda: of(RULE, "v6", edit=_converted(UTF8)),
    "seven bits, without builds": lambda: of(RULE, "v7", edit=_converted(SEVEN_BITS), given=()),
    "to CR LF": lambda: of(RULE, "v6", edit=_converted(CR_LF)),
    "without CR": lambda: of(RULE, "v7", edit=_converted(NO_CR)),
    "one build 64 bytes up, without it, as the record shows": lambda: of(
        RULE, "v8", changes=RECORD, edit=_shifted(64, SAMPLER, RECORDED), given=("station",)
    ),
    "one build and the record 16 KiB up": lambda: of(
        RULE, "v8", changes=RECORD, edit=_shifted(0x4000, SAMPLER), given=()
    ),
    "the same, of given builds": lambda: of(RULE, "v6", changes=RECORD, edit=_shifted(0x4000, SAMPLER)),
    "from inside the first build on": lambda: of(
        RULE, "v7", changes=RECORD, edit=_shifted(-0x1010, STATION + 0x100), given=()
    ),
    "from inside the last build on": lambda: of(
        RULE, "v7", changes=RECORD, edit=_shifted(0x40, SAMPLER + 0x90), given=()
    ),
}
KEEPS = {
    "the record alone moved": lambda: of(
        RULE, "v8", changes=RECORD, edit=_shifted(-0x400, RECORDED), given=()
    ),
    "the record alone moved, and a build changed": lambda: of(
        RULE,
        "v6",
        changes=RECORD,
        edit=lambda image: _one_byte(_shifted(-0x1000, RECORDED)(image)),
        given=(),
    ),
    "as joined": lambda: of(RULE, "v6"),
    "without builds": lambda: of(RULE, "v7", given=()),
    "a copy of the sampler inside the station": lambda: of(
        RULE, "v8", "station-embeds-zeros", "sampler-gaps"
    ),
    "one byte changed": lambda: of(RULE, "v8", edit=_one_byte),
    "64 bytes before one build's vectors, without it or a record": lambda: of(
        RULE, "v8", edit=_shifted(64, SAMPLER), given=("station",)
    ),
    "an older build": lambda: of(RULE, "v7", "sampler-tables", edit=_of_another("v7", "sampler-vtor")),
    "text of UTF-8 beside the code": lambda: of(
        RULE, "v6", changes=RECORD, edit=_with("Füllstände über Null\r\n".encode() * 400), given=()
    ),
    "text with CR LF alone, without builds": lambda: of(
        RULE, "v6", changes=RECORD, edit=_with(b"level\r\n" * 400), given=()
    ),
    "bytes of seven bits": lambda: of(RULE, "v8", edit=_with(b"tide gauge 01 " * 400), given=()),
    "without one build's bytes": lambda: of(RULE, "v7", edit=_cut(SAMPLER), given=("station",)),
}


def _of_another(family: str, file: str) -> Callable[[SparseBytes], SparseBytes]:
    """An edit that gives the image of another build of the sampler, of which much is the same and moved."""
    return lambda _: join(layout_of(family), builds_of(family, file)).image


def _cut(end: int) -> Callable[[SparseBytes], SparseBytes]:
    """An edit that leaves out all bytes from ``end`` on."""

    def edit(image: SparseBytes) -> SparseBytes:
        made = SparseBytes()
        for address, piece in image.pieces(Span(0, end)):
            made.write(address, bytes(piece))
        return made

    return edit


def _one_byte(image: SparseBytes) -> SparseBytes:
    image.write(0x1000_0090, b"\x5a")
    return image


@pytest.mark.parametrize(
    "edit",
    [*(_swapped(order) for order in ORDERS), _shifted(0x1000), _shifted(1, 0x1000_0080)],
    ids=[*(order.what for order in ORDERS), "4 KiB up", "a byte more"],
)
@pytest.mark.parametrize("family", ["v6", "v7", "v8"])
def test_the_cause_is_the_only_finding(family: str, edit: Callable[[SparseBytes], SparseBytes]) -> None:
    """Everything else that rules find follows from it, and is reported as not checked."""
    read, builds = layout_of(family), builds_of(family)
    image = edit(join(read, builds).image)
    result = check(Inspection(read, image, builds, disassemble=True), TODAY)
    assert broken_in(result) == {RULE: 1}
    assert not result.passes


@pytest.mark.parametrize("order", ORDERS, ids=lambda order: order.what)
def test_the_record_alone_in_another_order_is_told_beside_its_builds(order: Order) -> None:
    """Its mark shows the order though every build is as given."""
    read, builds = layout_of("v6", *RECORD), builds_of("v6")
    image = join(read, builds).image
    record = Span(0x1000_F000, 0x1000)
    held = image.read(record, 0xFF)
    image.write(record.start, order.of(held))
    assert broken_in(check(Inspection(read, image, builds), TODAY)) == {RULE: 1}


IN_LINES = BASE64._replace(of=encodebytes)
ENCODINGS = (UTF8, CP1252, REPLACED, UTF16, SEVEN_BITS, ASCII, BASE64, IN_LINES)


@pytest.mark.parametrize("given", [("station", "sampler"), ()], ids=["with builds", "without"])
@pytest.mark.parametrize(
    ("family", "conversion"),
    [
        *((family, each) for family in ("v6", "v7", "v8") for each in ENCODINGS),
        ("v6", CR_LF),  # the builds for v7 have no byte 0A
        ("v8", CR_LF),
    ],
)
def test_a_conversion_of_text_is_the_only_finding(
    family: str, conversion: Conversion, given: tuple[str, ...]
) -> None:
    """Whatever it leaves of code, record and vector tables, it is the one cause."""
    read, builds = layout_of(family, *RECORD), builds_of(family)
    image = _converted(conversion)(join(read, builds).image)
    kept = {name: builds[name] for name in given}
    assert broken_in(check(Inspection(read, image, kept, disassemble=True), TODAY)) == {RULE: 1}


@pytest.mark.parametrize(("code", "found"), [(b"\x0e", NO_CR.what), (b"\r", "4 too low")])
def test_missing_bytes_are_those_of_line_ends_only_where_none_is_left(code: bytes, found: str) -> None:
    """Without builds or record, the second vector table shows how many bytes are gone."""
    read, builds = layout_of("v6"), builds_of("v6")
    image = join(read, builds).image
    image.write(0x1000_4000, (code + bytes(range(0x20, 0xE0))) * 16)
    (outcome,) = check_order(Inspection(read, _lost(0x1000_6000, 4)(image), {}))
    assert isinstance(outcome, Finding)
    assert found in outcome.what


@pytest.mark.parametrize("conversion", CONVERSIONS, ids=[each.found for each in CONVERSIONS])
def test_a_build_shows_the_conversion(conversion: Conversion) -> None:
    """Of each conversion, by a binary that has line ends of every kind."""
    read = layout_of("v7", *RECORD)
    text = bytes(range(0x20, 0xF0)) + b"level\r\ntime\rnone\n" * 4
    builds = builds_of("v7")
    first, *rest = builds["sampler"].segments
    claims = tuple(each for each in rest if not each.data)
    data = join(read, builds).image.read(Span(SAMPLER, 0x400), 0xFF) + text
    longer = replace(first, data=data, memory_size=len(data), pieces=())
    builds["sampler"] = replace(builds["sampler"], segments=(longer, *claims))
    image = join(read, builds).image
    inspection = Inspection(read, _converted(conversion)(image), builds)
    (finding,) = check_order(inspection)
    assert isinstance(finding, Finding)
    assert (finding.what, finding.found) == (f"the image {conversion.what}", conversion.found)
    (held,) = check_order(Inspection(read, image, builds))
    assert isinstance(held, Holds)


@pytest.mark.parametrize("order", ORDERS, ids=lambda order: order.what)
@pytest.mark.parametrize("changes", [(), RECORD], ids=["no record", "record"])
def test_an_order_is_recognised_without_builds(order: Order, changes: tuple) -> None:
    """The record's mark, or the vector tables, name the order; done once more it brings the bytes back."""
    data = bytes(range(64))
    assert order.of(order.of(data)) == data != order.of(data)
    (judged,) = of(RULE, "v7", changes=changes, edit=_swapped(order), given=()).findings
    assert order.what in judged.finding.what


def test_a_lowered_cause_explains_nothing() -> None:
    """Where the layout makes the rule a note, all that follows from it is found as ever."""
    change = (
        "[contract.link]",
        """[rules]
severity = [{ rule = "image-bytes-in-order", severity = "note", reason = "a test" }]

[contract.link]""",
    )
    read, builds = layout_of("v7", change), builds_of("v7")
    image = _swapped(WORDS)(join(read, builds).image)
    broken = broken_in(check(Inspection(read, image, builds), TODAY))
    assert RULE in broken
    assert len(broken) > 1


@pytest.mark.parametrize(("marks", "found"), [(MAX_MARKS - 1, 1), (MAX_MARKS, 0)])
def test_marks_without_a_record_are_passed_over(marks: int, found: int) -> None:
    """Boot code that looks for a record holds its mark too; no more than some are looked at."""
    read, builds = layout_of("v8", *RECORD), builds_of("v8")
    image = join(read, builds).image
    image.write(0x1000_4000, (MARK + b"\0" * 8) * marks)
    result = check(Inspection(read, _shifted(0x4000, SAMPLER)(image), {}), TODAY)
    assert broken_in(result).get(RULE, 0) == found


def test_how_far_is_told() -> None:
    """The finding tells by how many bytes and in which direction."""
    (finding,) = findings(BREAKS["moved up by 4 KiB"]())
    assert finding.what == "all bytes are 0x1000 too high from 0x1000_0000 on"


@pytest.mark.parametrize(("further", "is_told"), [(0, True), (1, False)])
def test_how_far_bytes_are_looked_for(further: int, is_told: bool) -> None:
    """What follows lost or added bytes of a build is looked for up to MAX_DISTANCE from its place."""
    read, builds = layout_of("v6"), builds_of("v6")
    image = _shifted(MAX_DISTANCE + further, 0x1000_0080)(join(read, builds).image)
    result = check(Inspection(read, image, builds), TODAY)
    assert (RULE in broken_in(result)) is is_told
    assert not result.passes

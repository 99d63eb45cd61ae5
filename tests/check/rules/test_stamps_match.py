"""``stamps-match``: stamps that hold something other than the layout gives them, and what they cannot tell."""

from __future__ import annotations

import hashlib

import pytest
from image_edits import changed
from small_device import (
    RECORD,
    SAMPLER,
    STATION,
    apply,
    builds,
    findings,
    joined,
    layout,
    sampler_elf,
    station_elf,
)
from vector_fixtures import hex_build

from gemel.checking.rules.stamps_match import UNITS
from gemel.checking.runner import RuleResult
from gemel.joining.pipeline import join
from gemel.layout.reader import ReadLayout
from gemel.placement.placed import Version
from gemel.spans import Span

RULE = "stamps-match"
RECORD_TABLE = '[record]\narea = "record"\nvendor = "harbour.example"\nclass = "small device"\n'
STAMP = """\
[[stamp]]
name = "station-length"
at = { build = "station", symbol = "image_length" }
width = 4
value = { size_of = "station" }
"""
VERSION_STAMP = """\
[[stamp]]
name = "s"
at = { area = "sampler-code", offset = 0x800 }
width = 4
value = { version = "packed" }
"""
PLACE = SAMPLER + 0x800
"""Where the stamps of these tests go: in the sampler's area, behind its build."""


def _stamped(value: str, width: int = 4, more: str = "", record: bool = True) -> ReadLayout:
    """The layout with one stamp of that value instead of its own."""
    stamp = (
        f'[[stamp]]\nname = "s"\nat = {{ area = "sampler-code", offset = 0x800 }}\n'
        f"width = {width}\nvalue = {value}\n{more}"
    )
    return layout({STAMP: stamp, **({} if record else {RECORD_TABLE: ""})})


def _kept(value: str, width: int = 4, more: str = "") -> RuleResult:
    return apply(RULE, _stamped(value, width, more))


def _overwritten(value: str, data: bytes, width: int = 4, more: str = "") -> RuleResult:
    read = _stamped(value, width, more)
    return apply(RULE, read, changed(joined(read).image, {PLACE: data}))


BREAKS = {
    "another number": lambda: _overwritten("0x1234", b"\x35\x12\0\0"),
    "the other byte order": lambda: _overwritten("0x1234", b"\0\0\x12\x34"),
    "still erased": lambda: _overwritten("0x1234", b"\xff" * 4),
    "another text": lambda: _overwritten('"tide"', b"gauge\0\0\0", 8),
    "another length": lambda: _overwritten('{ size_of = "station" }', b"\0\1\0\0"),
    "another version": lambda: _overwritten('{ version = "text" }', b"1.2.2\0\0\0", 8),
    "another digest, shortened": lambda: _overwritten('{ sha256_of = "station" }', bytes(32), 32),
    "version of the command line": lambda: apply(
        RULE, _stamped('{ version = "packed" }'), version=Version(1, 2, 4)
    ),
    "rollback counter of the command line": lambda: apply(RULE, _stamped("{ rollback = true }"), rollback=8),
    "the build id of an older build": lambda: apply(
        RULE,
        _stamped('{ build_id_of = "sampler" }', 20),
        joined(_stamped('{ build_id_of = "sampler" }', 20)).image,
        builds(sampler=sampler_elf(build_id=bytes(20))),
    ),
    "the length of a longer build": lambda: apply(
        RULE,
        _stamped('{ size_of = "sampler" }'),
        joined(_stamped('{ size_of = "sampler" }')).image,
        builds(sampler=sampler_elf(code=b"\1" * 200)),
    ),
}

KEEPS = {
    "a join": lambda: apply(RULE),
    "a number": lambda: _kept("0x1234"),
    "a number, big endian": lambda: _kept("0x1234", more='byte_order = "big"\n'),
    "a text": lambda: _kept('"tide"', 8),
    "size, start and end": lambda: apply(
        RULE,
        layout(
            {
                STAMP: "".join(
                    f'[[stamp]]\nname = "{key}-{index}"\nwidth = 4\nvalue = {{ {key}_of = "{of}" }}\n'
                    f'at = {{ area = "sampler-code", offset = {0x800 + 4 * index} }}\n'
                    for index, (key, of) in enumerate(
                        [
                            ("size", "sampler"),
                            ("start", "sampler"),
                            ("end", "sampler"),
                            ("run_start", "sampler"),
                            ("vectors", "sampler"),
                            ("size", "spare"),
                            ("start", "spare"),
                            ("end", "spare"),
                        ]
                    )
                )
            }
        ),
    ),
    "a packed version": lambda: _kept('{ version = "packed" }'),
    "a version as text": lambda: _kept('{ version = "text" }', 16),
    "a rollback counter": lambda: _kept("{ rollback = true }"),
    "a build id": lambda: _kept('{ build_id_of = "sampler" }', 32),
    "a digest": lambda: _kept('{ sha256_of = "station" }', 32),
    "version and counter from the record": lambda: apply(
        RULE,
        _stamped('{ version = "packed" }'),
        join(_stamped('{ version = "packed" }'), builds(), Version(3, 4, 5)).image,
        {},
    ),
    "the image alone, lengths from the record": lambda: apply(
        RULE, _stamped('{ size_of = "sampler" }'), handed={}
    ),
    "the image alone, a build id from the record": lambda: apply(
        RULE, _stamped('{ build_id_of = "sampler" }', 20), handed={}
    ),
    "without a record, what the layout shows": lambda: apply(
        RULE, _stamped('{ vectors_of = "sampler" }', record=False), handed={}
    ),
    "without a record, the layout's version": lambda: apply(
        RULE, _stamped('{ version = "text" }', 8, record=False), handed={}
    ),
}


def test_the_record_tells_the_version_that_was_joined() -> None:
    """A stamp is compared with the record's version, not the layout's, where the command line has none."""
    read = _stamped('{ version = "packed" }')
    image = join(read, builds(), Version(3, 4, 5)).image
    assert apply(RULE, read, image).status == "holds"
    assert image.read(Span(PLACE, 4), None) == bytes((5, 0, 4, 3))


def test_evidence_about_the_usual_mistakes() -> None:
    """The other byte order and a place still erased are told in so many words; long values are shortened."""
    (finding,) = findings(BREAKS["the other byte order"]())
    assert finding.lines == ("the bytes are right in the other byte order",)
    (finding,) = findings(BREAKS["still erased"]())
    assert finding.lines[0].startswith("the place is still erased")
    (finding,) = findings(BREAKS["another digest, shortened"]())
    assert finding.found.endswith(" ...")
    made = joined(_stamped('{ sha256_of = "station" }', 32))
    digest = hashlib.sha256(made.image.read(made.placed["station"].stored, None)).digest()
    assert finding.expected == digest.hex(" ")[:47] + " ..."


@pytest.mark.parametrize("value", ["size_of", "end_of", "build_id_of", "sha256_of"])
def test_what_needs_builds_or_record(value: str) -> None:
    """Lengths, ids and digests of a build are not guessed from the bytes of its area."""
    result = apply(RULE, _stamped(f'{{ {value} = "sampler" }}', 32, record=False), handed={})
    assert [missing.reason for missing in result.not_checked] == [
        "needs the build: sampler=FILE, or an image with a sound record"
    ]


def test_a_build_that_is_not_there() -> None:
    """A value of a build of which nothing is in the image is not checked."""
    read = _stamped('{ start_of = "sampler" }', record=False)
    image = joined(read).image
    image.erase(joined(read).placed["sampler"].stored)
    image.erase(Span(PLACE, 8))
    result = apply(RULE, read, image, {})
    assert [missing.reason for missing in result.not_checked] == [
        "nothing of build sampler was found in the image"
    ]


def test_a_build_without_an_id() -> None:
    """A build id that neither file nor record tells is not checked, and the reason says how to get one."""
    read = _stamped('{ build_id_of = "sampler" }', 20)
    image = joined(read).image
    image.write(RECORD, b"X")
    result = apply(RULE, read, image, builds(sampler=sampler_elf(build_id=None)))
    assert ["--build-id" in missing.reason for missing in result.not_checked] == [True]


def test_a_symbol_needs_its_elf_file() -> None:
    """The place of a stamp at a symbol is told by the ELF file alone; what is missing is named."""
    result = apply(RULE, handed={})
    assert [missing.reason for missing in result.not_checked] == ["needs the ELF file: station=FILE"]
    flat = {"station": hex_build("station", station_elf())}
    stripped = apply(RULE, image=joined().image, handed=flat)
    assert ["needs its ELF file" in missing.reason for missing in stripped.not_checked] == [True]
    other = layout({'symbol = "image_length"': 'symbol = "no_such_symbol"'})
    (missing,) = apply(RULE, other, joined().image, builds()).not_checked
    assert missing.reason == (
        "symbol no_such_symbol of build station cannot be placed: found no such symbol, expected one symbol"
    )


def test_a_value_that_cannot_be_had() -> None:
    """A version that is known nowhere, or too large to pack, is not checked and says why."""
    read = _stamped('{ version = "packed" }', record=False)
    (missing,) = apply(RULE, read, joined(read).image, version=Version(256, 0, 0)).not_checked
    assert missing.reason == "version too large to pack: found 256.0.0, expected at most 255.255.65535"
    unsaid = layout({'version = "1.2.3"\n': "", STAMP: VERSION_STAMP, RECORD_TABLE: ""})
    (missing,) = apply(RULE, unsaid, join(unsaid, builds(), Version(1, 0, 0)).image).not_checked
    assert missing.reason == "no version was given: found none, expected a version"


def test_stations_of_other_builds_do_not_count() -> None:
    """The value is that of the builds at hand: a station that grew has another length than was stamped."""
    grown = builds(station=station_elf(code=b"\1" * 300))
    (finding,) = findings(apply(RULE, image=joined().image, handed=grown))
    assert finding.parties == ("station-length",)
    assert finding.span is not None
    assert finding.span.start != STATION


@pytest.mark.parametrize(("value", "unit"), [("size_of", 4), ("size_of", 2), ("size_of", 3), ("start_of", 4)])
def test_a_size_in_words(value: str, unit: int) -> None:
    """Another tool may have counted by words: the line says what to state; nothing else is counted so."""
    read = _stamped(f'{{ {value} = "sampler" }}')
    made = joined(read)
    image = made.image
    number = int.from_bytes(image.read(Span(PLACE, 4), None), "little")
    image.write(PLACE, (-(-number // unit)).to_bytes(4, "little"))
    (finding,) = findings(apply(RULE, read, image))
    step = f"it is right if it counts by {unit} bytes: then state unit = {unit} in the stamp"
    assert finding.lines == ((step,) if value == "size_of" and unit in UNITS else ())
    stated = _stamped(f'{{ {value} = "sampler" }}\nunit = {unit}') if value == "size_of" else read
    assert (apply(RULE, stated, image).status == "holds") is (value == "size_of")

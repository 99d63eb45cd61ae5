"""The usual faults of images, builds and layouts: for each one cause one error, which names what follows from it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from functools import cache

import pytest
from gauge_builds import ROOT, gauge, gauge_builds
from seal_keys import key_for, other_key
from small_device import TODAY
from verdict_builds import WITH_LOADER, builds_of, layout_of

from gemel.builds.build import Build
from gemel.checking.runner import RulesApplied, check
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.layout.reader import ReadLayout, read_layout
from gemel.policy.reader import Receiver
from gemel.seals.keys.keys import PrivateKey
from gemel.seals.seal import make_seal
from gemel.seals.sealing import put_seal, record_bytes, signatures_by
from gemel.spans import Span
from gemel.structs import replace

KEY: PrivateKey = key_for("Ed25519")
STATION, SAMPLER, RECORD, SEAL, END = 0x1000_0000, 0x1000_8000, 0x1001_0000, 0x1001_1000, 0x1008_0000
STATION_CRC, SAMPLER_CRC = STATION + 0x7FFC, SAMPLER + 0x7FFC
LENGTH = 0x1000_0258
"""Where the station's stamp is, by the symbol ``image_length``."""

Edit = Callable[[SparseBytes], None]
Errors = dict[str, int]


@cache
def _read(*changes: tuple[str, str]) -> ReadLayout:
    text = (ROOT / "layouts" / "tide-gauge-in-place.toml").read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return read_layout(text.encode(), "gauge.toml")


@cache
def _builds(**files: str) -> dict[str, Build]:
    return gauge_builds(**files)


@cache
def _sealed(*changes: tuple[str, str]) -> SparseBytes:
    read = _read(*changes)
    image = join(read, _builds()).image
    record = record_bytes(read.layout, image)
    put_seal(read.layout, image, make_seal(record, signatures_by(record, [KEY])))
    return image


def _errors(result: RulesApplied) -> Errors:
    return dict(Counter(rule.name for rule, _ in result.open_findings("error")))


def _flip(address: int) -> Edit:
    def edit(image: SparseBytes) -> None:
        (byte,) = image.read(Span(address, 1), 0xFF)
        image.write(address, bytes((byte ^ 0x10,)))

    return edit


def _erase(start: int, end: int) -> Edit:
    return lambda image: image.erase(Span.from_bounds(start, end))


def _write(address: int, data: bytes) -> Edit:
    return lambda image: image.write(address, data)


def _moved(distance: int) -> Edit:
    def edit(image: SparseBytes) -> None:
        pieces = [(address, bytes(data)) for address, data in image.pieces()]
        for address, data in pieces:
            image.erase(Span(address, len(data)))
        for address, data in pieces:
            image.write(address + distance, data)

    return edit


def _dumped(edit: Edit) -> Edit:
    """The same as it is read back from a device: erased up to the end of flash."""

    def done(image: SparseBytes) -> None:
        edit(image)
        image.write(STATION, image.read(Span.from_bounds(STATION, END), 0xFF))

    return done


def _all(value: int) -> Edit:
    return lambda image: image.write(STATION, bytes((value,)) * (END - STATION))


def _padded(image: SparseBytes) -> None:
    image.write(STATION, image.read(Span.from_bounds(STATION, END), 0x00))


def _as_text(image: SparseBytes) -> None:
    size = SEAL + 0x1000 - STATION
    image.write(STATION, image.read(Span(STATION, size), 0xFF).replace(b"\n", b"\r\n")[:size])


def _repeated(image: SparseBytes) -> None:
    image.write(STATION + 0x410, image.read(Span(STATION + 0x400, 16), 0xFF))


def _reversed(unit: int) -> Edit:
    def edit(image: SparseBytes) -> None:
        data = image.read(Span.from_bounds(STATION, SEAL), 0xFF)
        whole = b"".join(data[at : at + unit][::-1] for at in range(0, len(data), unit))
        image.write(STATION, whole)

    return edit


def _by_all(change: Callable[[bytes], bytes]) -> Edit:
    """A change of everything from the station to the seal, which may be shorter or longer after it."""

    def edit(image: SparseBytes) -> None:
        data = change(image.read(Span.from_bounds(STATION, SEAL + 0x1000), 0xFF))
        image.erase(Span.from_bounds(STATION, END))
        image.write(STATION, data[: END - STATION])

    return edit


def _address_line(line: int, level: int) -> Callable[[bytes], bytes]:
    bit = 1 << line
    return lambda data: bytes(data[at | bit if level else at & ~bit] for at in range(len(data) - bit))


def _halves_exchanged(image: SparseBytes) -> None:
    first, second = (Span(STATION + at, 0x8000) for at in (0, 0x8000))
    data = [image.read(each, 0xFF) for each in (first, second)]
    image.erase(Span.from_bounds(first.start, second.end))
    # the upper half is put behind what is used, since at its place is what the other core starts with
    image.write(0x1004_0000, data[0])
    image.write(STATION + 0x400, data[1][:-0x400])


def _with_record_of_another(image: SparseBytes) -> None:
    other = join(gauge(), _builds(station="station-embedding")).image
    image.erase(Span(RECORD, 0x1000))
    image.write(RECORD, record_bytes(gauge().layout, other))


CHANGED = ("image-equals-builds", "record-digests-match")
BLANK = ("image-equals-builds", "vector-table-not-blank")
ORDER = ("image-bytes-in-order", "image-bytes-in-order")
LINE = ("image-bytes-in-order", "record-sound")


def _both(rule: str) -> tuple[str, str]:
    return rule, rule


IMAGES: dict[str, tuple[Edit, tuple[str, str]]] = {
    "a byte of code": (_flip(STATION + 0x800), CHANGED),
    "a byte of a handler": (_flip(STATION + 0x1C), CHANGED),
    "a byte of a reset handler": (_flip(SAMPLER + 5), CHANGED),
    "a byte of a stack pointer": (_flip(STATION + 2), CHANGED),
    "a row that is missing": (_erase(STATION + 0x400, STATION + 0x410), CHANGED),
    "a row twice": (_repeated, CHANGED),
    "a stamp": (_flip(LENGTH), ("stamps-match", "record-digests-match")),
    "a checksum": (_flip(STATION_CRC), _both("checksums-match")),
    "no checksum": (_erase(SAMPLER_CRC, SAMPLER_CRC + 4), _both("checksums-match")),
    "a byte after a build": (_write(STATION + 0x7000, b"\0"), _both("rest-digest-matches")),
    "a byte after the record": (_write(RECORD + 0xE00, b"\1"), _both("rest-digest-matches")),
    "bytes in no area": (_write(STATION + 0x4_0000, b"\x12\x34"), _both("image-inside-areas")),
    "zeros to the end": (_padded, _both("image-inside-areas")),
    "a byte of the record": (_flip(RECORD + 40), _both("record-sound")),
    "the record's mark": (_flip(RECORD), _both("record-sound")),
    "no record": (_erase(RECORD, RECORD + 0x1000), _both("record-sound")),
    "half a record": (_erase(RECORD + 64, RECORD + 0x1000), _both("record-sound")),
    "the record of another image": (_with_record_of_another, _both("seal-over-this-record")),
    "a byte of a signature": (_flip(SEAL + 60), _both("seal-by-trusted-key")),
    "a byte of the seal": (_flip(SEAL), _both("seal-well-formed")),
    "half a seal": (_erase(SEAL + 30, SEAL + 0x4000), _both("seal-well-formed")),
    "no station": (_erase(STATION, SAMPLER), BLANK),
    "no sampler": (_erase(SAMPLER, RECORD), BLANK),
    "no station but its checksum": (_erase(STATION, STATION_CRC), BLANK),
    "zeros for the sampler": (_write(SAMPLER, bytes(0x8000)), BLANK),
    "without its first KiB": (_erase(STATION, STATION + 0x400), BLANK),
    "cut in the station": (_erase(STATION + 0x800, END), BLANK),
    "cut before the sampler": (_erase(SAMPLER, END), BLANK),
    "cut in the sampler": (_erase(SAMPLER + 0x600, END), _both("record-sound")),
    "cut in the record": (_erase(RECORD + 0x80, END), _both("record-sound")),
    "cut before the record": (_erase(RECORD, END), _both("record-sound")),
    "programmed in part, up to the station": (_dumped(_erase(STATION + 0x800, END)), BLANK),
    "programmed in part, without the sampler": (_dumped(_erase(SAMPLER, END)), BLANK),
    "programmed in part, without the record": (_dumped(_erase(RECORD, END)), _both("record-sound")),
    "erased": (_all(0xFF), ORDER),
    "zeros": (_all(0x00), ORDER),
    "protected against reading": (_all(0xEE), ORDER),
    "moved by 4": (_moved(4), ORDER),
    "moved by 4 KiB": (_moved(0x1000), ORDER),
    "moved before flash": (_moved(-0x200), ORDER),
    "moved out of flash": (_moved(0x100_0000), ORDER),
    "at an alias": (_moved(-STATION), ORDER),
    "halfwords swapped": (_reversed(2), ORDER),
    "words swapped": (_reversed(4), ORDER),
    "line ends converted": (_as_text, ORDER),
    "line ends as CR": (
        _by_all(lambda data: data.replace(b"\n", b"\r")),
        ("image-bytes-in-order", "record-sound"),
    ),
    "blanks for tabs": (_by_all(lambda data: data.replace(b"\t", b" " * 8)), ORDER),
    "without NUL": (_by_all(lambda data: data.replace(b"\0", b"")), ORDER),
    "every second byte": (_by_all(lambda data: data[::2]), ORDER),
    "every other second byte": (_by_all(lambda data: data[1::2]), ORDER),
    "halves of bytes swapped": (
        _by_all(lambda data: bytes(value >> 4 | (value & 15) << 4 for value in data)),
        ORDER,
    ),
    "a data line at 1": (_by_all(lambda data: bytes(value | 8 for value in data)), LINE),
    "a data line at 0": (_by_all(lambda data: bytes(value & 0xEF for value in data)), LINE),
    "an address line at 0": (_by_all(_address_line(8, 0)), LINE),
    "an address line at 1": (_by_all(_address_line(6, 1)), LINE),
    "two lines at 0": (_by_all(lambda data: bytes(value & 0xED for value in data)), LINE),
    "parts exchanged": (_halves_exchanged, ORDER),
}
"""What is done to a sealed image, and the one error that is found with the builds and without."""

ALIAS = ("start = 0x1000_0000\n", "start = 0x1000_0000\naliases = [0x0000_0000]\n")
LAYOUTS_OF_IMAGES = {"at an alias": (ALIAS,)}
"""What the layout of an image has other than the gauge's."""


@pytest.mark.parametrize("case", IMAGES)
@pytest.mark.parametrize("given", [True, False], ids=["builds", "alone"])
def test_one_fault_of_an_image_is_one_error(case: str, given: bool) -> None:
    """All else is not checked for that cause, and names it."""
    edit, rules = IMAGES[case]
    changes = LAYOUTS_OF_IMAGES.get(case, ())
    image = _sealed(*changes).copy()
    edit(image)
    rule = rules[0 if given else 1]
    given_builds = _builds() if given else {}
    trusting = Receiver(trusts_keys=True)
    subject = Inspection(_read(*changes), image, given_builds, trusted=(KEY.public_key,), receiver=trusting)
    result = check(subject, TODAY)
    assert _errors(result) == {rule: 1}
    assert not result.passes
    follows = {
        need.name
        for each in result.results
        for missing in each.not_checked
        if "follows from" in missing.reason
        for need in missing.needs
    }
    lines = [line for _, finding in result.open_findings("error") for line in finding.lines]
    assert follows in ({rule}, set())
    assert bool(follows) == any(line.startswith(("leads to ", "also: ")) for line in lines)


@pytest.mark.parametrize("given", [True, False], ids=["builds", "alone"])
@pytest.mark.parametrize("span", [Span.from_bounds(STATION, SAMPLER), Span.from_bounds(SAMPLER, RECORD)])
def test_one_build_at_an_alias_is_one_error(span: Span, given: bool) -> None:
    """The record and the other build are where they should be: what is missing follows from where the bytes are."""
    image = _sealed(ALIAS).copy()
    data = image.read(span, 0xFF)
    image.erase(span)
    image.write(span.start - STATION, data)
    builds = _builds() if given else {}
    assert _errors(check(Inspection(_read(ALIAS), image, builds), TODAY)) == {"image-inside-memories": 1}


def test_a_wrong_key_is_one_error() -> None:
    """That the signer does not count, too few do and nothing is verified is one cause."""
    subject = Inspection(gauge(), _sealed(), {}, trusted=(other_key(9).public_key,))
    assert _errors(check(subject, TODAY)) == {"seal-by-trusted-key": 1}


LAYOUTS: dict[str, tuple[tuple[tuple[str, str], ...], Errors]] = {
    "fewer interrupts": ((("interrupts = 124", "interrupts = 16"),), {}),
    "more interrupts": (
        (('interrupts = 124\nram = ["sampler-ram"]', 'interrupts = 200\nram = ["sampler-ram"]'),),
        {"vector-table-complete": 1},
    ),
    "the shared area elsewhere": (
        (
            (
                'offset = "64 KiB"\nsize = "4 KiB"\npurpose = "shared"',
                'offset = "72 KiB"\nsize = "4 KiB"\npurpose = "shared"',
            ),
        ),
        {"contract-symbols-agree": 1},
    ),
    "the shared area too small": (
        (('size = "4 KiB"\npurpose = "shared"', 'size = 16\npurpose = "shared"'),),
        {"contract-symbols-agree": 1},
    ),
    "less RAM for the sampler": (
        (
            (
                'offset = "32 KiB"\nsize = "32 KiB"\npurpose = "data"',
                'offset = "32 KiB"\nsize = 256\npurpose = "data"',
            ),
        ),
        {"ram-claims-in-own-areas": 1},
    ),
    "RAM at another address": (
        (("start = 0x3800_0000", "start = 0x3000_0000"),),
        {"ram-claims-in-own-areas": 2},
    ),
    "another symbol that releases": (
        (('symbol = "sampler_start_address"', 'symbol = "image_length"'),),
        {"boot-constant-agrees": 1},
    ),
    "larger erase blocks": (
        (('erase_block = "4 KiB"', 'erase_block = "64 KiB"'),),
        {"erase-blocks-apart": 1},
    ),
}
"""What is other in the layout that the builds are joined with, and the errors: one, or one for each build."""


@pytest.mark.parametrize("case", LAYOUTS)
def test_one_fault_of_a_layout_is_one_error(case: str) -> None:
    """The image is joined with the faulty layout; an image of the right one is found to have another layout."""
    changes, errors = LAYOUTS[case]
    read = _read(*changes)
    assert _errors(check(Inspection(read, join(read, _builds()).image, _builds()), TODAY)) == errors
    for builds in (_builds(), {}):
        found = _errors(check(Inspection(read, _sealed(), builds, trusted=(KEY.public_key,)), TODAY))
        assert found == {"record-of-this-layout": 1}


@pytest.mark.parametrize(
    ("files", "errors"),
    [
        ({"sampler": "sampler-misplaced"}, {"vector-table-not-blank": 1}),
        ({"sampler": "sampler-wide-enums"}, {"contract-types-agree": 1}),
    ],
    ids=["linked elsewhere in its area", "other enumerations"],
)
def test_one_fault_of_a_build_is_one_error(files: dict[str, str], errors: Errors) -> None:
    """Joined with it; and of an image without it that it is another build."""
    builds = _builds(**files)
    assert _errors(check(Inspection(gauge(), join(gauge(), builds).image, builds), TODAY)) == errors
    assert _errors(check(Inspection(gauge(), _sealed(), builds), TODAY)) == {"build-ids-equal": 1}


def _of_another_project(build: Build, distance: int = 0, profile: str = "M") -> Build:
    """A build without a build id, linked ``distance`` bytes further, whose attributes name that profile."""
    assert build.attributes
    values = {**build.attributes.values, 7: ord(profile)}
    moved = tuple(
        replace(each, load_address=each.load_address + distance, run_address=each.run_address + distance)
        for each in build.segments
    )
    attributes = replace(build.attributes, values=values)
    return replace(build, build_id=None, segments=moved, attributes=attributes)


@pytest.mark.parametrize("core", ["station", "sampler"])
@pytest.mark.parametrize("profile", ["A", "R"])
@pytest.mark.parametrize("distance", [0, 0x6000_0000])
def test_a_file_for_another_kind_of_processor_is_one_error(core: str, profile: str, distance: int) -> None:
    """Wherever it is linked, all that is found of it follows from what it is made for."""
    builds = {**_builds(), core: _of_another_project(_builds()[core], distance, profile)}
    assert _errors(check(Inspection(gauge(), _sealed(), builds), TODAY)) == {
        "build-architecture-fits-core": 1
    }


def test_another_build_without_an_id_is_one_error() -> None:
    """The record vouches for the image's bytes, so that what is found of the build follows from its being another."""
    builds = {**_builds(), "sampler": _of_another_project(_builds(sampler="sampler-wide-enums")["sampler"])}
    assert _errors(check(Inspection(gauge(), _sealed(), builds), TODAY)) == {"image-equals-builds": 1}
    elsewhere = {**_builds(), "sampler": _of_another_project(_builds()["sampler"], 0x6000_0000)}
    assert _errors(check(Inspection(gauge(), _sealed(), elsewhere), TODAY)) == {"load-addresses-in-flash": 1}


def test_another_build_explains_nothing_in_changed_bytes() -> None:
    """Where the record does not vouch for the bytes, the types of what was given may be those of the device."""
    builds = {**_builds(), "sampler": _of_another_project(_builds(sampler="sampler-wide-enums")["sampler"])}
    image = _sealed().copy()
    _flip(STATION + 0x800)(image)
    assert "contract-types-agree" in _errors(check(Inspection(gauge(), image, builds), TODAY))


def test_a_wrong_loader_explains_nothing_of_the_application_on_its_core() -> None:
    """The loader has the name of its core, which findings about the application name too."""
    changes = (
        *WITH_LOADER,
        ('build = "app", symbol = "sampler_start', 'build = "app", symbol = "sampler_stop'),
    )
    read, builds = layout_of("v7", *changes), builds_of("v7", "station-app")
    image = join(layout_of("v7", *WITH_LOADER), builds).image
    builds["station"] = _of_another_project(builds["station"], profile="A")
    errors = _errors(check(Inspection(read, image, builds), TODAY))
    assert errors["build-architecture-fits-core"] == 1
    assert errors["boot-constant-agrees"] >= 1


def test_a_build_for_ram_in_flash_is_one_error() -> None:
    """A sampler that is linked for where another layout copies it to: it would start in RAM that holds nothing."""
    builds = {**_builds(), "sampler": gauge_builds("copied")["sampler"]}
    found = _errors(check(Inspection(gauge(), join(gauge(), builds).image, builds), TODAY))
    assert found == {"reset-handler-in-code": 1}


def test_a_consequence_stays_where_its_cause_is_waived() -> None:
    """Where the layout waives one cause, or makes it a note, all that it led to is found and fails the check."""
    image = _sealed().copy()
    _flip(STATION + 0x800)(image)
    waived = _read(
        (
            "[record]",
            '[rules]\nwaive = [{ rule = "image-equals-builds", where = "station", reason = "a test", '
            "until = 2099-12-31 }]\n\n[record]",
        )
    )
    lowered = _read(
        (
            "[record]",
            '[rules]\nseverity = [{ rule = "image-equals-builds", severity = "note", reason = "a test" }]\n\n'
            "[record]",
        )
    )
    for read in (waived, lowered):
        result = check(Inspection(read, image, _builds()), TODAY)
        assert not result.passes
        assert "record-digests-match" in _errors(result)

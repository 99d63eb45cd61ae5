"""Every byte of a small image, changed one at a time: `check` finds each, with the builds and without.

The device is the small one in 2,816 bytes of flash, so that every byte of it can be tried:

    station-code 512 | sampler-code 512 | spare 256 (reserved) | record 768 | seal 256 | no area 512
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import pytest
from small_device import CODE, FLASH, TODAY, build, joined, layout, sampler_elf, station_elf

from gemel.builds.build import Build
from gemel.checking.registry import all_rules
from gemel.checking.rule import Rule
from gemel.checking.runner import check
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.spans import Span

SAMPLER = FLASH + 0x200
SEAL = Span(FLASH + 0x800, 0x100)
FLASH_SPAN = Span(FLASH, 0xB00)
READ = layout(
    {
        'size = "16 KiB"\nerase_block = "1 KiB"': "size = 0xB00\nerase_block = 0x100",
        'offset = 0, size = "4 KiB", purpose = "code"': 'offset = 0, size = 0x200, purpose = "code"',
        'offset = "4 KiB", size = "4 KiB", purpose = "code"': (
            'offset = 0x200, size = 0x200, purpose = "code"'
        ),
        'offset = "8 KiB", size = "2 KiB", purpose = "reserved"': (
            'offset = 0x400, size = 0x100, purpose = "reserved"'
        ),
        'offset = "10 KiB", size = "1 KiB", purpose = "record"': (
            'offset = 0x500, size = 0x300, purpose = "record"'
        ),
        'offset = "11 KiB", size = "1 KiB", purpose = "seal"': (
            'offset = 0x800, size = 0x100, purpose = "seal"'
        ),
        "interrupts = 16": "interrupts = 0",
        "0xFFC": "0x1FC",
    }
)
BUILDS = {
    "station": build("station", station_elf(interrupts=0, code=CODE[:61], boot_constant=SAMPLER)),
    "sampler": build("sampler", sampler_elf(interrupts=0, code=CODE[:64], base=SAMPLER)),
}
QUICK = ("rest-digest-matches", "record-digests-match", "record-sound", "reserved-areas-untouched")
"""The rules that find most, asked first; any rule of severity error that is broken fails a check."""


def _rules() -> list[Rule]:
    rules = [rule for rule in all_rules() if rule.severity == "error"]
    return sorted(rules, key=lambda rule: QUICK.index(rule.name) if rule.name in QUICK else len(QUICK))


def _finds(image: SparseBytes, handed: Mapping[str, Build], rules: list[Rule]) -> bool:
    """Whether any of the rules, asked one after the other, has an open finding of severity error."""
    subject = Inspection(READ, image, handed)
    return any(check(subject, TODAY, [rule]).open_findings("error") for rule in rules)


def _changes(image: SparseBytes) -> Iterator[tuple[int, SparseBytes]]:
    """Each address of flash with the image in which its byte is another; three other values for each."""
    for address in range(FLASH_SPAN.start, FLASH_SPAN.end):
        place = Span(address, 1)
        held = image.holds(place)
        (byte,) = image.read(place, 0xFF)
        for other in {byte ^ 0xFF, (byte + 1) & 0xFF, byte ^ 0x10}:
            image.write(address, bytes((other,)))
            yield address, image
            if held:
                image.write(address, bytes((byte,)))
            else:
                image.erase(place)


@pytest.fixture(scope="module")
def image() -> SparseBytes:
    """The joined image, which passes with the builds and without."""
    made = joined(READ, BUILDS).image
    assert check(Inspection(READ, made, BUILDS), TODAY).passes
    assert check(Inspection(READ, made, {}), TODAY).passes
    return made


@pytest.mark.parametrize("handed", [BUILDS, {}], ids=["with the builds", "with image and layout alone"])
def test_every_changed_byte_of_flash_is_found(image: SparseBytes, handed: dict[str, Build]) -> None:
    """Any byte of flash, held or not, changed to three other values, fails the check.

    This layout has an area of purpose seal and no ``[seal]``, so that area is covered like all other flash.
    """
    before = image.copy()
    rules = _rules()
    missed = {address for address, changed in _changes(image) if not _finds(changed, handed, rules)}
    assert missed == set()
    assert image == before


def test_the_whole_check_fails_for_every_held_byte(image: SparseBytes) -> None:
    """With all rules applied a changed byte fails the check, and none of them stumbles over it.

    What explains a wrong checksum takes as long as all rules, and is looked for at each fourth byte.
    """
    for span in image.spans():
        for address in range(span.start, span.end):
            (byte,) = image.read(Span(address, 1), None)
            image.write(address, bytes((byte ^ 0xFF,)))
            builds = BUILDS if address % 4 == 0 else {}
            result = check(Inspection(READ, image, builds, explains=address % 8 < 2), TODAY)
            image.write(address, bytes((byte,)))
            assert not result.passes, hex(address)


def test_every_byte_that_is_taken_away_is_found(image: SparseBytes) -> None:
    """A byte that is lost, unless it was the erased byte, fails the check of the image alone."""
    rules = _rules()
    missed = set()
    for span in image.spans():
        for address in range(span.start, span.end):
            (byte,) = image.read(Span(address, 1), None)
            image.erase(Span(address, 1))
            if _finds(image, {}, rules) != (byte != 0xFF):
                missed.add(address)
            image.write(address, bytes((byte,)))
    assert missed == set()

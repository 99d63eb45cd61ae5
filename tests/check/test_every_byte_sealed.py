"""Every byte of a small sealed image, changed one at a time, also inside the seal and its area.

What finds it has the image, the layout and the trusted keys, and no builds; and of the rules only those that
the seal rests on: the record's digests, the record, the seal, and areas that the image must leave alone.

    station-code 512 | sampler-code 512 | spare 256 (reserved) | record 768 | seal 256 | no area 512
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st
from seal_keys import key_for, other_key
from small_device import CODE, FLASH, TODAY, build, joined, layout_text, sampler_elf, station_elf

from gemel.checking.registry import rule_named
from gemel.checking.rule import Rule
from gemel.checking.runner import check
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.layout.reader import ReadLayout, read_layout
from gemel.seals.demands import seal_faults
from gemel.seals.keys.keys import PrivateKey
from gemel.seals.sealing import seal
from gemel.spans import Span

SAMPLER, SEAL = FLASH + 0x200, Span(FLASH + 0x800, 0x100)
FLASH_SPAN = Span(FLASH, 0xB00)
AREAS = {
    'size = "16 KiB"\nerase_block = "1 KiB"': "size = 0xB00\nerase_block = 0x100",
    'offset = 0, size = "4 KiB", purpose = "code"': 'offset = 0, size = 0x200, purpose = "code"',
    'offset = "4 KiB", size = "4 KiB", purpose = "code"': 'offset = 0x200, size = 0x200, purpose = "code"',
    'offset = "8 KiB", size = "2 KiB"': "offset = 0x400, size = 0x100",
    'offset = "10 KiB", size = "1 KiB"': "offset = 0x500, size = 0x300",
    'offset = "11 KiB", size = "1 KiB"': "offset = 0x800, size = 0x100",
    "interrupts = 16": "interrupts = 0",
    "0xFFC": "0x1FC",
}
BINDING = (
    "seal-well-formed",
    "seal-present",
    "seal-over-this-record",
    "seal-by-trusted-key",
    "seal-algorithm-allowed",
    "seal-signers-sufficient",
    "record-sound",
    "record-digests-match",
    "rest-digest-matches",
    "reserved-areas-untouched",
)
"""What the claim rests on; not a rule among them looks at what the code or the tables say."""

SLOW = "seal-over-this-record"
"""Looks for the one bit that a broken signature is off by; without it the count of good signers tells."""

KEYS = {"Ed25519": key_for("Ed25519"), "ECDSA-P256": key_for("ECDSA-P256")}


def small_layout(keys: str = "required = true\n") -> ReadLayout:
    """The device in 2,816 bytes of flash, with a seal."""
    text = layout_text(AREAS, f'\n[seal]\narea = "seal"\n{keys}')
    return read_layout(text.encode(), "small.toml", [seal_faults])


READ = small_layout()


def sealed_image(*signers: PrivateKey) -> SparseBytes:
    """The joined image, sealed."""
    builds = {
        "station": build("station", station_elf(interrupts=0, code=CODE[:61], boot_constant=SAMPLER)),
        "sampler": build("sampler", sampler_elf(interrupts=0, code=CODE[:64], base=SAMPLER)),
    }
    image = joined(READ, builds).image
    seal(READ.layout, image, signers)
    return image


def binding_rules() -> list[Rule]:
    """The rules of BINDING."""
    rules = [rule_named(name) for name in BINDING]
    return [rule for rule in rules if rule]


def passes(image: SparseBytes, *trusted: PrivateKey) -> bool:
    """Whether the rules of BINDING pass for one who trusts these keys."""
    inspection = Inspection(READ, image, trusted=tuple(key.public_key for key in trusted))
    return all(check(inspection, TODAY, rules).passes for rules in (QUICK, [*RULES]))


RULES = binding_rules()
QUICK = [rule for rule in RULES if rule.name != SLOW]
ED25519 = KEYS["Ed25519"]
WHOLE = sealed_image(ED25519)


def test_all_the_rules_that_the_claim_rests_on_are_there() -> None:
    """None of their names is out of date, and each is an error when it is broken."""
    assert [rule.name for rule in RULES] == list(BINDING)
    assert {rule.severity for rule in RULES} == {"error"}


def single_changes(image: SparseBytes) -> Iterator[int]:
    """Each address of flash, while ``image`` holds another byte there."""
    for address in range(FLASH_SPAN.start, FLASH_SPAN.end):
        place = Span(address, 1)
        held = image.holds(place)
        (byte,) = image.read(place, 0xFF)
        image.write(address, bytes((byte ^ (0xFF if address % 2 else 1 << address % 7),)))
        yield address
        if held:
            image.write(address, bytes((byte,)))
        else:
            image.erase(place)


@pytest.mark.parametrize("name", KEYS)
def test_every_single_changed_byte_of_flash_is_found(name: str) -> None:
    """Any byte of flash, in builds, record, seal or where nothing is, changed alone, fails the check."""
    key = KEYS[name]
    image = sealed_image(key)
    before = image.copy()
    assert passes(image, key)
    missed = [hex(address) for address in single_changes(image) if passes(image, key)]
    assert missed == []
    assert image == before
    assert passes(image, key)


def test_every_single_byte_that_is_taken_away_is_found() -> None:
    """A byte that an image lost reads as erased: found unless that is what it was."""
    image = WHOLE.copy()
    missed = []
    for span in WHOLE.spans():
        for address in range(span.start, span.end):
            (byte,) = WHOLE.read(Span(address, 1), None)
            image.erase(Span(address, 1))
            if passes(image, ED25519) != (byte == 0xFF):
                missed.append(hex(address))
            image.write(address, bytes((byte,)))
    assert missed == []


def test_every_flipped_bit_of_the_seals_area_is_found() -> None:
    """Each bit of the seal and of the erased bytes behind it, flipped alone, fails the check."""
    image = WHOLE.copy()
    rules = [rule for rule in QUICK if rule.name.startswith("seal-")]
    trusted = (ED25519.public_key,)
    for address in range(SEAL.start, SEAL.end):
        (byte,) = WHOLE.read(Span(address, 1), 0xFF)
        for bit in range(8):
            image.write(address, bytes((byte ^ 1 << bit,)))
            assert not check(Inspection(READ, image, trusted=trusted), TODAY, rules).passes, (
                hex(address),
                bit,
            )
        image.write(address, bytes((byte,)))


@given(
    st.lists(
        st.tuples(st.integers(0, FLASH_SPAN.size - 1), st.binary(min_size=1, max_size=40)),
        min_size=1,
        max_size=4,
    )
)
def test_whatever_is_written_over_it_is_found_unless_it_says_the_same(edits: list[tuple[int, bytes]]) -> None:
    """Any few runs of other bytes anywhere in flash fail the check; the same bytes written again do not."""
    image = WHOLE.copy()
    for offset, data in edits:
        image.write(FLASH + offset, data[: FLASH_SPAN.size - offset])
    same = image.read(FLASH_SPAN, 0xFF) == WHOLE.read(FLASH_SPAN, 0xFF)
    assert passes(image, ED25519) == same


@given(
    st.lists(
        st.sampled_from([ED25519, KEYS["ECDSA-P256"], other_key(1), other_key(2)]), max_size=4, unique=True
    )
)
def test_who_trusts_none_of_the_signers_never_passes(trusted: list[PrivateKey]) -> None:
    """Of all sets of trusted keys, those with the signer's pass and the others do not."""
    assert passes(WHOLE, *trusted) == (ED25519 in trusted)

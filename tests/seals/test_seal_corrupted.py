"""Corrupted seals: any flipped bit is refused, and all else ends in a SealError or a bad verdict."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from records import tide_gauge_record
from seal_keys import key_for, other_key, sign_all
from seconds import within

from gemel.record import record
from gemel.seals.cose import MAX_SIGNERS
from gemel.seals.seal import Seal, SealError, read_seal, verify

RECORD = record.encode(tide_gauge_record())
SIGNERS = [key_for("Ed25519"), key_for("ECDSA-P256"), other_key(1)]
TRUSTED = [each.public_key for each in SIGNERS]
SEAL = sign_all(RECORD, SIGNERS)
ROOM = 64


def all_good(area: bytes, record_bytes: bytes = RECORD) -> bool:
    """Whether the area is read as a seal of exactly the three signers, all of them good."""
    try:
        verdicts = verify(read_seal(area, 0xFF, "area seal"), record_bytes, TRUSTED)
    except SealError:
        return False
    return len(verdicts) == len(SIGNERS) and all(verdict.good for verdict in verdicts)


def test_the_sound_seal_is_good() -> None:
    """The seal that the tests below damage is good before."""
    assert all_good(SEAL + b"\xff" * ROOM)


def test_every_flipped_bit_of_a_seal_is_refused() -> None:
    """Each of the bits of the area, seal and erased rest, flipped alone, is found."""
    area = SEAL + b"\xff" * 8
    for place in range(len(area)):
        for bit in range(8):
            changed = bytearray(area)
            changed[place] ^= 1 << bit
            assert not all_good(bytes(changed)), (place, bit)


@pytest.mark.parametrize("name", ["RSA-3072-PSS", "RSA-4096-PSS", "ECDSA-P384", "ML-DSA-65", "ML-DSA-87"])
def test_flipped_bits_of_the_larger_seals_are_refused(name: str) -> None:
    """One bit of each byte, for the large ones of every 7th, of a seal by each other algorithm is found."""
    key = key_for(name)
    seal = sign_all(RECORD, [key])
    for place in [*range(100), *range(100, len(seal), 7), len(seal) - 1]:
        if place >= len(seal):
            continue
        changed = bytearray(seal)
        changed[place] ^= 1 << place % 8
        try:
            verdicts = verify(read_seal(bytes(changed), 0xFF, "area seal"), RECORD, [key.public_key])
        except SealError:
            continue
        assert not any(verdict.good for verdict in verdicts), place


def test_every_changed_byte_of_the_record_is_found() -> None:
    """Each byte of the record, changed alone, breaks every signature."""
    seal = read_seal(SEAL, 0xFF, "area seal")
    for place in range(len(RECORD)):
        changed = RECORD[:place] + bytes([RECORD[place] ^ 0xFF]) + RECORD[place + 1 :]
        assert not any(verdict.good for verdict in verify(seal, changed, TRUSTED)), place


def test_every_cut_is_refused() -> None:
    """A seal cut to any length, filled up with erased bytes or not, is refused."""
    for size in range(len(SEAL)):
        assert not all_good(SEAL[:size])
        assert not all_good(SEAL[:size].ljust(len(SEAL) + ROOM, b"\xff"))


EDITS = st.lists(
    st.tuples(
        st.integers(0, len(SEAL)),
        st.integers(0, 40),
        st.one_of(
            st.binary(max_size=40),
            st.sampled_from(
                [
                    b"\x5f",
                    b"\x9f\xff",
                    b"\xbf\xff",
                    b"\x5b" + b"\xff" * 8,
                    b"\x9b" + b"\xff" * 8,
                    b"\x81" * 60,
                ]
            ),
        ),
    ),
    min_size=1,
    max_size=4,
)


@settings(max_examples=400)
@given(EDITS)
def test_edited_seals_are_refused_in_bounded_time(edits: list[tuple[int, int, bytes]]) -> None:
    """Pieces cut out and others put in, huge lengths and nesting among them: never good unless unchanged."""
    area = SEAL
    for place, cut, put in edits:
        area = area[:place] + put + area[place + cut :]
    with within(0.5):
        good = all_good(area)
    assert not good or area[: len(SEAL)] == SEAL


@settings(max_examples=400)
@given(st.binary(max_size=400))
def test_any_bytes_are_refused(area: bytes) -> None:
    """Any bytes at all, bare or behind a seal's own start, end in a SealError or in a bad verdict."""
    assert not all_good(area)
    for start in (3, 37, 39, 60, 82, 146):
        assert not all_good(SEAL[:start] + area)


def test_a_large_area_takes_little_time() -> None:
    """A seal in an area of 16 MiB, and 16 MiB that are none, take less than a second each."""
    for area in (SEAL + b"\xff" * (16 << 20), b"\xd8\x62\x84" + bytes(16 << 20), b"\xff" * (16 << 20)):
        with within(0.5):
            all_good(area)


def test_the_most_signers_take_bounded_time() -> None:
    """A hostile seal of the most signers, all naming the slowest trusted key, is judged in under a second."""
    key = key_for("RSA-4096-PSS")
    one = read_seal(sign_all(RECORD, [key]), 0xFF, "area seal").signers[0]

    with within(1):
        verdicts = verify(Seal((one,) * MAX_SIGNERS, 0), RECORD, [key.public_key])
    assert all(verdict.good for verdict in verdicts)

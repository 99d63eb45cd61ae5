"""Whether code holds floating-point instructions, asked without going through its functions."""

from __future__ import annotations

import random
import struct

from hypothesis import given
from hypothesis import strategies as st

from gemel.inspection.code.first_float import _is_float, holds_float
from gemel.m_profile.instructions.halfwords import instructions

VADD = (0xEE30, 0x0A20)
BL_BACKWARDS = (0xF7FF, 0xFFFE)
LDR_LITERAL = 0x4B01
HALFWORDS = struct.unpack(
    ">22H",
    bytes.fromhex(
        "0000 0A00 4770 4A00 4B01 8B04 BF00 E7FE E8BD EA4F EB00"
        "EC20 ED2D EE30 EEB0 F000 F7FF FA00 FB01 FC20 FE00 FFFE"
    ),
)


def code_of(*halfwords: int) -> bytes:
    """Halfwords as they are stored."""
    return struct.pack(f"<{len(halfwords)}H", *halfwords)


@given(st.lists(st.sampled_from(HALFWORDS), max_size=40))
def test_nothing_is_passed_over(halfwords: list[int]):
    """Where reading instruction by instruction finds one there is one, and where it finds none at all, none."""
    code = code_of(*halfwords)
    read = list(instructions(code))
    if any(_is_float(first, second) for _, first, second in read):
        assert holds_float(code)
    lookalikes = [first & 0xEC00 == 0xEC00 and second & 0x0E00 == 0x0A00 for _, first, second in read]
    cut = len(halfwords) > 0 and (not read or read[-1][0] + (4 if read[-1][1] >= 0xE800 else 2) < len(code))
    assert holds_float(code) == any(lookalikes) or cut


def test_second_halves_of_calls_are_none():
    """The end of a call backwards and a load of r2 or r3 after it look like one, at any distance from the start."""
    for before in range(4):
        plain = (0xBF00,) * before + (*BL_BACKWARDS, LDR_LITERAL) * 20
        assert not holds_float(code_of(*plain))
        assert holds_float(code_of(*plain, *VADD))
        assert holds_float(code_of(*VADD, *plain))


def test_words_that_all_look_like_one_take_no_longer():
    """A MiB in which each second halfword may begin one, and none does: each is looked at once (0.3 s, else hours)."""
    hostile = code_of(0xF000, *(0xFC00, 0xFA00) * 262_144)
    assert not holds_float(hostile)


def test_random_bytes_hold_one():
    assert holds_float(random.Random(7).randbytes(4096))

"""The sieve walks code as a disassembler does and finds what the table calls lacking, and nothing else."""

from __future__ import annotations

import random

import capstone
import pytest
from gauge_builds import ARRANGEMENTS, gauge_builds
from hypothesis import given
from hypothesis import strategies as st

from gemel.builds.mapped_code import mapped_code
from gemel.layout.model import Core
from gemel.m_profile.capabilities import lacking
from gemel.m_profile.instructions.instruction_table import WIDE
from gemel.m_profile.instructions.sieve import Sieve, Unfit

CORES = [
    ("armv6-m", ()),
    ("armv8-m.base", ("security",)),
    ("armv7e-m", ()),
    ("armv8-m.main", ()),
    ("armv8.1-m.main", ("mve-fp", "fp-double", "security")),
]
NOP = b"\x00\xbf"


def _sieve(architecture: str, extensions: tuple[str, ...] = ()) -> Sieve:
    core = Core(name="core", role="primary", architecture=architecture, extensions=extensions, interrupts=0)
    return Sieve(lacking(core.architecture, core.extensions))


def _walked(sieve: Sieve, code: bytes) -> list[Unfit]:
    """The same as ``sieve.unfit``, halfword by halfword and without anything clever."""
    found, at = [], 0
    while at + 2 <= len(code):
        size = 4 if code[at + 1] >> 3 in (0b11101, 0b11110, 0b11111) else 2
        if at + size > len(code):
            break
        encoding = sieve.of(code[at : at + size])
        if encoding:
            found.append(Unfit(at, size, encoding))
        at += size
    return found


@pytest.mark.parametrize(("architecture", "extensions"), CORES)
@given(halves=st.lists(st.integers(0, 0xFFFF) | st.integers(0xE800, 0xFFFF), max_size=60))
def test_any_stream_is_walked_halfword_by_halfword(
    architecture: str, extensions: tuple[str, ...], halves: list[int]
) -> None:
    """On any bytes the one-pass search finds what a plain walk finds."""
    code = b"".join(half.to_bytes(2, "little") for half in halves)
    sieve = _sieve(architecture, extensions)
    assert list(sieve.unfit(code)) == _walked(sieve, code)


@pytest.mark.parametrize(("architecture", "extensions"), CORES)
def test_every_encoding_of_the_table_is_looked_at(architecture: str, extensions: tuple[str, ...]) -> None:
    """Each entry of the table, with 40 values of its free bits each, is found where it is lacking, and only there."""
    choose = random.Random(11)
    words = [
        each.value | choose.getrandbits(32) & ~each.mask & 0xFFFF_FFFF for each in WIDE for _ in range(40)
    ]
    code = b"".join(
        (word >> 16).to_bytes(2, "little") + (word & 0xFFFF).to_bytes(2, "little") for word in words
    )
    sieve = _sieve(architecture, extensions)
    assert list(sieve.unfit(code)) == _walked(sieve, code)


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
@pytest.mark.parametrize("name", ["station", "sampler"])
def test_code_is_cut_into_instructions_as_capstone_does(arrangement: str, name: str) -> None:
    """In real code every instruction that capstone sees is looked at, and none that it does not see.

    Armv6-M lacks nearly every 32-bit instruction, so its sieve marks where such instructions stand: all of
    capstone's that the sieve lacks when asked for them one by one.
    """
    disassembler = capstone.Cs(
        capstone.CS_ARCH_ARM, capstone.CS_MODE_THUMB | capstone.CS_MODE_MCLASS | capstone.CS_MODE_V8
    )
    disassembler.skipdata = True
    sieve = _sieve("armv6-m")
    code = mapped_code(gauge_builds(arrangement)[name])
    assert code is not None
    seen = 0
    for section in code.sections:
        found = {(each.offset, each.size) for each in sieve.unfit(section.code)}
        expected = set()
        for instruction in disassembler.disasm(section.code, 0):
            seen += 1
            if instruction.id and sieve.of(bytes(instruction.bytes)):
                expected.add((instruction.address, instruction.size))
        assert found == expected
    assert seen > 100


def test_nothing_follows_a_cut_instruction() -> None:
    """Half a 32-bit instruction at the end is passed over, empty code gives nothing."""
    sieve = _sieve("armv6-m")
    assert list(sieve.unfit(b"")) == []
    assert list(sieve.unfit(NOP + b"\x90\xed")) == []


def test_a_second_half_is_never_taken_for_an_instruction() -> None:
    """BL's second halfword may read like the first of a float instruction (F8xx to FFxx) and is none."""
    call = bytes.fromhex("fff7feff")
    assert list(_sieve("armv8-m.main").unfit(call * 3 + NOP)) == []
    found = list(_sieve("armv8-m.main").unfit(call + bytes.fromhex("90ed000a") + call))
    assert [(each.offset, each.size) for each in found] == [(4, 4)]


def test_a_core_with_everything_lacks_only_what_no_core_has() -> None:
    """On random words only instructions of other profiles are found for the largest core."""
    code = random.Random(7).randbytes(1 << 16)
    found = {each.encoding.needs for each in _sieve(*CORES[-1]).unfit(code)}
    assert found == {("nobody",)}
    smaller = {each.encoding.needs[0] for each in _sieve("armv8-m.main").unfit(code)}
    assert {"fp", "fp-double", "dsp", "mve", "nobody"} <= smaller

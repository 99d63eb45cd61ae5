"""Every engine against check values, residues, independent libraries and a CRC written bit by bit."""

from __future__ import annotations

import binascii
import sys
import zlib

import pytest
from crc_reference import bitwise_crc, residue
from crccheck.crc import ALLCRCCLASSES
from hypothesis import given, settings
from hypothesis import strategies as st

from gemel.checksums import crc_engine
from gemel.checksums.crc_catalogue import CrcParameters, catalogue, find, parameter_problems
from gemel.checksums.crc_engine import crc, is_compiled, table_crc

CHECK_MESSAGE = b"123456789"


def parameters_named(name: str) -> CrcParameters:
    entry = find(name)
    assert entry is not None
    return entry.parameters


@st.composite
def any_parameters(draw: st.DrawFn) -> CrcParameters:
    width = draw(st.integers(1, 64))
    values = st.integers(0, (1 << width) - 1)
    parameters = CrcParameters(
        width, draw(values) | 1, draw(values), draw(st.booleans()), draw(st.booleans()), draw(values)
    )
    assert not parameter_problems(parameters)
    return parameters


def reference(p: CrcParameters, message: bytes) -> int:
    return bitwise_crc(p.width, p.poly, p.init, p.refin, p.refout, p.xorout, message)


@pytest.mark.parametrize("name", catalogue())
@pytest.mark.parametrize("engine", [crc, table_crc])
def test_check_value(engine, name: str) -> None:
    """Each engine gives the published check value of each algorithm over the nine ASCII digits."""
    entry = catalogue()[name]
    assert engine(entry.parameters, [CHECK_MESSAGE]) == entry.check
    assert engine(entry.parameters, [b"", b"1234", b"", b"5678", b"9", b""]) == entry.check


@pytest.mark.parametrize("name", catalogue())
def test_residue(name: str) -> None:
    """A message with its CRC leaves the residue that follows from the parameters."""
    entry = catalogue()[name]
    p = entry.parameters
    if p.width % 8 == 0 and p.refin == p.refout:
        code = entry.check.to_bytes(p.width // 8, "little" if p.refout else "big")
        assert crc(p, [CHECK_MESSAGE, code]) == residue(p) ^ p.xorout


def test_residue_of_crc32_as_a_complete_run() -> None:
    """CRC-32 over four zero bytes, a message of none with its CRC, is 0x2144DF1C (catalogue's residue)."""
    p = parameters_named("CRC-32")
    assert residue(p) == 0xDEBB20E3
    assert crc(p, [bytes(4)]) == 0xDEBB20E3 ^ 0xFFFFFFFF == 0x2144DF1C


@given(any_parameters(), st.binary(max_size=40))
@settings(max_examples=300, deadline=None)
def test_any_parameters_agree_with_the_definition(p: CrcParameters, message: bytes) -> None:
    """Any width, reflections, start value and inversion: both engines equal division bit by bit."""
    expected = reference(p, message)
    assert crc(p, [message]) == expected
    assert table_crc(p, [message]) == expected


@given(any_parameters(), st.lists(st.binary(max_size=90), max_size=6))
@settings(max_examples=200, deadline=None)
def test_the_cuts_between_blocks_do_not_matter(p: CrcParameters, blocks: list[bytes]) -> None:
    """Any split of the message, empty blocks included, gives what the whole gives."""
    assert crc(p, blocks) == crc(p, [b"".join(blocks)]) == table_crc(p, blocks)


@given(st.binary(max_size=2000), st.integers(0, 2000))
@settings(deadline=None)
def test_against_the_interpreters_own_crcs(message: bytes, cut: int) -> None:
    """CRC-32 equals zlib, and the unreflected 16-bit one equals binascii.crc_hqx."""
    blocks = [message[:cut], memoryview(message)[cut:]]
    assert crc(parameters_named("CRC-32"), blocks) == zlib.crc32(message)
    assert crc(parameters_named("CRC-16/XMODEM"), blocks) == binascii.crc_hqx(message, 0)


@pytest.mark.parametrize("cls", [cls for cls in ALLCRCCLASSES if cls._names and find(cls._names[0])])
def test_against_crccheck_over_more_than_the_check_message(cls) -> None:
    """A longer message, with runs of 0x00 and 0xFF, gives the same with the package crccheck."""
    message = bytes(range(256)) + bytes(70) + b"\xff" * 70 + CHECK_MESSAGE
    assert crc(parameters_named(cls._names[0]), [message]) == cls.calc(message)


@pytest.mark.parametrize("kind", [bytes, bytearray, memoryview])
@pytest.mark.parametrize("name", ["CRC-32", "CRC-32C", "CRC-5/USB"])
def test_every_kind_of_block(kind, name: str) -> None:
    """Bytes, bytearrays and memoryviews are all taken."""
    p = parameters_named(name)
    assert crc(p, [kind(CHECK_MESSAGE)]) == table_crc(p, [kind(CHECK_MESSAGE)]) == find(name).check


def test_compiled_code_is_used_where_it_is_installed() -> None:
    """With anycrc installed no algorithm of the catalogue falls back to Python."""
    assert all(is_compiled(entry.parameters) for entry in catalogue().values())


@pytest.fixture
def fresh_engines():
    crc_engine._engine.cache_clear()
    yield
    crc_engine._engine.cache_clear()


@pytest.mark.usefixtures("fresh_engines")
def test_without_anycrc_the_table_takes_over(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where anycrc cannot be imported, results are the same, and CRC-32 is still compiled code."""
    monkeypatch.setitem(sys.modules, "anycrc", None)
    castagnoli = parameters_named("CRC-32C")
    assert crc(castagnoli, [CHECK_MESSAGE]) == 0xE3069283
    assert not is_compiled(castagnoli)
    assert is_compiled(parameters_named("CRC-32"))


@pytest.mark.usefixtures("fresh_engines")
def test_a_library_that_computes_wrongly_is_not_used(monkeypatch: pytest.MonkeyPatch) -> None:
    """If anycrc's result over the sample is not the table's, the table is used."""

    class Wrong:
        def __init__(self, *parameters: object) -> None:
            pass

        def calc(self, data: bytes, value: int = 0) -> int:
            return value ^ len(data)

    monkeypatch.setattr("anycrc.CRC", Wrong)
    assert crc(parameters_named("CRC-32C"), [CHECK_MESSAGE]) == 0xE3069283

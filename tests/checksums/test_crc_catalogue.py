"""The catalogue's rows against two independent tables, its names, and the check of free parameters."""

from __future__ import annotations

import re

import anycrc
import pytest
from crc_reference import residue
from crccheck.crc import ALLCRCCLASSES

from gemel.checksums.crc_catalogue import (
    CrcParameters,
    all_names,
    catalogue,
    find,
    meant_by,
    name_of,
    parameter_problems,
    reversed_bits,
)

CRCCHECK = {cls._names[0]: cls for cls in ALLCRCCLASSES if any("/" in name for name in cls._names)}
"""Source: the table of the package crccheck, which follows the parametrised CRC catalogue."""


def plain(name: str) -> str:
    return re.sub("[^a-z0-9]", "", name.lower())


ANYCRC = {plain(name): model for name, model in anycrc.models.items()}
"""Source: the table of the package anycrc, likewise."""


@pytest.mark.parametrize("name", catalogue())
def test_a_row_is_the_same_in_both_independent_tables(name: str) -> None:
    """Parameters, check value and residue of every row equal the tables of crccheck and anycrc."""
    entry = catalogue()[name]
    p = entry.parameters
    ours = (p.width, p.poly, p.init, p.refin, p.refout, p.xorout)
    other = CRCCHECK[name]
    assert ours == (
        other.width(),
        other.poly(),
        other.initvalue(),
        other.reflect_input(),
        other.reflect_output(),
        other.xor_output(),
    )
    assert (entry.check, residue(p)) == (other._check_result, other.residue())
    assert (*ours, entry.check) == tuple(ANYCRC[plain(name)])


def test_nothing_but_nine_rows_is_left_out() -> None:
    """Of the catalogue, one algorithm wider than 64 bits and eight of single products are not ours."""
    assert len(set(CRCCHECK) - set(catalogue())) == 9
    assert len(catalogue()) >= 100
    assert max(entry.parameters.width for entry in catalogue().values()) == 64


def test_no_two_names_are_read_alike() -> None:
    """Every name and alias, without case and punctuation, means one algorithm."""
    names = all_names()
    assert len({plain(name) for name in names}) == len(names)
    for name in names:
        entry = find(name)
        assert entry is not None
        assert name in (entry.name, *entry.aliases)


@pytest.mark.parametrize("name", [name for names in [all_names()] for name in names if find(name).aliases])
def test_aliases_are_those_of_the_catalogue(name: str) -> None:
    """Where crccheck's table knows an alias, it means the same algorithm as here."""
    known = {alias: cls._names[0] for cls in CRCCHECK.values() for alias in cls._names}
    entry = find(name)
    assert entry is not None
    assert known.get(name, entry.name) == entry.name


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("CRC-32", "CRC-32/ISO-HDLC"),
        ("crc32", "CRC-32/ISO-HDLC"),
        ("CRC-32C", "CRC-32/ISCSI"),
        ("crc_32_c", "CRC-32/ISCSI"),
        ("AAL5", "CRC-32/BZIP2"),
        ("CRC-32Q", "CRC-32/AIXM"),
        ("CRC-16/CCITT-FALSE", "CRC-16/IBM-3740"),
        ("CCITT-FALSE", "CRC-16/IBM-3740"),
        ("X-25", "CRC-16/IBM-SDLC"),
        ("CRC-16/CCITT-TRUE", "CRC-16/KERMIT"),
        ("AUG-CCITT", "CRC-16/SPI-FUJITSU"),
        ("MODBUS", "CRC-16/MODBUS"),
        ("  CRC-64/XZ ", "CRC-64/XZ"),
    ],
)
def test_names_as_the_trade_writes_them(written: str, meant: str) -> None:
    """Aliases and careless spelling lead to the catalogue's algorithm (common practice)."""
    entry = find(written)
    assert entry is not None
    assert entry.name == meant


@pytest.mark.parametrize(
    ("written", "first", "others"),
    [
        ("CRC-16/CCITT", "CRC-16/KERMIT", {"CRC-16/IBM-3740", "CRC-16/XMODEM", "CRC-16/SPI-FUJITSU"}),
        ("CRC16-CCITT", "CRC-16/KERMIT", {"CRC-16/IBM-3740", "CRC-16/XMODEM", "CRC-16/SPI-FUJITSU"}),
        ("CRC-CCITT", "CRC-16/KERMIT", {"CRC-16/IBM-3740", "CRC-16/XMODEM", "CRC-16/SPI-FUJITSU"}),
        ("crc16", "CRC-16/ARC", {"CRC-16/MODBUS"}),
        ("CRC-8", "CRC-8/SMBUS", {"CRC-8/MAXIM-DOW", "CRC-8/SAE-J1850"}),
        ("CRC-64", "CRC-64/ECMA-182", {"CRC-64/XZ"}),
    ],
)
def test_names_that_several_go_by(written: str, first: str, others: set[str]) -> None:
    """Such a name means none by itself; what crccheck's table takes it for comes first of all it may mean."""
    assert find(written) is None
    candidates = meant_by(written)
    assert candidates[0] == first
    assert others < set(candidates) <= set(catalogue())
    known = {plain(alias): cls._names[0] for cls in CRCCHECK.values() for alias in cls._names}
    assert known.get(plain(written), first) == first
    assert written not in all_names()


@pytest.mark.parametrize("name", ["", "CRC", "CRC-32/NONE", "sum-32", "CRC-33"])
def test_unknown_names_are_not_found(name: str) -> None:
    """A name that the catalogue does not hold gives nothing, not something near."""
    assert find(name) is None


def test_parameters_lead_back_to_their_name() -> None:
    """No two rows have the same parameters, and each leads to its own name; others have none."""
    for entry in catalogue().values():
        assert name_of(entry.parameters) == entry.name
    assert name_of(CrcParameters(32, 0x04C11DB7, 1, False, False, 0)) is None


def test_rows_are_sound_parameters() -> None:
    """The check of free parameters finds nothing wrong with any algorithm of the catalogue."""
    for entry in catalogue().values():
        assert parameter_problems(entry.parameters) == []


@pytest.mark.parametrize("width", [0, -1, 65, 1 << 70])
def test_a_width_out_of_range_is_refused(width: int) -> None:
    """Widths that no engine computes are named with what is expected."""
    (problem,) = parameter_problems(CrcParameters(width, 1, 0, False, False, 0), "layout.toml:7")
    assert str(problem) == (
        f"layout.toml:7: width of a CRC out of range; found {width} bits; expected 1 to 64 bits"
    )


def test_every_fault_of_the_parameters_is_reported() -> None:
    """Values that do not fit are all named at once, with the one that they were probably meant to be."""
    problems = parameter_problems(CrcParameters(32, 0x104C11DB7, 1 << 32, True, True, -1))
    assert [str(problem) for problem in problems] == [
        "poly does not fit in 32 bits; found 0x104C11DB7; expected 0 to 0xFFFFFFFF; "
        "leave out the top term: 0x4C11DB7",
        "init does not fit in 32 bits; found 0x100000000; expected 0 to 0xFFFFFFFF",
        "xorout does not fit in 32 bits; found -0x1; expected 0 to 0xFFFFFFFF",
    ]


def test_a_polynomial_in_the_other_notation_is_recognised() -> None:
    """0xEDB88320 is the polynomial of CRC-32 written least significant bit first, and is refused so."""
    (problem,) = parameter_problems(CrcParameters(32, 0xEDB88320, 0, True, True, 0))
    assert problem.next_step == "if it is written least significant bit first, write 0x4C11DB7"


def test_reversed_bits_of_a_width() -> None:
    """Bits are reversed in the width asked for, leading zeros included."""
    assert reversed_bits(0x04C11DB7, 32) == 0xEDB88320
    assert reversed_bits(1, 3) == 4
    assert reversed_bits(0, 64) == 0

"""The kinds of value a key takes: what is just inside and just outside of each, and how it is told."""

from __future__ import annotations

import datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from layout import toml_values

from gemel.errors import nearest_hint
from gemel.layout.kinds import (
    INVALID,
    VENDOR,
    Address,
    Always,
    Choice,
    Day,
    Flag,
    Integer,
    LayoutFault,
    Size,
    Text,
    ValueType,
    VersionText,
    in_toml_words,
)
from gemel.layout.model import NAME, PLACE, RANGE, AreaPlace, AreaRange, BuildRange, SpanRange, SymbolPlace
from gemel.layout.tables import Either, ListOf, MapOf, dotted
from gemel.text.escaping import in_toml

TAKEN: list[tuple[ValueType, Any, Any]] = [
    (Integer(2, 6), 2, 2),
    (Integer(2, 6), 6, 6),
    (Address(), 0, 0),
    (Address(), 0xFFFF_FFFF, 0xFFFF_FFFF),
    (Size(), 1, 1),
    (Size(), 1 << 32, 1 << 32),
    (Size(0), 0, 0),
    (Size(), "1 B", 1),
    (Size(), "4KiB", 4096),
    (Size(), " 4  KiB ", 4096),
    (Size(), "1_024 KiB", 1 << 20),
    (Size(), "3 MiB", 3 << 20),
    (Size(), "4 GiB", 1 << 32),
    (Flag(), False, False),
    (Always(1), 1, 1),
    (Always(True), True, True),
    (Text(4), "abcd", "abcd"),
    (Text(4), "\u00e9\u00e9", "\u00e9\u00e9"),
    (Text(4, ""), "a\r\n\0", "a\r\n\0"),
    *(
        (VENDOR, name, name)
        for name in (
            "example.com",
            "harbour",
            "my_lab.example",
            "hafen-gr\u00f6\u00dfe.example",
            "deadbeef-deadbeef.example",
            "3com.example",
            "6ba7b810-9dad-11d1-80b4-00c04fd430c8",
            "urn:uuid:6BA7B810-9DAD-11D1-80B4-00C04FD430C8",
            "{6ba7b8109dad11d180b400c04fd430c8}",
        )
    ),
    (VersionText(), "0.0.0", "0.0.0"),
    (VersionText(), "65535.65535.4294967295", "65535.65535.4294967295"),
    (Choice("flash", "ram"), "ram", "ram"),
    (Day(), datetime.date(2027, 6, 30), datetime.date(2027, 6, 30)),
    (ListOf(Integer(0, 1), 2), [0, 1], (0, 1)),
    (ListOf(Integer(0, 1), 2), [], ()),
    (MapOf(Integer(0, 1), 2), {"a": 0, "b-2_C": 1}, {"a": 0, "b-2_C": 1}),
    (MapOf(Integer(0, 1), 1), {"a" * 23: 0}, {"a" * 23: 0}),
    (NAME, "9-lives", "9-lives"),
    (PLACE, 0x1000, 0x1000),
    (PLACE, {"build": "a", "symbol": "b"}, SymbolPlace(build="a", symbol="b")),
    (PLACE, {"area": "a", "offset": "4 B"}, AreaPlace(area="a", offset=4)),
    (RANGE, "code", "code"),
    (RANGE, {"start": 16, "size": 4}, SpanRange(start=16, size=4)),
    (RANGE, {"area": "a"}, AreaRange(area="a")),
    (RANGE, {"build": "a"}, BuildRange(build="a")),
    (Either(Integer(0, 9), Flag()), True, True),
]

WRONG = "value of the wrong kind"
REFUSED: list[tuple[ValueType, Any, str, str]] = [
    (Integer(2, 6), 1, "number out of range", "1"),
    (Integer(2, 6), 7, "number out of range", "7"),
    (Integer(0, 6), True, WRONG, "true"),
    (Integer(0, 6), 1.0, WRONG, "1.0"),
    (Integer(0, 6), "1", WRONG, '"1"'),
    (Address(), -1, "number out of range", "-1"),
    (Address(), 1 << 32, "number out of range", "4294967296 (0x1_0000_0000)"),
    (Address(), 10**4400, "number out of range", "a number of 14,617 bits"),
    (Size(), 0, "size out of range", "0"),
    (Size(), "0 KiB", "size out of range", '"0 KiB"'),
    (Size(), (1 << 32) + 1, "size out of range", "4294967297 (0x1_0000_0001)"),
    (Size(), "5 GiB", "size out of range", '"5 GiB"'),
    (Size(), "4 kB", WRONG, '"4 kB"'),
    (Size(), "4 kib", WRONG, '"4 kib"'),
    (Size(), "-4 KiB", WRONG, '"-4 KiB"'),
    (Size(), "1.5 KiB", WRONG, '"1.5 KiB"'),
    (Size(), "4096", WRONG, '"4096"'),
    (Size(), "\uff14 KiB", WRONG, '"\uff14 KiB"'),
    (Size(), "9" * 17 + " B", WRONG, '"99999999999999999 B"'),
    (Size(), True, WRONG, "true"),
    (Flag(), 1, WRONG, "1"),
    (Flag(), "true", WRONG, '"true"'),
    (Always(1), 2, WRONG, "2"),
    (Always(1), True, WRONG, "true"),
    (Always(1), 1.0, WRONG, "1.0"),
    (Always(True), 1, WRONG, "1"),
    (Text(4), "", "text of the wrong length", '""'),
    (Text(4), "abcde", "text of the wrong length", '"abcde"'),
    (Text(4), "\u00e9\u00e9a", "text of the wrong length", '"\u00e9\u00e9a"'),
    (Text(4), "a\n", "text of the wrong form", '"a\\u000A"'),
    (Text(4), "\x1b[m", "text of the wrong form", '"\\u001B[m"'),
    (Text(4), 4, WRONG, "4"),
    *(
        (VENDOR, name, "text of the wrong form", f'"{name}"')
        for name in (
            "Example Ltd",
            "https://example.com",
            "mail@example.com",
            "b27b4530-b22b-536a-b150-1b793f47134",
            "b27b4530-b22b-536a-b150-1b793f47134e0",
            "{b27b4530b22b536ab1501b793f47134e0}",
        )
    ),
    (VersionText(), "1.2", "text of the wrong form", '"1.2"'),
    (VersionText(), "1.2.3-rc1", "text of the wrong form", '"1.2.3-rc1"'),
    (VersionText(), "1.2.\u0663", "text of the wrong form", '"1.2.\u0663"'),
    (VersionText(), "65536.0.0", "version out of range", '"65536.0.0"'),
    (VersionText(), "0.0.4294967296", "version out of range", '"0.0.4294967296"'),
    (VersionText(), 1.2, WRONG, "1.2"),
    (Choice("flash", "ram"), "Flash", "unknown value", '"Flash"'),
    (Choice("flash", "ram"), 1, "unknown value", "1"),
    (Day(), "2027-06-30", WRONG, '"2027-06-30"'),
    (Day(), datetime.datetime(2027, 6, 30, 7, 32), WRONG, "2027-06-30 07:32:00"),
    (Day(), datetime.time(7, 32), WRONG, "07:32:00"),
    (ListOf(Integer(0, 1), 2), [0, 1, 0], "too many entries", "3"),
    (ListOf(Integer(0, 1), 2), 0, WRONG, "0"),
    (MapOf(Integer(0, 1), 2), dict.fromkeys("abc", 0), "too many entries", "3"),
    (MapOf(Integer(0, 1), 2), [1], WRONG, "a list of 1"),
    (MapOf(Integer(0, 1), 2), {"a" * 24: 0}, "name of the wrong form", f'"{"a" * 24}"'),
    (MapOf(Integer(0, 1), 2), {"-a": 0}, "name of the wrong form", '"-a"'),
    (MapOf(Integer(0, 1), 2), {"": 0}, "name of the wrong form", '""'),
    (NAME, "a b", "text of the wrong form", '"a b"'),
    (NAME, "a\n", "text of the wrong form", '"a\\u000A"'),
    (PLACE, 1 << 32, "number out of range", "4294967296 (0x1_0000_0000)"),
    (PLACE, "station-code", WRONG, '"station-code"'),
    (PLACE, {"area": "a", "ofset": 4}, "unknown key", "ofset"),
    (PLACE, {"symbol": "b"}, "missing key", "nothing"),
    (RANGE, 16, WRONG, "16"),
    (RANGE, {"start": 16}, "missing key", "nothing"),
    (RANGE, {}, "missing key", "nothing"),
    (Either(Integer(0, 9), Flag()), "x", WRONG, '"x"'),
    (Either(Integer(0, 9), Flag()), {"a": 1}, WRONG, "a table with a"),
]


def named(value: object) -> str:
    """A name for a parameter that does not change from run to run."""
    if isinstance(value, ValueType):
        return type(value).__name__
    return hex(value)[:20] if isinstance(value, int) else ascii(value)[:40]


def read(kind: ValueType, value: object) -> tuple[Any, list[LayoutFault]]:
    """What a kind makes of a value at the path ``key``, and its faults."""
    faults: list[LayoutFault] = []
    return kind.read(value, ("key",), faults.append), faults


@pytest.mark.parametrize(("kind", "value", "expected"), TAKEN, ids=named)
def test_values_just_inside_are_taken(kind: ValueType, value: object, expected: object) -> None:
    """Each kind takes its limits, and reads them as the model's value, without a fault."""
    result, faults = read(kind, value)
    assert faults == []
    assert result == expected
    assert type(result) is type(expected)


@pytest.mark.parametrize(("kind", "value", "what", "found"), REFUSED, ids=named)
def test_values_just_outside_are_refused(kind: ValueType, value: object, what: str, found: str) -> None:
    """Each kind refuses what is next to its limits, saying what it found and what it expects."""
    _, faults = read(kind, value)
    assert [(fault.what, fault.found) for fault in faults] == [(what, found)]
    assert faults[0].path[0] == "key"
    assert faults[0].expected


@given(st.sampled_from([kind for kind, *_ in TAKEN]), toml_values.VALUES)
def test_a_kind_takes_a_value_or_reports_it(kind: ValueType, value: object) -> None:
    """Whatever TOML holds, a kind gives a value without faults or faults, and never raises."""
    result, faults = read(kind, value)
    assert faults or result is not INVALID
    for fault in faults:
        assert fault.found.isprintable()
        assert len(fault.found) < 300


def test_messages_show_no_control_characters_and_no_long_text() -> None:
    """Text from the file is escaped as TOML does and cut short, so that it cannot steer a terminal."""
    assert in_toml("a\x1b[31mb\u202e\U000e0001") == "a\\u001B[31mb\\u202E\\U000E0001"
    assert in_toml("x" * 61) == "x" * 57 + "..."
    assert in_toml_words({f"key-{index}": 1 for index in range(9)}) == (
        "a table with key-0, key-1, key-2, key-3, key-4, key-5, ..."
    )
    assert in_toml_words({}) == "a table with no keys"


def test_what_is_to_be_written_is_whole() -> None:
    """The step for one entry without its brackets can be pasted: it is not cut as what was found is."""
    value = "kiln/" * 20 + "pub.pem"
    result, (fault,) = read(ListOf(Text(200), 4), value)
    assert result is INVALID
    assert fault.next_step.endswith(f'= ["{value}"]')
    assert fault.found.endswith('..."')


@pytest.mark.parametrize(
    ("path", "expected"),
    [
        (("checksum", 0, "at", "area"), "checksum[0].at.area"),
        (("memory", "a b", "size"), 'memory."a b".size'),
        (("\x1b",), '"\\u001B"'),
        ((), ""),
    ],
)
def test_paths_are_written_as_toml_writes_them(path: Any, expected: str) -> None:
    """Positions stand in brackets, names that are not bare keys in quotes."""
    assert dotted(path) == expected


def test_the_nearest_word_is_offered_only_when_near() -> None:
    """A typing error gets its word; a stranger, or a text without end, gets none."""
    assert nearest_hint("writ_unit", ["write_unit", "erase_block"]) == 'did you mean "write_unit"?'
    assert nearest_hint("colour", ["write_unit", "erase_block"]) == ""
    assert nearest_hint("write_unit" * 9, ["write_unit" * 10]) == ""


def test_what_a_word_is_the_beginning_of_comes_first() -> None:
    """Half a word gets the words it begins, unless these are many; half a letter gets none."""
    known = ["armv7-m", "armv8-m.base", "armv8-m.main", "armv8.1-m.main"]
    assert nearest_hint("armv8-m", known) == 'did you mean "armv8-m.base" or "armv8-m.main"?'
    assert nearest_hint("Armv8-M.m", known) == 'did you mean "armv8-m.main"?'
    assert nearest_hint("armv", known) == 'did you mean "armv7-m"?'
    assert nearest_hint("arm", ["armv8-m.main"]) == ""

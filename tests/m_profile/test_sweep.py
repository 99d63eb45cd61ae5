"""Sweeping what the vectors do not lead to: the code is found, and little of the data is taken for it."""

from __future__ import annotations

import random
import struct
from itertools import accumulate

import pytest
from hypothesis import given
from hypothesis import strategies as st
from real_code import code_segment, cut, library_program, mapped_instructions

from gemel.m_profile.code import sweep
from gemel.m_profile.code.flow import EFFORT, Flow
from gemel.m_profile.code.sweep import TEXT_SHARE, TEXT_SIZE, Sweep
from gemel.spans import Span

START = 0x0800_0000
DATA = bytes.fromhex("ffff ffff 0100 0000")
"""Half-words that no routine holds."""


def _code(*parts: bytes | str) -> bytes:
    """Parts one after the other: bytes, or instructions in hexadecimal as they lie in memory."""
    return b"".join(part if isinstance(part, bytes) else bytes.fromhex(part) for part in parts)


def _swept(code: bytes, *entries: int, beyond: tuple[Span, ...] = ()) -> list[tuple[int, bool]]:
    """The first offset of each routine that a sweep finds, and whether it stands alone."""
    flow = Flow(code, START)
    flow.follow(START + entry for entry in entries)
    return sorted((each.runs[0].first, each.alone) for each in Sweep(flow, beyond).run())


@pytest.mark.parametrize("march", ["armv6-m", "armv7-m", "armv8-m.base", "armv8-m.main+fp"])
def test_a_whole_library_is_found(march: str) -> None:
    """Of a mathematical library linked whole, with its tables of constants, 98.5 % of the code is found.

    The mapping symbols (AAELF32, "Mapping symbols") tell what is code. Under 1 instruction in 100 is data.
    """
    build = library_program(march, whole_of="m")
    segment, sizes = code_segment(build), mapped_instructions(build)
    flow = Flow(segment.data, segment.run_address)
    flow.follow(word for word in struct.unpack_from("<2I", segment.data)[1:])
    followed = sum(run.end - run.first for run in flow.reached())
    Sweep(flow).run()
    found = cut(segment.data, flow.reached())
    right = sum(size for at, size in found.items() if sizes.get(at) == size)
    assert followed < 0.8 * sum(sizes.values())
    assert right > 0.985 * sum(sizes.values())
    assert sum(sizes.get(at) != size for at, size in found.items()) * 100 < len(found)


def test_where_words_point_to_code_is_found() -> None:
    """A routine that only a word in the data points to, as a callback in a table, is found."""
    code = _code(DATA, struct.pack("<I", START + 17), DATA[:4], "401c 7047", DATA)
    assert _swept(code) == [(16, False)]


def test_a_word_that_leads_into_a_branch_is_a_number() -> None:
    """Where code is at low addresses any small number is one: the second half of a call begins no routine."""
    calls = _code("0900 0000", "10b5", "00f0 cefb", "049b", "10bd", DATA * 0xF3, "7047", DATA)
    assert calls[10 + 0x79C :].startswith(b"\x70\x47")
    flow = Flow(calls, 0)
    flow.follow(())
    found = sorted(each.runs[0].first for each in Sweep(flow).run())
    assert 4 in found
    assert 8 not in found


WORDS = [
    "level",
    "pressure",
    "sensor",
    "tide",
    "gauge",
    "link",
    "frame",
    "channel",
    "sample",
    "rate",
    "station",
]
WORDS += [
    "harbour",
    "wind",
    "speed",
    "buoy",
    "chain",
    "lamp",
    "alarm",
    "reset",
    "count",
    "total",
    "mean",
    "limit",
]


@pytest.mark.parametrize("seed", range(4))
def test_names_that_words_point_to_are_no_code(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """A pool of names, each after a hash and its length, half of them at odd addresses as handlers have them."""
    source = random.Random(seed)
    names = ["_".join(source.choices(WORDS, k=source.randint(1, 3))).encode() for _ in range(1200)]
    entries = [bytes((source.randrange(256), len(name))) + name + b"\0" for name in names]
    places = accumulate(map(len, entries[:-1]), initial=START + 4 * len(names))
    code = struct.pack(f"<{len(names)}I", *places) + b"".join(entries)

    def bytes_of_code() -> int:
        flow = Flow(code, START)
        flow.follow(())
        return sum(run.end - run.first for each in Sweep(flow).run() for run in each.runs)

    assert bytes_of_code() <= 64
    monkeypatch.setattr(sweep, "TEXT_SHARE", 1.1)
    assert bytes_of_code() > 300


@pytest.mark.parametrize(("letters", "taken"), [(15, True), (16, False)])
def test_code_may_have_some_letters(letters: int, taken: bool) -> None:
    """LDR r5, [r4, #4] reads as two letters: of 32 bytes 15 in words may be code, of 16 it is text."""
    body = "6568 " * (letters // 2) + ("6530 " if letters % 2 else "") + "8030 " * (14 - (letters + 1) // 2)
    assert len(bytes.fromhex(f"10b5 {body} 10bd")) == TEXT_SIZE
    assert 15 < TEXT_SHARE * TEXT_SIZE <= 16
    assert _swept(_code(DATA, f"10b5 {body} 10bd", DATA)) == ([(8, False)] if taken else [])


def test_where_registers_are_pushed_code_is_found() -> None:
    """What begins with a push of the return address is tried, in both its forms."""
    code = _code(DATA, "10b5 10bd", DATA, "2de9f041 bde8f081", DATA)
    assert _swept(code) == [(8, False), (20, False)]


def test_what_is_pushed_must_be_popped() -> None:
    """A push whose registers no return pops is no sign of code by itself, as it comes about by chance."""
    code = _code(DATA, "10b5 401c 7047", DATA, "30b5 30bd", DATA)
    assert _swept(code) == [(8, True), (22, False)]


def test_literals_of_a_routine_are_none_of_its_code() -> None:
    """Behind a call that never returns, the literals that another branch of the routine loads are data."""
    # 0: push {r4, lr}  2: cbz r0, 10  4: ldr r0, [pc, #8] -> 16  6: pop {r4, pc}  8: nop  10: bl 20
    # 14: nop  16: the literal, VMOV s0, r0  20: pop {r4, pc}
    code = _code("10b5 10b1 0248 10bd 00bf 00f003f8 00bf 00ee100a 10bd", DATA)
    flow = Flow(code, START)
    Sweep(flow).run()
    assert 16 not in cut(code, flow.reached())
    assert {0, 4, 10} <= set(cut(code, flow.reached()))


def test_behind_code_code_is_found() -> None:
    """A leaf routine behind code, behind its literals and a filled halfword, is found."""
    code = _code("0048 7047", "12345678", "00bf", "401c 7047", DATA)
    assert _swept(code, 0) == [(10, False)]


def test_routines_that_stand_alone_are_said_to() -> None:
    """What only reads as code, with nothing that leads there, is found and marked."""
    code = _code(DATA, "401c 7047", DATA)
    assert _swept(code) == [(8, True)]


@pytest.mark.parametrize(
    ("what", "code"),
    [
        ("runs into data", "10b5 401c"),
        ("branches out of the build", "10b5 00f000b9 10bd"),
        ("branches into the middle of an instruction", "10b5 00d0 4ff00000 10bd"),
        ("calls far outside", "10b5 fff7fefb 10bd"),
        ("loads a literal from beyond", "10b5 ff48 10bd"),
        ("holds a halfword that is none", "10b5 00b8 10bd"),
        ("is for a coprocessor that no such core has", "10b5 10ee100c 10bd"),
    ],
)
def test_what_does_not_hold_together_is_none(what: str, code: str) -> None:
    """A push with the return address alone makes no routine: what follows must hold together."""
    assert (0, False) not in _swept(_code(code, DATA)), what


def test_what_goes_wrong_behind_a_call_ends_with_it() -> None:
    """A call may never return, so what lies behind it need be no code."""
    code = _code("10b5 00f002f8", DATA[:4], "7047", DATA)
    flow = Flow(code, START)
    (routine, called) = Sweep(flow).run()
    assert routine.runs == [(0, 6)]
    assert called.runs == [(10, 12)]


def test_calls_may_lead_to_other_code_of_the_core() -> None:
    """A call out of the bytes counts as sound where the core has code there."""
    code = _code("10b5 00f07ef8 10bd", DATA)
    assert (0, False) not in _swept(code)
    beyond = (Span(START + 0x100, 16),)
    assert (0, False) in _swept(code, beyond=beyond)


def test_what_leads_to_data_is_refused_up_to_there_only() -> None:
    """Bytes that read as a branch to nowhere do not take the routine behind them with them."""
    code = _code(DATA, "401c fed1 00d0 ffff 401c 7047", DATA)
    assert (16, True) in _swept(code)


@pytest.mark.parametrize(
    "unit",
    [
        "00d0 0046",
        "7fd0 3fd0 c046",
        "c046 fed0 f0e7",
        "dfe810f0 0102 0304 00d0",
        "10b5 dfe810f0",
        "fff7fefb",
        "00487047",
    ],
)
def test_bytes_made_to_lead_in_circles_cost_no_more_than_others(unit: str) -> None:
    """What is spent on any bytes is bounded by their number: the sweep ends, or is given up and says so."""
    code = bytes.fromhex(unit) * 4_000 + b"\xff\xff"
    flow = Flow(code, START)
    Sweep(flow).run()
    assert flow.effort > -len(code)


def test_a_sweep_that_costs_too_much_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the effort is spent, the sweep stops and what is left of it is below 0."""
    monkeypatch.setattr("gemel.m_profile.code.flow.EFFORT", 0)
    monkeypatch.setattr("gemel.m_profile.code.flow.FREE_EFFORT", 0)
    flow = Flow(_code("10b5 10bd 10b5 10bd", DATA), START)
    assert len(Sweep(flow).run()) == 1
    assert flow.effort < 0


@given(st.binary(max_size=600), st.integers(0, 600))
def test_any_bytes_end(code: bytes, entry: int) -> None:
    """Whatever the bytes, the sweep ends within its effort, and what it finds lies inside of them."""
    flow = Flow(code, START)
    flow.follow([START + entry])
    routines = Sweep(flow).run()
    assert flow.effort >= -2 * len(code) - 1
    assert EFFORT > 0
    assert all(run.first >= 0 and run.end <= len(code) for each in routines for run in each.runs)


@given(st.lists(st.sampled_from(["10b5", "10bd", "7047", "00d0", "fee7", "00f001f8", "0048", "ffff"])))
def test_no_instruction_belongs_to_two_routines(units: list[str]) -> None:
    """Each instruction is found once, and never where the vectors had led already."""
    code = _code(*units)
    flow = Flow(code, START)
    flow.follow([START])
    known = set(cut(code, flow.reached()))
    for routine in Sweep(flow).run():
        found = set(cut(code, routine.runs))
        assert found
        assert not known & found
        known |= found

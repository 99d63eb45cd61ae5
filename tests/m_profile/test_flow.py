"""Following code from its vectors: what is reached is code, and most of the code is reached."""

from __future__ import annotations

import struct
import subprocess
from pathlib import Path
from random import Random

import pytest
from gauge_builds import ARRANGEMENTS, gauge_builds
from hypothesis import given
from hypothesis import strategies as st
from real_code import code_segment, compiled, cut, library_program, mapped_instructions
from seconds import within
from tools import required_tool

from gemel.builds.build import Build
from gemel.m_profile.code.flow import CASE_ROUTINE_SIZE, CASE_ROUTINES, BranchTable, Flow, runs

START = 0x0800_0100


def _reached(code: bytes, *entries: int) -> list[int]:
    flow = Flow(code, START)
    flow.follow(START + entry for entry in entries or (0,))
    return list(cut(code, flow.reached()))


def _unforeseen(flow: Flow) -> list[int]:
    """The offsets of halfwords that the code reached uses as data and that ``may_be_used`` denies."""
    places = {2 * index for index, used in enumerate(flow.data) if used}
    return sorted(places - flow.may_be_used(places))


def _measured(build: Build, words: int) -> tuple[int, int, int]:
    """Instructions reached that are none, bytes of code reached, and bytes of code, from some vectors."""
    segment = code_segment(build)
    table = struct.unpack_from(f"<{words}I", segment.data)
    flow = Flow(segment.data, segment.run_address)
    flow.follow(word for word in table[1:] if word & 1)
    assert not _unforeseen(flow)
    sizes = mapped_instructions(build)
    reached = cut(segment.data, flow.reached()).items()
    return (
        sum(sizes.get(at) != size for at, size in reached),
        sum(size for at, size in reached if sizes.get(at) == size),
        sum(sizes.values()),
    )


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
@pytest.mark.parametrize("name", ["station", "sampler"])
def test_the_tide_gauge_is_reached_and_its_data_is_not(arrangement: str, name: str) -> None:
    """In both builds of the tide gauge no data is taken for code, and over 97 % of the code is reached."""
    build = gauge_builds(arrangement)[name]
    false, reached, size = _measured(build, 16 if arrangement == "two-banks" else 16 + 124)
    assert false == 0
    assert reached > 0.97 * size


@pytest.mark.parametrize("march", ["armv6-m", "armv7-m", "armv8-m.base", "armv8-m.main+fp"])
def test_a_c_library_is_followed_without_taking_data_for_code(march: str) -> None:
    """A program with formatted output, floating point and jump tables: under 1 in 5,000 reached is data."""
    false, reached, size = _measured(library_program(march), 2)
    assert size > 10_000
    assert false * 5000 < reached
    assert reached > 0.5 * size


CASES = "".join(f"case {number}: return one({number * 7} + b);\n" for number in range(9))
FAR_CASES = "".join(
    f"case {number}: {'one(b); ' * (200 if number < 2 else 1)} return b + {number};\n" for number in range(9)
)


@pytest.mark.parametrize("march", ["armv6-m", "armv8-m.base", "armv8-m.main"])
@pytest.mark.parametrize("cases", [CASES, FAR_CASES], ids=["near", "far"])
def test_every_case_of_a_switch_is_reached(cases: str, march: str) -> None:
    """Tables of branches, in the code or behind a call of the compiler's own routine, are followed whole."""
    source = (
        "volatile int io; __attribute__((noinline)) int one(int b) { return io + b; }\n"
        f"int reset(void) {{ int b = io; switch (io) {{\n{cases}}} return 0; }}\n"
        '__attribute__((section(".vectors"), used)) const void *const vectors[2] = {(void *)4, reset};\n'
    )
    options = ("-mfloat-abi=soft", "-Os", "-nostdlib", "-lgcc", "-Wl,-e,reset,--no-warn-rwx-segments")
    build = compiled(source, march, *options)
    false, reached, size = _measured(build, 2)
    assert (false, reached) == (0, size - _padding(build))


def _padding(build: Build) -> int:
    """Bytes of NOP that a compiler puts behind the last instruction before a literal."""
    data = code_segment(build).data
    return sum(
        size
        for at, size in mapped_instructions(build).items()
        if data[at : at + 2] in (b"\x00\xbf", b"\xc0\x46", b"\x00\x00")
    )


def test_the_routines_for_a_case_are_those_of_the_compiler() -> None:
    """What is taken for such a routine begins like each of them in the compiler's library."""
    names = ["uqi", "sqi", "uhi", "shi", "si"]
    calls = "".join(f"extern char __gnu_thumb1_case_{name}[];" for name in names)
    table = ",".join(f"__gnu_thumb1_case_{name}" for name in names)
    source = f'{calls} __attribute__((section(".vectors"), used)) const void *const vectors[5] = {{{table}}};'
    options = ("-mfloat-abi=soft", "-nostdlib", "-lgcc", "-Wl,-e,0,--no-warn-rwx-segments")
    segment = code_segment(compiled(source, "armv6-m", *options))
    offsets = [(word & ~1) - segment.run_address for word in struct.unpack_from("<5I", segment.data)]
    begun = [segment.data[at : at + CASE_ROUTINE_SIZE] for at in offsets]
    assert [CASE_ROUTINES[each] for each in begun] == [
        BranchTable(1, False, 2),
        BranchTable(1, True, 2),
        BranchTable(2, False, 2),
        BranchTable(2, True, 2),
        BranchTable(4, True, 1),
    ]


def test_instructions_are_told_in_runs() -> None:
    """Instructions without a gap between them come as one run."""
    assert runs([(0, 2), (2, 4), (8, 2)]) == [(0, 6), (8, 10)]
    assert runs([]) == []


def test_calls_branches_and_returns() -> None:
    """Both ways of a branch are followed, a call comes back, a return ends the stream."""
    # 0: cbz r0,8  2: bl 10  6: bx lr  8: b 12  10: bx lr  12: pop {pc}  14: not reached
    code = bytes.fromhex("10b1 00f002f8 7047 00e0 7047 00bd 00bf".replace(" ", ""))
    assert _reached(code) == [0, 2, 6, 8, 10, 12]


def test_conditional_returns_do_not_end_the_stream() -> None:
    """A return inside an IT block may not be taken."""
    code = bytes.fromhex("08bf 7047 00bf 7047 00bf".replace(" ", ""))
    assert _reached(code) == [0, 2, 4, 6]


def test_literals_are_data_even_where_the_stream_runs_into_them() -> None:
    """What the code loads as a literal is no code, as behind a call that never returns."""
    # 0: ldr r0,[pc,#4] -> 8  2: bl 12 (does not return)  6: nop  8: the literal  12: b .
    code = bytes.fromhex("0148 00f003f8 00bf 90ed000a fee7".replace(" ", ""))
    assert 8 not in _reached(code)
    assert _reached(code)[-1] == 12


def test_tables_of_branches_are_followed() -> None:
    """TBB's table is data as far as the nearest of its targets, and each target is reached."""
    # 0: tbb [pc,r0]  4: 01 02  (targets 6 and 8)  6: bx lr  8: bx lr
    code = bytes.fromhex("dfe800f0 0102 7047 7047".replace(" ", ""))
    assert _reached(code) == [0, 6, 8]


@given(st.binary(max_size=400), st.lists(st.integers(0, 400), max_size=4))
def test_any_bytes_end(code: bytes, entries: list[int]) -> None:
    """Whatever the bytes, following them ends, and reaches nothing outside of them."""
    flow = Flow(code, START)
    flow.follow(START + entry for entry in entries)
    assert all(run.first >= 0 and run.end <= len(code) for run in flow.reached())


USERS = (
    "1f48",
    "ff4f",
    "dff8fc0f",
    "5ff80410",
    "9ff8ff2f",
    "dfe9ff01",
    "5fe90201",
    "9fed7f0a",
    "1fed010b",
    "dfe800f0",
)
"""Instructions that use data beside the code, far and near: LDR in both sizes, LDRB, LDRD, VLDR, TBB."""


@given(st.lists(st.sampled_from(USERS) | st.binary(min_size=2, max_size=40).map(bytes.hex), max_size=60))
def test_what_code_may_use_as_data_is_known_without_following_it(parts: list[str]) -> None:
    """Whatever is reached, ``may_be_used`` foresees its data; a handler far from all of it cannot be data."""
    code = bytes.fromhex("".join(parts))
    flow = Flow(code, START)
    flow.follow(START + entry for entry in range(0, len(code), 2))
    assert not _unforeseen(flow)
    assert not Flow(code + bytes(6_000), START).may_be_used([len(code) + 5_000 & ~1])


def test_many_places_among_tables_of_branches_cost_no_more_than_one() -> None:
    """As many handlers as a core can have, each next to 256 branches by tables that are full."""
    code = bytes.fromhex("dfe810f0 00bf 7047") * 100_000
    with within(1):
        places = Flow(code, START).may_be_used(range(2_000, len(code), 1_600))
    assert len(places) == 499


def test_the_distances_of_wide_branches(tmp_path: Path) -> None:
    """BL, B.W and conditional B.W lead where the assembler says, forward and backward."""
    distances = [4, 6, 0x1000, 0xF_FFF0, -4, -0x100, -0xF_FFF0]
    for text, most in (("bl", 1 << 24), ("b.w", 1 << 24), ("beq.w", 1 << 20)):
        for distance in (each for each in distances if abs(each) < most):
            source = tmp_path / "branch.s"
            where = f"start + {0x10_0000 + distance}"
            source.write_text(
                f".syntax unified\n.thumb\nstart: .fill 0x80000, 2, 0x4770\n{text} {where}\n"
                ".fill 0x80000, 2, 0x4770\n"  # bx lr, where a flow ends
            )
            flat = tmp_path / "branch.bin"
            gcc, objcopy = required_tool("arm-none-eabi-gcc"), required_tool("arm-none-eabi-objcopy")
            assembled = tmp_path / "branch.o"
            subprocess.run(
                [gcc, "-march=armv8-m.main", "-c", str(source), "-o", str(assembled)],
                check=True,
            )
            subprocess.run([objcopy, "-O", "binary", str(assembled), str(flat)], check=True)
            code = flat.read_bytes()
            flow = Flow(code, 0)
            flow.follow([0x10_0000])
            assert flow.sizes[(0x10_0000 + distance) // 2], (text, distance)


def test_runs_are_found_at_once_as_one_by_one() -> None:
    """Any mixture of instructions, data in them, and instructions inside of others gives the same runs."""
    random = Random(11)
    for _ in range(600):
        flow = Flow(bytes(2 * random.randrange(1, 12)), 0x1000)
        for index in range(len(flow.code) // 2):
            flow.sizes[index] = random.choice((0, 2, 2, 4))
            flow.data[index] = random.choice((0, 0, 0, 1))
        expected = runs(
            (2 * index, size)
            for index, size in enumerate(flow.sizes)
            if size and not flow.data[index] and (size == 2 or not flow.data[index + 1])
        )
        assert flow.reached() == expected

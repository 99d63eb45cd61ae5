"""Following code from its vectors: what is reached is code, and most of the code is reached."""

from __future__ import annotations

import struct
import subprocess
from pathlib import Path

import pytest
from gauge_builds import ARRANGEMENTS, gauge_builds
from hypothesis import given
from hypothesis import strategies as st
from tools import required_tool

from gemel.builds.build import Build
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.check.code.flow import Flow

START = 0x0800_0100


def _reached(code: bytes, *entries: int) -> list[int]:
    flow = Flow(code, START)
    flow.follow(START + entry for entry in entries or (0,))
    return [at for at, _ in flow.reached()]


def _code_bytes(build: Build, start: int, size: int) -> bytearray:
    """A 1 for each byte that is Thumb code by the build's mapping symbols."""
    result = bytearray(size)
    marks = build.symbols.mapping() if build.symbols else ()
    for number, mark in enumerate(marks):
        end = marks[number + 1].value if number + 1 < len(marks) else start + size
        if mark.name.startswith("$t"):
            for at in range(max(mark.value - start, 0), min(end - start, size)):
                result[at] = 1
    return result


def _measured(build: Build, words: int) -> tuple[int, int, int]:
    """Instructions reached in data, bytes of code reached, and bytes of code, from ``words`` vectors."""
    segment = next(each for each in build.stored if each.executable)
    table = struct.unpack_from(f"<{words}I", segment.data)
    flow = Flow(segment.data, segment.run_address)
    flow.follow(word for word in table[1:] if word & 1)
    code = _code_bytes(build, segment.run_address, len(segment.data))
    reached = flow.reached()
    return (
        sum(not code[at] for at, _ in reached),
        sum(size for at, size in reached if code[at]),
        sum(code),
    )


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
@pytest.mark.parametrize("name", ["station", "sampler"])
def test_the_tide_gauge_is_reached_and_its_data_is_not(arrangement: str, name: str) -> None:
    """In both builds of the tide gauge no data is taken for code, and over 97 % of the code is reached."""
    build = gauge_builds(arrangement)[name]
    false, reached, size = _measured(build, 16 if arrangement == "two-banks" else 16 + 124)
    assert false == 0
    assert reached > 0.97 * size


@pytest.mark.parametrize("march", ["armv6-m", "armv7-m", "armv8-m.main+fp"])
def test_a_c_library_is_followed_without_taking_data_for_code(march: str, tmp_path: Path) -> None:
    """A program with formatted output, floating point and jump tables: under 1 in 1,000 reached is data."""
    source = tmp_path / "main.c"
    source.write_text(
        "#include <stdio.h>\n#include <stdlib.h>\n#include <string.h>\n"
        "void _exit(int c) { (void)c; for (;;) {} }\n"
        "int _write(int f, char *b, int n) { (void)f; (void)b; return n; }\n"
        "int _read(int f, char *b, int n) { (void)f; (void)b; (void)n; return 0; }\n"
        "int _close(int f) { return f; } int _lseek(int f, int o, int w) { return f + o + w; }\n"
        "int _fstat(int f, void *s) { (void)s; return f; } int _isatty(int f) { return f; }\n"
        "void _fini(void) {} void _init(void) {}\n"
        "int _kill(int p, int s) { return p + s; } int _getpid(void) { return 1; }\n"
        "char heap[4096]; void *_sbrk(int n) { static int at; at += n; return heap + at - n; }\n"
        'int main(int c, char **v) { double d; sscanf(v[0], "%lf", &d); printf("%d %f %s", c, d, v[0]);\n'
        '  switch (c) { case 1: return 5; case 2: puts("b"); return 9; case 3: abort(); case 4: return 1;\n'
        "    case 5: exit(3); case 6: return 12; } return atoi(v[1]); }\n"
        "void reset(void) { main(0, 0); _exit(0); }\n"
        '__attribute__((section(".vectors"), used)) const void *const vectors[2] = {heap, reset};\n'.replace(
            "\\\n", "\n"
        )
    )
    (tmp_path / "link.ld").write_text(
        "SECTIONS { .text 0x08000000 : { KEEP(*(.vectors)) *(.text*) *(.rodata*) }\n"
        " .ARM.exidx : { *(.ARM.exidx*) } .data 0x20000000 : { *(.data*) } .bss : { *(.bss*) *(COMMON) } }\n"
    )
    elf = tmp_path / "main.elf"
    command = [
        required_tool("arm-none-eabi-gcc"),
        f"-march={march}",
        f"-mfloat-abi={'softfp' if '+fp' in march else 'soft'}",
        *("-mthumb", "-Os", "-nostartfiles", "-T", "link.ld", "main.c", "-o", elf.name),
        *("-Wl,--no-warn-rwx-segments", "-Wl,-e,reset"),
    ]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    build = read_build(BytesSource(elf.read_bytes(), elf.name), name="main", file=elf.name)
    false, reached, size = _measured(build, 2)
    assert size > 10_000
    assert false * 1000 < reached
    assert reached > 0.5 * size


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
    assert all(at >= 0 and at + size <= len(code) for at, size in flow.reached())


def test_the_distances_of_wide_branches(tmp_path: Path) -> None:
    """BL, B.W and conditional B.W lead where the assembler says, forward and backward."""
    distances = [4, 6, 0x1000, 0xF_FFF0, -4, -0x100, -0xF_FFF0]
    for text, most in (("bl", 1 << 24), ("b.w", 1 << 24), ("beq.w", 1 << 20)):
        for distance in (each for each in distances if abs(each) < most):
            source = tmp_path / "branch.s"
            where = f"start + {0x10_0000 + distance}"
            source.write_text(
                f".syntax unified\n.thumb\nstart: .space 0x100000, 0\n{text} {where}\nbx lr\n"
                ".space 0x100000, 0\n".replace("\\\n", "\n")
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
            assert 0x10_0000 + distance in flow.sizes, (text, distance)

"""Instructions that a core lacks, found without mapping symbols: the same as with them, hardly any else."""

from __future__ import annotations

import math
import random
import struct
from pathlib import Path

import pytest
from real_code import PROGRAM, code_segment, compiled, mapped_instructions
from thumb import assembled

from gemel.builds.build import Build
from gemel.builds.mapped_code import mapped_code
from gemel.inspection.code.guarded_code import lacking_code
from gemel.m_profile.capabilities import lacking
from gemel.m_profile.code import stretch_guards
from gemel.m_profile.code.flow import Run
from gemel.m_profile.code.sweep import Routine
from gemel.m_profile.code.unmapped import UnmappedCode, unmapped_code
from gemel.m_profile.instructions.found_instruction import FoundInstruction
from gemel.m_profile.instructions.sieve import Sieve

TABLE = (
    "typedef int (*const callback)(); {}\n"
    "volatile int chosen; extern callback table[];\n"
    "int reset(void) {{ for (;;) table[chosen](); }}\n"
    '__attribute__((section(".vectors"), used)) const void *const vectors[2] = {{(void *)4, reset}};\n'
    "callback table[] = {{{}}};\n"
)
BARE = ("-nostdlib", "-lgcc", "-Wl,-e,reset,--no-warn-rwx-segments")


def _sieve(architecture: str) -> Sieve:
    return Sieve(lacking(architecture, ()))


def _read(build: Build) -> UnmappedCode:
    """The build as an image alone: its code segment and its vectors."""
    segment = code_segment(build)
    words = struct.unpack_from("<2I", segment.data)[1:]
    return unmapped_code(segment.data, segment.run_address, words)


def _places(build: Build, sieve: Sieve) -> tuple[list[FoundInstruction], set[int]]:
    """What is told as lacking, and the addresses of what really is."""
    segment, code = code_segment(build), _read(build)
    told = [*code.followed_places(sieve), *code.swept_places(sieve)]
    real = {
        segment.run_address + at
        for at, size in mapped_instructions(build).items()
        if sieve.of(segment.data[at : at + size])
    }
    return told, real


@pytest.mark.parametrize(
    ("march", "abi", "core"),
    [
        ("armv8.1-m.main+mve.fp", "softfp", "armv8.1-m.main"),
        ("armv8.1-m.main+mve.fp", "softfp", "armv8-m.main"),
        ("armv8-m.main+dsp+fp", "softfp", "armv8-m.main"),
        ("armv7e-m+fp.dp", "hard", "armv7-m"),
        ("armv7-m", "soft", "armv6-m"),
        ("armv8-m.base", "soft", "armv6-m"),
    ],
)
def test_code_that_only_a_table_leads_to(march: str, abi: str, core: str) -> None:
    """Loops over arrays, compiled for a larger core: the image alone gives all that their core lacks."""
    functions = (
        "int mac(int *a, int *b, int n)\n"
        "{ int s = 0; for (int i = 0; i < n; i++) s += a[i] * b[i]; return s; }\n"
        "int scale(short *a, short k, int n) { for (int i = 0; i < n; i++) a[i] *= k; return 0; }\n"
        "int gain(float *a, float k, int n) { for (int i = 0; i < n; i++) a[i] *= k; return 0; }\n"
        "int share(unsigned a, unsigned b) { return a / b + a % 7; }\n"
    )
    source = TABLE.format("", "(callback)mac, (callback)scale, (callback)gain, (callback)share")
    options = (f"-mfloat-abi={abi}", "-O3", "-ffast-math", *BARE)
    told, real = _places(compiled(functions + source, march, *options), _sieve(core))
    assert len(real) > 3
    assert sorted(place.address for place in told) == sorted(real)


@pytest.mark.parametrize(
    ("core", "march", "body", "text"),
    [
        (
            "armv8.1-m.main",
            "armv8.1-m.main+mve",
            "vldrw.u32 q0, [r0]; vstrw.32 q0, [r1]",
            ".inst.w 0xed901f00",
        ),
        ("armv8-m.main", "armv8.1-m.main", "dls lr, r1; 1: subs r0, #1; le lr, 1b", ".inst.w 0xf041e001"),
        ("armv8-m.main", "armv8.1-m.main", "cmp r0, #3; csel r0, r0, r1, eq", ".inst.w 0xea508001"),
        ("armv8-m.base", "armv8-m.main", "mrc p1, #0, r0, c0, c0, #0", ".inst.w 0xee100110"),
        ("armv8-m.main", "armv8-m.main+fp", "vadd.f32 s0, s0, s1", "vadd.f32 s0, s0, s1"),
        ("armv6-m", "armv7-m", "udiv r0, r0, r1", "udiv r0, r0, r1"),
    ],
)
@pytest.mark.parametrize("called", ["by a table", "from the start"])
def test_one_instruction_by_hand(core: str, march: str, body: str, text: str, called: str) -> None:
    """What the disassembler does not know, or takes for another instruction, is found and given raw."""
    assembly = (
        '__asm__(".syntax unified\\n.text\\n.global hidden\\n.thumb_func\\n.type hidden, %function\\n"\n'
        f'"hidden: push {{r4, lr}}; movs r4, #7; {body}; adds r0, r4; pop {{r4, pc}}\\n");\n'
        "extern int hidden();\n"
    )
    source = assembly + TABLE.format("int other() { return 3; }", "hidden, other")
    if called == "from the start":
        source = source.replace("table[chosen]()", "hidden()")
    abi = "-mfloat-abi=softfp" if "+" in march else "-mfloat-abi=soft"
    build = compiled(source, march, abi, "-Os", *BARE)
    told, _ = _places(build, _sieve(core))
    assert text in [place.described().split(": ", 1)[1] for place in told]


@pytest.mark.parametrize("march", ["armv6-m", "armv7-m", "armv7e-m", "armv8-m.base", "armv8-m.main"])
def test_tables_of_numbers_hold_no_lacking_instructions(march: str) -> None:
    """Filters, sines, samples and noise as constants, beside a C library: nothing is told of them."""
    source = random.Random(7)
    tables = {
        "float coefficients": [f"{source.gauss(0, 1):.5f}f" for _ in range(2000)],
        "short sine": [str(int(32767 * math.sin(math.tau * index / 1024))) for index in range(1024)],
        "double measured": [f"{source.gauss(0, 100):.12g}" for _ in range(600)],
        "unsigned noise": [hex(source.getrandbits(32)) for _ in range(4096)],
        "unsigned short samples": [str(source.randrange(4096)) for _ in range(2000)],
        "int levels": [str(int(source.gauss(0, 1 << 28))) for _ in range(2000)],
    }
    text = PROGRAM + "".join(
        f"const {name}[] = {{{', '.join(values)}}};\n" for name, values in tables.items()
    )
    names = ", ".join(name.split()[-1] for name in tables)
    text += f"const volatile void *const all[] = {{{names}}};\n"
    options = ("-mfloat-abi=soft", "-Os", "-nostartfiles", "-Wl,--no-warn-rwx-segments", "-Wl,-e,reset")
    told, real = _places(compiled(text, march, *options), _sieve(march))
    assert (real, [place.described() for place in told]) == (set(), [])


@pytest.mark.parametrize(("ends", "lacking_ones"), [("7047", 0), ("0346", 4)])
def test_what_unwinds_exceptions_is_stepped_over(ends: str, lacking_ones: int) -> None:
    """VLDM or VSTM of d0-d15 by r0, then BX LR: the unwinder's routines, which nothing calls in such a core."""
    routines = [f"{first} {ends} c046" for first in ("90ec200b", "80ec200b", "d0ec200b", "c0ec200b")]
    code = bytes.fromhex("10b5 " + " ".join(routines) + " 10bd")
    read = unmapped_code(code, 0x0800_0000, [0x0800_0001], [])
    found = [*read.followed_places(_sieve("armv6-m")), *read.swept_places(_sieve("armv6-m"))]
    assert len(found) == lacking_ones


def test_what_is_told_comes_by_address() -> None:
    """However the sweep finds the routines, what it finds is told in the order of addresses."""
    vadd = bytes.fromhex("30ee200a")
    leaf, pushing = vadd + b"\x70\x47", b"\x10\xb5" + vadd + b"\x10\xbd"
    code = leaf + pushing + leaf + pushing
    read = unmapped_code(code, 0x0800_0000, [])
    addresses = [place.address for place in read.swept_places(_sieve("armv8-m.main"))]
    assert len(addresses) >= 3
    assert addresses == sorted(addresses)


def test_known_data_is_not_read_as_code() -> None:
    """What is said to be data, as a vector table is, counts as neither followed nor swept."""
    from gemel.spans import Span

    code = bytes.fromhex("10b5 30ee200a 10bd")
    assert unmapped_code(code, 0x1000, []).sizes == (0, 8, 0)
    assert unmapped_code(code, 0x1000, [], [Span(0x1000, 8)]).sizes == (0, 0, 8)


@pytest.mark.parametrize("alone", [False, True])
def test_no_more_than_the_limit_is_reported(alone: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """MAX_LACKING instructions are all reported; of one more only as many, and no further routine is looked at."""
    monkeypatch.setattr("gemel.m_profile.code.unmapped.MAX_LACKING", 5)
    for count in (5, 6):
        moves = [bytes((0x00, 0xEE, 0x10, 0x0A | each << 4)) for each in range(count)]
        code = b"".join(moves) + b"\x70\x47"  # VMOV S0, R0 and so on, and BX LR
        run = Run(0, len(code))
        swept = [Routine([run], False)] * 2 if alone else []
        read = UnmappedCode(code, 0x1000, [] if alone else [run], swept, (0, len(code), 0), False)
        found = [*read.followed_places(_sieve("armv8-m.main")), *read.swept_places(_sieve("armv8-m.main"))]
        assert len(found) == (count if alone else 5)


@pytest.mark.parametrize("same", [True, False])
def test_words_that_fill_a_gap_are_no_code(same: bool) -> None:
    """A stretch of one word before a routine, read from its second half on, up to the first of the routine."""
    words = [0xEFBE_ADDE if same or each % 2 else 0x46C0_ADDE for each in range(16)]
    code = struct.pack("<16I", *words) + bytes.fromhex("ffe7 10bd")
    run = Run(2, len(code))
    read = UnmappedCode(code, 0x1000, [], [Routine([run], False)], (0, len(code), 0), False)
    assert (list(read.swept_places(_sieve("armv7e-m"))) == []) is same


def test_parts_of_an_image_share_the_effort() -> None:
    """Code that leads in circles is given up sooner where the image has more of it."""
    code = bytes.fromhex("00d00046 10b5 dfe810f0") * 400
    assert not unmapped_code(code, 0x1000, [], parts=1).unfinished
    assert unmapped_code(code, 0x1000, [], parts=200).unfinished


@pytest.mark.parametrize(("size", "guarded"), [(32, True), (34, False)])
def test_a_guard_counts_as_far_as_a_function_reaches(
    size: int, guarded: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A function of MAX_FUNCTION bytes is searched whole; of a larger one half as many, before what is asked of."""
    monkeypatch.setattr("gemel.m_profile.code.stretch_guards.MAX_FUNCTION", 32)
    assert bool(_of_a_function(filled=size - 12, after=0)) is not guarded
    assert bool(_of_a_function(filled=8, after=40)) is False
    assert bool(_of_a_function(filled=10, after=40)) is True


def _of_a_function(filled: int, after: int) -> list[FoundInstruction]:
    """What is reported of a function: a test of EXC_RETURN, NOPs, a float push where it lets, more NOPs, a return."""
    test, push = struct.pack("<HH", 0xF01E, 0x0F10), struct.pack("<HHH", 0xBF08, 0xED2D, 0x8B10)
    code = test + b"\x00\xbf" * (filled // 2) + push + b"\x00\xbf" * (after // 2) + b"\x70\x47"
    return list(unmapped_code(code, 0x8000, [0x8001]).followed_places(Sieve(lacking("armv7e-m", ("dsp",)))))


@pytest.mark.parametrize(("most", "reported"), [(73, 0), (72, 1)])
def test_instructions_after_the_effort_count_as_untested(
    most: int, reported: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Within MAX_EFFORT the test before each of three float pushes is seen; after it the rest of them are reported."""
    monkeypatch.setattr("gemel.m_profile.code.stretch_guards.MAX_EFFORT", most)
    guarded = struct.pack("<HHHHHH", 0xF01E, 0x0F10, 0xBF08, 0xED2D, 0x8B10, 0x4770)
    runs = [Run(at, at + len(guarded)) for at in range(0, 3 * len(guarded), len(guarded))]
    read = UnmappedCode(guarded * 3, 0x8000, runs, [], (3 * len(guarded), 0, 0), False)
    assert len(list(read.followed_places(Sieve(lacking("armv7e-m", ("dsp",)))))) == reported


TESTS = (
    'uint32_t c; __asm volatile ("mrs %0, control" : "=r"(c)); if (c & 4u)',
    "if (*(volatile uint32_t *)0xE000ED88u & (15u << 20))",
    "if ((*(volatile uint32_t *)0xE000EF40u & 0xF0u) == 0x20u)",
)
"""FPCA of CONTROL, the coprocessor access register, and single precision in MVFR0 (from memory)."""


def _program_with_tests(seed: int, *, functions: int = 40) -> str:
    """Functions of switches, loops and calls, every fourth with a guarded float instruction, every tenth with another.

    What is guarded is a move of s1, what is not one of s3.
    """
    random_ = random.Random(seed)
    text = ["#include <stdint.h>", "uint32_t volatile sink[64];"]
    for number in range(functions):
        steps = [_a_step(random_, number) for _ in range(random_.randint(4, 20))]
        if number % 4 == 0:
            test = f'{{ {random_.choice(TESTS)} __asm volatile ("vmov.f32 s0, s1"); }}'
            steps.insert(random_.randrange(len(steps)), test)
        if number % 10 == 5:
            steps.insert(random_.randrange(len(steps)), '__asm volatile ("vmov.f32 s2, s3");')
        body = "\n    ".join(steps)
        head = f"__attribute__((noinline)) uint32_t f{number}(uint32_t x, uint32_t y)"
        text.append(f"{head}\n{{\n    x += y;\n    {body}\n    return x;\n}}")
    calls = " ".join(f"x += f{number}(x, {number});" for number in range(functions))
    text.append(f"int reset(void) {{ uint32_t x = 0; {calls} sink[0] = x; for (;;); }}")
    text.append(
        '__attribute__((section(".vectors"), used)) const void *const vectors[2] = {(void *)4, reset};'
    )
    return "\n".join(text)


def _a_step(random_: random.Random, number: int) -> str:
    cases = [
        f"case {case}: x {random_.choice('+-^*')}= sink[{case}] + {case}u; break;"
        for case in range(random_.randint(4, 9))
    ]
    called = f"x = f{random_.randrange(number)}(x, {random_.randrange(99)});" if number else "x++;"
    return random_.choice(
        [
            f"x += sink[{random_.randrange(64)}] * {random_.randrange(1 << 16)}u;",
            f"if (x & {1 << random_.randrange(31)}u) sink[1] = x; else x ^= {random_.randrange(1 << 30)}u;",
            f"for (uint32_t i = 0; i < {random_.randrange(2, 9)}; i++) x = x * 31u + sink[i];",
            called,
            f"switch (x & 15u) {{ {' '.join(cases)} default: break; }}",
        ]
    )


@pytest.mark.parametrize(
    "options", [("-O2",), ("-Os",), ("-O1", "-fno-jump-tables"), ("-O3", "-funroll-loops")]
)
def test_what_is_guarded_in_functions_with_switches(options: tuple[str, ...]) -> None:
    """As compiled for a core with a float unit, and run by one without: what a test lets by is not reported.

    Tables of branches and literals are among the instructions, and tests before or after them.
    """
    text = _program_with_tests(len(options[0]) + len(options))
    build = compiled(text, "armv7e-m+fp", "-mfloat-abi=softfp", *options, *BARE)
    segment, code = code_segment(build), _read(build)
    sieve = _sieve("armv7e-m")
    told = sorted([*code.followed_places(sieve), *code.swept_places(sieve)], key=lambda each: each.address)
    unguarded, guarded = bytes.fromhex("b0ee611a"), bytes.fromhex("b0ee600a")
    places = [
        segment.run_address + at
        for at in mapped_instructions(build)
        if segment.data[at : at + 4] == unguarded
    ]
    assert segment.data.count(guarded) >= 10
    assert len(places) >= 4
    assert [each.address for each in told] == sorted(places)


THROUGH_CALLS = r"""
#include <stdint.h>
#define ALONE __attribute__((noinline, noclone, noipa))
#define GUARDED __asm volatile ("vmov.f32 s0, s1")
#define UNGUARDED __asm volatile ("vmov.f32 s2, s3")
uint32_t volatile sink[64];
ALONE static int has_float(void) { return (*(volatile uint32_t *)0xE000ED88u & (15u << 20)) != 0; }
ALONE static void only_called_where_asked(uint32_t x) { sink[x & 3] = x; GUARDED; sink[1] = x; }
ALONE static void at_the_end(uint32_t x) { sink[x & 3] = x; GUARDED; sink[2] = x; }
ALONE static void deeper(uint32_t x) { sink[3] = x; at_the_end(x + 1); sink[4] = x; }
ALONE static void also_called_unasked(uint32_t x) { sink[x & 3] = x; UNGUARDED; sink[5] = x; }
ALONE static void also_left_for_unasked(uint32_t x) { sink[x & 3] = x; UNGUARDED; sink[6] = x; }
ALONE static void also_pointed_at(uint32_t x) { sink[x & 3] = x; UNGUARDED; sink[7] = x; }
ALONE static void never_asked(uint32_t x) { sink[x & 3] = x; UNGUARDED; sink[8] = x; }
ALONE static void leaves(uint32_t x) { sink[9] = x; also_left_for_unasked(x); }
void (*const table[])(uint32_t) = {also_pointed_at, never_asked};
ALONE static void switch_task(uint32_t x)
{
    if (has_float()) {
        only_called_where_asked(x); also_called_unasked(x); also_left_for_unasked(x); also_pointed_at(x);
    }
    sink[10] = x;
    if (has_float()) deeper(x);
}
int reset(void) { switch_task(3); also_called_unasked(4); leaves(5); never_asked(6); table[sink[11] & 1](7); for (;;); }
__attribute__((section(".vectors"), used)) const void *const vectors[2] = {(void *)4, reset};
"""


@pytest.mark.parametrize("options", ["-O0", "-O1", "-O2", "-Os"])
def test_what_is_guarded_where_it_is_called(options: str) -> None:
    """A function that returns what the core has, and functions called only where that was asked, or elsewhere too."""
    build = compiled(THROUGH_CALLS, "armv7e-m+fp", "-mfloat-abi=softfp", options, *BARE)
    told, _ = _places(build, _sieve("armv7e-m"))
    assert [each.data for each in told] == [bytes.fromhex("b0ee611a")] * 4


ONE_FUNCTION = r"""
#include <stdint.h>
#define ALONE __attribute__((noinline, noclone, noipa))
uint32_t volatile sink[64];
ALONE static int has_float(void) { return (*(volatile uint32_t *)0xE000ED88u & (15u << 20)) != 0; }
ALONE void save(uint32_t x) { sink[x & 3] = x; __asm volatile ("vmov.f32 s0, s1"); MORE; sink[1] = x; }
ALONE static void task(uint32_t x) { TASK; }
int reset(void) { task(3); for (;;); }
__attribute__((section(".vectors"), used)) const void *const vectors[2] = {(void *)4, reset};
"""
WAYS = {
    "asked": ("if (has_float()) save(x)", "", 0),
    "asked, and by itself": ("if (has_float()) save(x)", "if (x & 8) save(x - 1)", 0),
    "not asked, then asked": ("save(x); sink[3] = x; if (has_float()) save(x + 1); sink[4] = x", "", 1),
    "asked, then not asked": ("if (has_float()) save(x); sink[3] = x; save(x + 1); sink[4] = x", "", 1),
    "left for unasked, then asked": (
        "if (x & 5) { save(x); return; } sink[3] = x; if (has_float()) save(x)",
        "",
        1,
    ),
    "by an address in two halves": (
        "if (has_float()) save(x); void (*to)(uint32_t); "
        '__asm volatile ("movw %0, #:lower16:save\\n movt %0, #:upper16:save" : "=r"(to)); to(x)',
        "",
        1,
    ),
}


@pytest.mark.parametrize("options", ["-O0", "-O1", "-O2", "-Os"])
@pytest.mark.parametrize("case", WAYS)
def test_every_way_to_a_function_counts(case: str, options: str) -> None:
    """Also of two calls in one straight stretch, and where its address is put together; its own calls do not."""
    task, more, reported = WAYS[case]
    text = ONE_FUNCTION.replace("TASK", task).replace("MORE", more)
    build = compiled(text, "armv7e-m+fp", "-mfloat-abi=softfp", options, *BARE)
    assert len(_places(build, _sieve("armv7e-m"))[0]) == reported


KEPT = r"""
#include <stdint.h>
#define ALONE __attribute__((noinline, noclone, noipa))
#define HAS_FLOAT ((*(volatile uint32_t *)0xE000EF40u & 0xF0) != 0)
uint32_t volatile sink[64];
struct task { uint32_t *stack; uint8_t priority, has_float; } tasks[2], *current = tasks;
ALONE static void save(uint32_t x) { sink[x & 3] = x; __asm volatile ("vmov.f32 s0, s1"); sink[1] = x; }
ALONE static void none(uint32_t x) { sink[2] = x; }
static uint8_t flag, other; static void (*saver)(uint32_t);
ALONE void keep(void (*to)(uint32_t)) { saver = to; }
ALONE static void probe(void) { PROBE }
ALONE static void run(uint32_t x) { RUN; sink[3] = x; }
int reset(void) { for (uint32_t x = 0;; x++) { CALL; run(x); sink[x & 7] = x; } }
__attribute__((section(".vectors"), used)) const void *const vectors[3] = {(void *)4, reset, LATER};
"""
ANSWERS = {
    "a flag": ("if (HAS_FLOAT) flag = 1;", "if (flag) save(x)", 0),
    "a flag of something else": (
        "if (sink[5] & 1) flag = 1; if (HAS_FLOAT) other = 1;",
        "if (flag) save(x)",
        1,
    ),
    "a flag that something else sets, too": (
        "if (HAS_FLOAT) flag = 1; if (sink[5] & 2) flag = 1;",
        "if (flag) save(x)",
        1,
    ),
    "left before the flag is set": ("if (!HAS_FLOAT) return; flag = 1;", "if (flag) save(x)", 0),
    "a member of a task": ("current->has_float = HAS_FLOAT;", "if (current->has_float) save(x)", 0),
    "another member": ("current->has_float = HAS_FLOAT;", "if (current->priority) save(x)", 1),
    "a function that is chosen": ("saver = none; if (HAS_FLOAT) saver = save;", "saver(x)", 0),
    "a function of two": ("saver = HAS_FLOAT ? save : none;", "saver(x)", 0),
    "a function that another word chooses": (
        "if (HAS_FLOAT) other = 1; if (sink[5] & 1) saver = save;",
        "saver(x)",
        1,
    ),
    "a function that is set in any case": ("saver = save; if (HAS_FLOAT) other = 1;", "saver(x)", 1),
    "a function that is passed on": ("if (HAS_FLOAT) other = 1; keep(save);", "saver(x)", 1),
}


@pytest.mark.parametrize("options", ["-O0", "-O1", "-O2", "-Os"])
@pytest.mark.parametrize("called", [True, False])
@pytest.mark.parametrize("case", ANSWERS)
def test_answers_of_the_core_that_are_kept(case: str, called: bool, options: str) -> None:
    """In variables, members and pointers to functions: with symbols and without, by a call and by an address alone."""
    probe, use, reported = ANSWERS[case]
    text = KEPT.replace("PROBE", probe).replace("RUN", use)
    text = text.replace("CALL", "probe()" if called else "").replace("LATER", "0" if called else "probe")
    build = compiled(text, "armv7e-m+fp", "-mfloat-abi=softfp", options, *BARE)
    code = mapped_code(build)
    assert code is not None
    guarded = [each for _, each in lacking_code(lacking("armv7e-m", ()), build, code)]
    assert guarded == [not reported]
    assert len(_places(build, _sieve("armv7e-m"))[0]) == reported


@pytest.mark.parametrize(("functions", "reported"), [(2, 0), (1, 1)])
def test_how_many_functions_may_keep_answers(
    functions: int, reported: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where MAX_TESTING functions test the core or call one that does: here reset calls the probe."""
    monkeypatch.setattr(stretch_guards, "MAX_TESTING", functions)
    probe, use, _ = ANSWERS["a flag"]
    text = KEPT.replace("PROBE", probe).replace("RUN", use).replace("CALL", "probe()").replace("LATER", "0")
    build = compiled(text, "armv7e-m+fp", "-mfloat-abi=softfp", "-O1", *BARE)
    assert len(_places(build, _sieve("armv7e-m"))[0]) == reported


def test_halves_of_addresses_that_code_moves(tmp_path: Path) -> None:
    """MOVW of a number to any register, as the assembler writes it, and of no other number."""
    numbers = [0, 1, 0xFF, 0x100, 0x700, 0x800, 0xF00, 0x1000, 0x8049, 0xFFFF]
    lines = [f"movw r{register}, #{number}" for number in numbers for register in range(15) if register != 13]
    code = assembled("\n".join(lines), tmp_path)
    for index, number in enumerate(numbers):
        found = [each.start() for each in stretch_guards._moves_half(number).finditer(code)]
        assert found == list(range(56 * index, 56 * index + 56, 4))


@pytest.mark.parametrize("how", ["a pointer elsewhere", "an entry of the vectors"])
def test_a_function_that_something_else_may_enter_too(how: str) -> None:
    """Its address in the build's other bytes, or in its vectors, makes what guards its call count no more."""
    build = compiled(THROUGH_CALLS, "armv7e-m+fp", "-mfloat-abi=softfp", "-O1", *BARE)
    segment, sieve = code_segment(build), _sieve("armv7e-m")
    (address,) = [each.value for each in build.symbols.all() if each.name == "only_called_where_asked"]
    entries, beside = list(struct.unpack_from("<2I", segment.data)[1:]), []
    if how == "a pointer elsewhere":
        beside = [b"\1" + struct.pack("<2I", 5, address | 1)]
    else:
        entries.append(address | 1)
    code = unmapped_code(segment.data, segment.run_address, entries, beside=beside)
    told = [*code.followed_places(sieve), *code.swept_places(sieve)]
    assert [each.data.hex() for each in told].count("b0ee600a") == 1
    assert len(told) == 5


@pytest.mark.parametrize(
    ("limit", "value", "reported"), [("MAX_DEPTH", 1, 5), ("MAX_WAYS", 1, 4), ("MAX_WAYS", 0, 6)]
)
def test_how_far_callers_are_followed(
    limit: str, value: int, reported: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is guarded two calls away counts within MAX_DEPTH, and what no more than MAX_WAYS lead to."""
    monkeypatch.setattr(f"gemel.m_profile.code.stretch_guards.{limit}", value)
    build = compiled(THROUGH_CALLS, "armv7e-m+fp", "-mfloat-abi=softfp", "-O1", *BARE)
    assert len(_places(build, _sieve("armv7e-m"))[0]) == reported

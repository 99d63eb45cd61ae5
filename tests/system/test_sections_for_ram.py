"""Sections that are stored in flash for RAM, alone or in turn at one place, and what copies them; compiled here."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from compiled_pairs import RELEASE, compiled, layout_for, pair
from small_device import TODAY
from tools import required_tool

from gemel.checking.runner import check
from gemel.errors import BuildError
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.outcomes import Finding

FAST = '__attribute__((section(".fast"), noinline)) void quick(void) { turns += 3; }'
TUNING = '__attribute__((section(".tuning"))) volatile uint32_t tuning[8] = { 1, 2, 3, 4, 5, 6, 7, 8 };'
BRING = (
    "extern uint32_t one_load[], two_load[], one_start[], one_end[], two_end[]; __attribute__((noinline)) static void "
    "bring(volatile uint32_t *to, volatile uint32_t *end, const volatile uint32_t *from) "
    "{ while (to < end) *to++ = *from++; } "
)
ONE = '__attribute__((section(".one"), noinline)) void one(void) { turns += 3; } '
TWO = '__attribute__((section(".two"), noinline)) void two(void) { turns += 5; } '
TABLE = (
    "struct part { const uint32_t *from; uint32_t *to, *end; }; const struct part parts[2] = "
    "{ { one_load, one_start, one_end }, { two_load, one_start, two_end } }; "
)
BSS = "  .bss (NOLOAD)"
ALONE = (
    "  .{0} : {{ one_start = .; *(.{0}) . = ALIGN(4); one_end = .; }} > ram AT > code\n"
    "  one_load = LOADADDR(.{0});\n"
)
IN_TURN = (
    f"{ALONE.format('one')}  .two ADDR(.one) : {{ *(.two) . = ALIGN(4); two_end = .; }} AT > code\n"
    "  two_load = LOADADDR(.two);\n"
)
BY_COMMAND = (
    "  OVERLAY : NOCROSSREFS {\n    .one { one_start = .; *(.one) . = ALIGN(4); one_end = .; }\n"
    "    .two { *(.two) . = ALIGN(4); two_end = .; } } > ram AT > code\n"
    "  one_load = LOADADDR(.one); two_load = LOADADDR(.two);\n"
)
WITHOUT_BYTES = "  .one (NOLOAD) : { *(.one) } > ram\n  .two ADDR(.one) (NOLOAD) : { *(.two) } > ram\n"
BUFFERS = """__attribute__((section(".one,\\"aw\\",%nobits@"))) volatile uint8_t first[64];
__attribute__((section(".two,\\"aw\\",%nobits@"))) volatile uint8_t second[{}];"""
FILL = "first[turns & 63u] = 1; second[turns & 63u] = 2;"
HOOK = "\n#define main begin\ntypedef void hook(void); static void add(void) { turns += 3; } "
HOOKS = HOOK + '__attribute__((section(".one"), used)) hook *volatile hooks[2] = { add, add };'
CALL_HOOKS = "for (hook *volatile *at = hooks; at < hooks + 2; at++) (*at)();"
COPY_ONE, COPY_TWO = "bring(one_start, one_end, one_load); ", "bring(one_start, two_end, two_load); "

Case = tuple[str, str, str]
"""What comes before main, what main does, and the sections."""
UNCOPIED: dict[str, tuple[Case, str]] = {
    "a function": ((FAST, "quick();", ALONE.format("fast")), "section .fast,"),
    "values": ((TUNING, "turns = tuning[turns & 7u];", ALONE.format("tuning")), "section .tuning,"),
    "overlays": ((ONE + TWO, "one(); two();", IN_TURN), "section .one, .two,"),
    "pointers that are called": ((HOOKS, CALL_HOOKS, ALONE.format("one")), "section .one,"),
}
COPIED: dict[str, Case] = {
    "a function": (BRING + ONE, f"{COPY_ONE} one();", ALONE.format("one")),
    "pointers that are called": (BRING + HOOKS, COPY_ONE + CALL_HOOKS, ALONE.format("one")),
    "pointers that are called, by a device": (
        BRING + HOOKS,
        "IO(0x40) = (uint32_t)one_load; IO(0x44) = (uint32_t)one_start; while (IO(0x48) & 1u) { } "
        + CALL_HOOKS,
        ALONE.format("one"),
    ),
    "pointers that are called, as a device asks": (
        BRING + HOOKS,
        f"if (IO(4)) {{ {COPY_ONE} }} if (IO(4)) {CALL_HOOKS}",
        ALONE.format("one"),
    ),
    "a pointer that is set": (
        f"{HOOK} static hook *volatile kept, *volatile *given; "
        "__attribute__((noinline)) void give(hook *volatile *to) { given = to; }",
        "give(&kept); *given = add; kept();",
        "",
    ),
    "overlays": (BRING + ONE + TWO, f"{COPY_ONE} one(); {COPY_TWO} two();", IN_TURN),
    "overlays, as a device asks": (
        BRING + ONE + TWO,
        f"if (IO(4)) {{ {COPY_ONE} one(); }} else {{ {COPY_TWO} two(); }}",
        IN_TURN,
    ),
    "overlays, by a table": (
        BRING + ONE + TWO + TABLE,
        "for (;;) { const struct part *each = &parts[IO(4) & 1u]; bring(each->to, each->end, each->from); "
        "if (IO(8)) one(); else two(); }",
        IN_TURN,
    ),
}
GCC = (("gcc", "v6", "-Os"), ("gcc", "v7", "-O2"))
BOTH = (*GCC, ("clang", "v8", "-O1"))
"""The second section at one run address is a script of GNU ld."""


TAKES_TURNS: dict[str, tuple[Case, str]] = {
    "without bytes": ((BUFFERS.format(200), FILL, WITHOUT_BYTES), ""),
    "without bytes, one too large": (
        (BUFFERS.format(6700), FILL, WITHOUT_BYTES),
        "initial stack of core station starts in data of build station",
    ),
    "by the command": ((BRING + ONE + TWO, f"{COPY_ONE} one(); {COPY_TWO} two();", BY_COMMAND), ""),
    "by the command, nothing copied": (
        (ONE + TWO, "one(); two();", BY_COMMAND),
        "section .one, .two,",
    ),
    "an instruction that the core lacks in the second": (
        (
            BRING + ONE + TWO.replace("turns += 5;", 'turns += 5; __asm volatile(".inst.w 0xee000a10");'),
            f"{COPY_ONE} one(); {COPY_TWO} two();",
            BY_COMMAND,
        ),
        "(two + 8): vmov",
    ),
}
"""Two sections at one run address, and what the one finding says, if any."""


def _found(case: Case, compiler: str, family: str, level: str) -> list[Finding]:
    before, main, sections = case
    edits = (("/*BEFORE*/", before), ("/*MAIN*/", f"{RELEASE} {main}"), (BSS, sections + BSS))
    builds = pair(
        station=compiled("station", compiler, family, level, edits),
        sampler=compiled("sampler", compiler, family, level),
    )
    read = layout_for(family)
    inspection = Inspection(read, join(read, builds).image, builds, disassemble=True)
    return [each.finding for each in check(inspection, TODAY).findings]


@pytest.mark.parametrize(
    ("case", "build"), [(case, each) for case in UNCOPIED for each in (GCC if "over" in case else BOTH)]
)
def test_what_nothing_copies_is_named(case: str, build: tuple[str, str, str]) -> None:
    """One finding, with the section and what to do about it."""
    edits, words = UNCOPIED[case]
    (finding,) = _found(edits, *build)
    assert finding.found.startswith(words)
    assert finding.next_step.startswith("copy section .")
    assert ("runs_in in [build.station]" in finding.next_step) == (case in ("a function", "overlays"))


@pytest.mark.parametrize(
    ("case", "build"), [(case, each) for case in COPIED for each in (GCC if "over" in case else BOTH)]
)
def test_what_code_copies_is_copied(case: str, build: tuple[str, str, str]) -> None:
    """By a loop of its own, in turn, by a table, or as a device asks."""
    assert not _found(COPIED[case], *build)


@pytest.mark.parametrize("family", ["v6", "v7", "v8"])
@pytest.mark.parametrize("case", TAKES_TURNS)
def test_sections_that_take_turns(case: str, family: str) -> None:
    """As GNU ld links them, by an address, or by OVERLAY: each is looked at, and none is an overlap."""
    edits, words = TAKES_TURNS[case]
    found = _found(edits, "gcc", family, "-Os")
    assert len(found) == bool(words)
    assert all(words in f"{each.what} {each.found}" for each in found)


@pytest.mark.parametrize("family", ["v6", "v7", "v8"])
def test_what_is_cleared_is_no_overlay(family: str) -> None:
    """A section whose address has no region moves what follows into it, as far as it is larger than the first one."""
    sections = WITHOUT_BYTES.replace("{ *(.two) } > ram", "{ *(.two) }")
    with pytest.raises(BuildError, match=r"sections \.two and \.bss: two sections take the same memory"):
        _found((BUFFERS.format(200), FILL, sections), "gcc", family, "-Os")


ALIGNED = (
    ("/*BEFORE*/", FAST + " volatile uint32_t levels[5] = { 1, 2, 3, 4, 5 };"),
    ("/*MAIN*/", f"{RELEASE} quick(); turns += levels[turns % 5];"),
    (
        ". = ALIGN(4); data_end = .; } > ram AT > code",
        ". = ALIGN(4); } > ram AT > code\n  .fast ALIGN(64) : AT(LOADADDR(.data) + (ADDR(.fast) - ADDR(.data))) "
        "{ *(.fast) . = ALIGN(4); data_end = .; } > ram",
    ),
)
"""Two sections that one loop copies, the second on 64 bytes: padding in flash between them as in RAM."""


@pytest.mark.parametrize("build", [("gcc", "v6", "-Os"), ("gcc", "v8", "-O2"), ("clang", "v7", "-O1")])
def test_padding_between_sections_that_one_loop_copies(build: tuple[str, str, str], tmp_path: Path) -> None:
    """Sound; and so is its binary, whatever objcopy filled the padding with, beside its own ELF file."""
    compiler, family, level = build
    elf = compiled("station", compiler, family, level, ALIGNED)
    sampler = compiled("sampler", compiler, family, level)
    read, builds = layout_for(family), pair(station=elf, sampler=sampler)
    images = [join(read, builds).image]
    given, flat = tmp_path / "station.elf", tmp_path / "station.bin"
    given.write_bytes(elf)
    for fill in ("0x00", "0xFF"):
        words = [required_tool("arm-none-eabi-objcopy"), "-O", "binary", f"--gap-fill={fill}", given, flat]
        subprocess.run(words, check=True)
        images.append(join(read, pair(station=flat.read_bytes(), sampler=sampler)).image)
    for image in images:
        assert not check(Inspection(read, image, builds, disassemble=True), TODAY).findings

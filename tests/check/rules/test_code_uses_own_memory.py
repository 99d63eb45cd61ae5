"""Tests of the rule ``code-uses-own-memory``."""

from __future__ import annotations

import struct

import pytest
from compiled_pairs import compiled, layout_for, pair, said_by
from elf_writer import SegmentSpec, SymbolSpec
from small_device import STATION, apply, builds, findings, station_elf
from verdict_builds import of

from gemel.builds.mapped_code import mapped_code
from gemel.checking.rules.code_uses_own_memory import HEADER
from gemel.checking.runner import RuleResult
from gemel.inspection.code.far_accesses import UNROLLED, calls_of

RULE = "code-uses-own-memory"
CALLER = STATION + 0x800
BREAKS = {"a section of functions left out": lambda: _with_call(CALLER + 0x100)}
KEEPS = {
    "by GCC": lambda: of(RULE, "v6"),
    "by clang": lambda: of(RULE, "v7"),
    "start-up code of another style": lambda: of(
        RULE,
        "v8",
        "station-startup",
        "sampler-startup",
        changes=(("start = 0x1000_0000", "start = 0x0000_0000"),),
    ),
}


def _with_call(target: int, section: str = "") -> RuleResult:
    """A station whose code calls ``target``, with a function there where a section is named."""
    extra = (SegmentSpec(target, b"\x70\x47" * 8, flags="rx", section_name=section),) if section else ()
    return _with_code(_call(CALLER, target), SymbolSpec("caller", CALLER | 1, 6), *extra)


def _call(at: int, target: int) -> bytes:
    """A BL."""
    distance = target - (at + 4) >> 1
    return struct.pack("<HH", 0xF000 | distance >> 11 & 0x3FF, 0xF800 | distance & 0x7FF)


def _with_code(code: bytes, named: SymbolSpec, *extra: SegmentSpec) -> RuleResult:
    more = SegmentSpec(CALLER, code + b"\x70\x47", flags="rx", section_name=".more")
    symbols = named, SymbolSpec("$t", CALLER, kind="notype", binding="local")
    elf = station_elf(extra=(more, *extra), symbols=symbols)
    return apply(RULE, None, None, builds(station=elf))


def test_functions_that_are_there_or_elsewhere_may_be_called() -> None:
    """A function of the build, and what is called outside of its area."""
    for target, section in ((CALLER + 0x100, ".functions"), (CALLER + 0x10_0000, "")):
        assert not findings(_with_call(target, section))


@pytest.mark.parametrize("wide_before", range(6))
@pytest.mark.parametrize(
    "named",
    [
        SymbolSpec("caller", CALLER | 1, 0x40),
        SymbolSpec("caller", CALLER | 1, 0),
        SymbolSpec("caller", CALLER | 1, 0, kind="notype"),
        SymbolSpec("other", CALLER + 0x40 | 1, 2),
    ],
    ids=["with type and size", "without size", "without type", "without a name"],
)
def test_two_halves_of_two_instructions_are_no_call(named: SymbolSpec, wide_before: int) -> None:
    """As in LSR.W and the LSL.W after it of a library's division: FA20 F004 FA01 F205."""
    before = struct.pack("<7H", 0xBF00, *[0xFA20, 0xF004] * 3)[: 2 + 2 * wide_before]
    at = CALLER + len(before)
    found = findings(_with_code(before + _call(at, CALLER + 0x100) + bytes(0x40), named))
    assert bool(found) is (wide_before % 2 == 0)


RELEASED = "IO(0x114) = 0x10008000u; IO(0x118) &= ~2u;"
GO = "((void (*)(void)){})();"
POKE = "*(volatile {} *){} = 5;"
ROM = (
    (
        "[memory.control]",
        '[memory.boot]\nkind = "rom"\nstart = 0x1FFF_0000\nsize = "4 KiB"\n\n[memory.control]',
    ),
)
ALIASED = (("write_unit = 16\n", "write_unit = 16\naliases = [0]\n"),)
HANDLER = "__attribute__((used)) static void later(void) {{ {} }}"
TAKEN = ("[11] = stop", "[11] = later")
LIBRARY = (
    ("/*BEFORE*/", "extern uint32_t scaled(uint32_t);"),
    ("/*MAIN*/", f"{RELEASED} turns = scaled(turns);"),
)
"""A function of another build, by a number in the linker script."""
SHARED_FUNCTION = (
    (
        "/*BEFORE*/",
        '__attribute__((used, section(".fixed"))) uint32_t scaled(uint32_t by) { return by * 3u; }',
    ),
    (".data : {", ".fixed 0x10009000 : { KEEP(*(.fixed)) } > code\n  .data : {"),
)


def _main(code: str) -> tuple[tuple[str, str], ...]:
    return (("/*MAIN*/", code),)


NOWHERE, NEVER, THEIRS, POKED = (
    "branches to where nothing is stored",
    "branches to where no code can be",
    "branches to code of core ",
    "stores to RAM of another core",
)
OPS = (
    "typedef void act(void); "
    "const struct ops {{ act *first, *second; uint32_t size; }} ops = {{ {}, {}, 0x10002101u }};"
)
FAULTS = {
    "a pointer in a table": (
        "station",
        (("/*BEFORE*/", OPS.format("0", "(act *)0x10002001u")), *_main(f"{RELEASED} ops.second();")),
        NOWHERE,
    ),
    "a number": ("station", _main(RELEASED + GO.format("0x10002001u")), NOWHERE),
    "a number without a Thumb bit": ("station", _main(RELEASED + GO.format("0x10002000u")), NOWHERE),
    "a number in the other's area": ("station", _main(RELEASED + GO.format("0x1000F001u")), NOWHERE),
    "a device's register": ("station", _main(RELEASED + GO.format("0x40021001u")), NEVER),
    "an address of no memory": ("station", _main(RELEASED + GO.format("0x50000101u")), NEVER),
    "the other core's code": ("station", _main(RELEASED + GO.format("0x10008081u")), THEIRS),
    "the primary's code": ("sampler", _main(GO.format("0x10000081u")), THEIRS),
    "by the linker, into a function": (
        "station",
        (*LIBRARY, ("stack_top =", "scaled = 0x10009003; stack_top =")),
        THEIRS,
    ),
    "its RAM, a word": ("sampler", _main(POKE.format("uint32_t", "0x20000100u")), POKED),
    "its RAM, a byte at its start": ("sampler", _main(POKE.format("uint8_t", "0x20000000u")), POKED),
    "RAM of the secondary, once it runs": (
        "station",
        _main(RELEASED + POKE.format("uint32_t", "0x20003000u")),
        POKED,
    ),
    "the same by a handler": (
        "station",
        (("/*BEFORE*/", HANDLER.format(POKE.format("uint16_t", "0x20002000u"))), TAKEN),
        POKED,
    ),
}
LOOPS = {
    "asked at its start": "1: cmp r4, r5\\n bge 2f\\n str r1, [r4]\\n adds r4, #4\\n b 1b\\n2:",
    "unrolled": "1: cmp r4, r5\\n bhs 2f\\n str r1, [r4]\\n adds r4, #4\\n cmp r4, r5\\n bhs 2f\\n str r1, [r4]\\n"
    "adds r4, #4\\n b 1b\\n2:",
    "asked once before": "cmp r4, r5\\n beq 2f\\n1: str r1, [r4]\\n adds r4, #4\\n cmp r4, r5\\n bne 1b\\n2:",
}


def _cleared_by_loop(form: str, end: str) -> tuple[tuple[str, str], ...]:
    """A loop from the start of the sampler's RAM."""
    return (
        (
            "/*BEFORE*/",
            '__asm(".syntax unified\\n.text\\n.thumb_func\\n.global begin\\nbegin: movs r1, #0\\n push {r4, r5, lr}\\n"'
            f'"ldr r4, =0x20002000\\n ldr r5, ={end}\\n {form} pop {{r4, r5, pc}}\\n"'
            '".ltorg\\n.size begin, . - begin\\n"); void begin(void);',
        ),
        *_main(f"{RELEASED} begin();"),
    )


ASKED = "if (*(volatile uint32_t *)0x10007000u {}) "
NO_CONSTRUCTORS = (
    (
        "/*BEFORE*/",
        '__asm(".syntax unified\\n.text\\n.thumb_func\\n.global begin\\nbegin: movs r0, #1\\n push {r4, r5, lr}\\n"'
        '"ldr r4, =init_start\\n ldr r5, =init_end\\n1: cmp r4, r5\\n bge 2f\\n ldr r1, [r4]\\n blx r1\\n"'
        '"adds r4, #4\\n b 1b\\n2: pop {r4, r5, pc}\\n.ltorg\\n.size begin, . - begin\\n"); void begin(void);',
    ),
    ("  .text : {", "  .text : { init_start = .; init_end = .;"),
)
"""A table of no pointers, whose start is that of code: the loop over it is never entered."""

SOUND = {
    "another pointer in the same table": (
        "station",
        (
            ("/*BEFORE*/", "static void run(void) { turns++; } " + OPS.format("(act *)0x10002001u", "run")),
            *_main(f"{RELEASED} ops.second();"),
        ),
        (),
    ),
    "code of a ROM": ("station", _main(RELEASED + GO.format("0x1FFF0101u")), ROM),
    "an address of which nothing is known": ("station", _main(RELEASED + GO.format("0x1FFF0101u")), ()),
    "a function that its header announces": (
        "station",
        _main(RELEASED + ASKED.format("== 0x50415443u") + GO.format("0x10007005u")),
        (),
    ),
    "a function that is called if it is there": (
        "station",
        _main(RELEASED + ASKED.format("!= 0xFFFFFFFFu") + GO.format("0x10007001u")),
        (),
    ),
    "its own code by an alias": ("station", _main(RELEASED + GO.format("0x00000061u")), ALIASED),
    "code in RAM of its own": ("station", _main(RELEASED + GO.format("0x20000801u")), ()),
    "a function that nothing defines, called if it is there": (
        "sampler",
        _main(
            '__asm volatile(".weak board_hook\\nldr r3, =board_hook\\ncmp r3, #0\\nbeq 1f\\nblx r3\\n1: nop\\n.ltorg" '
            '::: "r0", "r1", "r2", "r3", "r12", "lr", "cc", "memory");'
        ),
        ALIASED,
    ),
    "a number that is an argument": (
        "station",
        _main(
            f"{RELEASED} void (*volatile to)(uint32_t) = (void (*)(uint32_t))main; if (IO(4)) to(0x10002001u);"
        ),
        (),
    ),
    "a function that nothing calls": (
        "station",
        (("/*BEFORE*/", HANDLER.format(GO.format("0x10002001u") + POKE.format("uint32_t", "0x20003000u"))),),
        (),
    ),
    "a function of the other, by the linker": (
        "station",
        (*LIBRARY, ("stack_top =", "scaled = 0x10009001; stack_top =")),
        (),
    ),
    "what the secondary starts with": (
        "station",
        _main(POKE.format("uint32_t", "0x20003000u") + "*(volatile uint32_t *)0x20003004u = 0;" + RELEASED),
        (),
    ),
    "held, changed and released again": (
        "station",
        (
            (
                "/*BEFORE*/",
                HANDLER.format(
                    f"IO(0x118) |= 2u; {POKE.format('uint32_t', '0x20003000u')} IO(0x118) &= ~2u;"
                ),
            ),
            TAKEN,
        ),
        (),
    ),
    "what they share": ("sampler", _main(POKE.format("uint32_t", "0x20004100u")), ()),
    "reads of the other's RAM": ("sampler", _main("turns = *(volatile uint32_t *)0x20000100u;"), ()),
}
WITH = (("gcc", "v6", "-Os"), ("gcc", "v7", "-O2"), ("clang", "v8", "-O1"), ("clang", "v7", "-O0"))


def _result(
    core: str, edits: tuple[tuple[str, str], ...], build: tuple[str, str, str], *changes: tuple[str, str]
) -> RuleResult:
    family = build[1]
    released = any(old == "/*MAIN*/" for old, _ in edits) or core == "sampler"
    given = {
        core: compiled(core, *build, edits if released else (*edits, *_main(RELEASED))),
        "sampler" if core == "station" else "station": compiled("sampler", *build, SHARED_FUNCTION)
        if core == "station"
        else compiled("station", *build, _main(RELEASED)),
    }
    return said_by(RULE, layout_for(family, *changes), pair(**given))


def _whats(
    core: str, edits: tuple[tuple[str, str], ...], build: tuple[str, str, str], *changes: tuple[str, str]
) -> list[str]:
    return [each.what for each in findings(_result(core, edits, build, *changes))]


@pytest.mark.parametrize("build", WITH, ids="-".join)
@pytest.mark.parametrize("case", FAULTS)
def test_code_that_leaves_its_own_memory(case: str, build: tuple[str, str, str]) -> None:
    """One finding, of the one kind."""
    core, edits, words = FAULTS[case]
    (what,) = _whats(core, edits, build)
    assert what.startswith(f"code of build {core} {words}")


@pytest.mark.parametrize("build", WITH, ids="-".join)
@pytest.mark.parametrize("case", SOUND)
def test_code_that_may_use_what_it_uses(case: str, build: tuple[str, str, str]) -> None:
    """What something else may be behind, or the layout does not show, is no finding."""
    core, edits, changes = SOUND[case]
    assert not _whats(core, edits, build, *changes)


BIT_BANDS = {
    "a bit of the primary's RAM": ("sampler", "0x22002000u", "0x2000_0100"),
    "a bit of the second byte of a word": ("sampler", "0x2200202Cu", "0x2000_0101"),
    "a bit of the secondary's RAM": ("station", "0x22042000u", "0x2000_2100"),
    "a bit of own RAM": ("sampler", "0x22042000u", ""),
    "a bit of shared RAM": ("sampler", "0x22080000u", ""),
    "a bit of a register": ("sampler", "0x42422400u", ""),
}
RAM_THERE = (
    "[memory.ram]",
    '[memory.more]\nstart = 0x2200_0000\nsize = "1 MiB"\nkind = "ram"\n\n[memory.ram]',
)


@pytest.mark.parametrize("build", [*WITH, ("clang", "v7", "-Os")], ids="-".join)
@pytest.mark.parametrize("case", BIT_BANDS)
def test_stores_by_a_bit_band_alias(case: str, build: tuple[str, str, str]) -> None:
    """Of Armv7-M alone they are stores to the byte of that bit, unless the layout has a memory there."""
    core, address, place = BIT_BANDS[case]
    poke = _main((RELEASED if core == "station" else "") + POKE.format("uint32_t", address))
    expected = [f"code of build {core} {POKED}"] if place and build[1] == "v7" else []
    result = _result(core, poke, build)
    assert [each.what for each in findings(result)] == expected
    assert all(each.found.startswith(place) for each in findings(result))
    assert not findings(_result(core, poke, build, RAM_THERE))


def test_header_before_code_that_is_programmed_later() -> None:
    """Data up to so many bytes in front of the code may say that it is there."""
    build = ("clang", "v7", "-O0")
    for at, count in ((HEADER, 0), (HEADER + 0x100, 1)):
        asked = f"{RELEASED} {ASKED.format('== 1u')}{GO.format(hex(0x1000_7001 + at) + 'u')}"
        assert len(_whats("station", _main(asked), build)) == count


@pytest.mark.parametrize("build", WITH, ids="-".join)
def test_a_loop_over_no_constructors_calls_nothing(build: tuple[str, str, str]) -> None:
    """Its first round would take code for the address of a function."""
    edits = (*NO_CONSTRUCTORS, *_main(f"{RELEASED} begin();"))
    station = pair(station=compiled("station", *build, edits))["station"]
    assert not calls_of(station, mapped_code(station), lambda target: not station.read_at_run(target, 2))


@pytest.mark.parametrize("build", WITH, ids="-".join)
@pytest.mark.parametrize("form", LOOPS)
def test_a_loop_over_no_bytes_stores_nothing(form: str, build: tuple[str, str, str]) -> None:
    """An empty block at the end of the RAM of its core, where that of another starts; the same of a word is found."""
    for end, count in (("0x20002000", 0), ("0x20002004", 1)):
        assert len(_whats("station", _cleared_by_loop(LOOPS[form], end), build)) == count


@pytest.mark.parametrize("build", WITH, ids="-".join)
def test_of_an_unrolled_loop_so_many_words_count_as_one_round(build: tuple[str, str, str]) -> None:
    """A store further on is another one."""
    for after, count in ((UNROLLED, 0), (UNROLLED + 4, 1)):
        form = f"cmp r4, r5\\n beq 2f\\n str r1, [r4, #{after}]\\n2:"
        assert len(_whats("station", _cleared_by_loop(form, "0x20002000"), build)) == count

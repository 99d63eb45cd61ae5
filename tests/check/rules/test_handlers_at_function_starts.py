"""Tests of the rule ``handlers-at-function-starts``."""

from __future__ import annotations

import pytest
from compiled_pairs import RELEASE, compiled, layout_for, pair
from elf_writer import SegmentSpec, SymbolSpec
from image_edits import changed
from small_device import STATION, TODAY, apply, builds, findings, joined, sampler_elf, station_elf
from verdict_builds import ARCHITECTURES, build_of, of

from gemel.checking.runner import RuleResult, check
from gemel.image.sparse import SparseBytes
from gemel.inspection.code.code_starts import MAX_PADDING
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.m_profile.instructions.halfwords import instructions
from gemel.spans import Span

RULE = "handlers-at-function-starts"
LAST_HANDLER = 0x1000_8000 + 4 * 23


def _in_padding(padding: Span, back: int, filling: bytes = b"\x00\xbf") -> RuleResult:
    """A station with two functions, ``padding`` between them, and a handler ``back`` bytes before the second."""
    code = b"\x70\x47" + filling * (padding.size // 2) + b"\x70\x47"
    text = SegmentSpec(padding.start - 2, code, flags="rx", section_name=".more")
    named = [SymbolSpec("one", padding.start - 2 | 1, 2), SymbolSpec("two", padding.end | 1, 2)]
    marks = [SymbolSpec("$t", padding.start - 2, kind="notype", binding="local")]
    elf = station_elf(extra=(text,), symbols=(*named, *marks), words={20: padding.end + 1 - back})
    return apply(RULE, handed=builds(station=elf))


def _named(words: dict[int, int | None], **names: int) -> RuleResult:
    """A station whose functions, by their number, have these names and are in these words of its table (None: 0)."""
    code = STATION + 0x800
    text = SegmentSpec(code, b"\x70\x47" * 8, flags="rx", section_name=".more")
    symbols = [SymbolSpec(name, code + 2 * number | 1, 2) for name, number in names.items()]
    symbols.append(SymbolSpec("$t", code, kind="notype", binding="local"))
    in_table = {word: 0 if at is None else code + 2 * at | 1 for word, at in words.items()}
    return apply(
        RULE, handed=builds(station=station_elf(extra=(text,), symbols=tuple(symbols), words=in_table))
    )


BREAKS = {
    "two handlers exchanged": lambda: _named({14: 1, 15: 0}, PendSV_Handler=0, SysTick_Handler=1),
    "a handler one word before its own": lambda: _named({14: 1}, sys_tick_handler=1),
    "a name in small letters": lambda: _named({11: 0, 14: 1}, svc_handler=1, pendsv_handler=0),
    "padding in front of a function": lambda: _in_padding(Span(STATION + 0x802, 2), 2),
    "a repeated byte in front of a function": lambda: _in_padding(Span(STATION + 0x802, 2), 2, b"\xd4\xd4"),
    "padding of several instructions": lambda: _in_padding(Span(STATION + 0x802, MAX_PADDING - 2), 6),
    "inside an instruction or function": lambda: of(RULE, "v6", "sampler-vector-inside"),
    "by clang and lld": lambda: of(RULE, "v7", "sampler-vector-inside"),
    "reset handler": lambda: of(RULE, "v8", "sampler-reset-behind"),
    "two words alike, and another": lambda: apply(
        RULE,
        handed=builds(
            station=station_elf(words={16: STATION + 0x85, 17: STATION + 0x85, 20: STATION + 0x87})
        ),
    ),
}
KEEPS = {
    "handlers in their own words": lambda: _named({14: 0, 15: 1}, PendSV_Handler=0, SysTick_Handler=1),
    "the handler of a fault serves others too": lambda: _named(
        {3: 0, 4: 0, 5: 0, 6: 0, 12: 0}, HardFault_Handler=0
    ),
    "a default handler with every name": lambda: _named(
        {2: 0, 3: 0, 11: 0, 14: 0, 15: 1}, PendSV_Handler=0, NMI_Handler=0, SVC_Handler=0, SysTick_Handler=1
    ),
    "a tick handler that serves an interrupt": lambda: _named({16: 1}, SysTick_Handler=1),
    "one that does, and no PendSV, of which nothing else is late": lambda: _named(
        {14: None, 15: 1, 16: 1}, SysTick_Handler=1
    ),
    "names that begin so": lambda: _named({14: 0, 15: 1}, SVC_Handler_of_kernel=0, PendSV_Handler_2=1),
    "an even address in padding, as other rules find": lambda: _in_padding(Span(STATION + 0x802, 2), 1),
    "an address of code that no symbol names": lambda: _in_padding(Span(STATION + 0x802, 2), 2, b"\x08\x47"),
    "padding without a function after it": lambda: _in_padding(Span(STATION + 0x802, MAX_PADDING), 2),
    "both builds": lambda: of(RULE, "v7"),
    "an entry with a label of its own": lambda: of(RULE, "v8", "sampler-entries"),
    "handlers in RAM": lambda: of(RULE, "v6", "sampler-ram-code"),
    "a C library's start": lambda: of(RULE, "v6", "station-library", "sampler-library"),
}


MISPLACED = {
    "exchanged": (
        lambda: _named({14: 1, 15: 0}, PendSV_Handler=0, SysTick_Handler=1),
        "SysTick_Handler in word 14 (PendSV), PendSV_Handler in word 15 (SysTick)",
        "SysTick_Handler in word 15, PendSV_Handler in word 14",
        "write the handlers into the table in the order of the exceptions",
    ),
    "a word left out": (
        lambda: _named({13: 0, 14: 1}, PendSV_Handler=0, SysTick_Handler=1),
        "PendSV_Handler in word 13 (reserved), SysTick_Handler in word 14 (PendSV)",
        "PendSV_Handler in word 14, SysTick_Handler in word 15",
        "add a word of zero at word 13, which the architecture reserves",
    ),
    "a word too many": (
        lambda: _named({8: 0, 12: 1, 15: 2}, SVC_Handler=1, PendSV_Handler=2),
        "SVC_Handler in word 12 (DebugMonitor), PendSV_Handler in word 15 (SysTick)",
        "SVC_Handler in word 11, PendSV_Handler in word 14",
        "leave out a word before word 12",
    ),
    "a word too many, and a default handler": (
        lambda: _named(
            {11: None, 12: 0, 13: 0, 14: None, 15: 0, 16: 1}, Default_Handler=0, SysTick_Handler=1
        ),
        "SysTick_Handler in word 16 (interrupt 0)",
        "SysTick_Handler in word 15",
        "leave out a word before word 16",
    ),
}


@pytest.mark.parametrize("name", MISPLACED)
def test_handlers_in_words_of_other_exceptions(name: str) -> None:
    """They are named with both words, and with what is wrong in the table."""
    result, found, expected, step = MISPLACED[name]
    (finding,) = findings(result())
    assert (finding.found, finding.expected, finding.next_step) == (found, expected, step)


def test_the_finding_names_the_function_and_the_distance() -> None:
    """A handler behind a function's start is told with the function and how far it is."""
    (finding,) = findings(BREAKS["reset handler"]())
    assert (
        finding.what == "a reset handler of build sampler is inside of reset_handler, 4 bytes after its start"
    )


@pytest.mark.parametrize("family", ["v7", "v8"])
@pytest.mark.parametrize(("core", "last"), [("station", STATION + 4 * 23), ("sampler", LAST_HANDLER)])
def test_the_second_half_of_an_instruction_is_no_start(core: str, last: int, family: str) -> None:
    """Where the symbols are given, it is said to be inside an instruction, with the function and the distance.

    In the code at reset by GCC for v6 no instruction has 32 bits.
    """
    build = build_of(core, f"{core}-{family}")
    reset = build.symbols.one("reset_handler")
    code = build.read_at_run(reset.address, reset.size)
    half = next(at for at, _, second in instructions(code) if second) + 2
    word = (reset.address + half | 1).to_bytes(4, "little")
    (finding,) = findings(of(RULE, family, edit=lambda image: changed(image, {last: word})))
    assert f"inside an instruction of reset_handler, {half} bytes after its start" in finding.what


_WIDE = '__attribute__((naked, used)) void late(void) { __asm("push.w {r4, r8, lr}\\n pop.w {r4, r8, pc}"); }'
_NARROW = '__attribute__((naked, used)) void late(void) { __asm("push {r4, lr}\\n nop\\n pop {r4, pc}"); }'


@pytest.mark.parametrize("compiler", ["gcc", "clang"])
@pytest.mark.parametrize(
    ("family", "source", "found"),
    [
        ("v6", _NARROW, "inside of late, 2 bytes after its start"),
        ("v7", _WIDE, "inside an instruction of late, 2 bytes after its start"),
        ("v7", _NARROW, "inside of late, 2 bytes after its start"),
        ("v8", _WIDE, "inside an instruction of late, 2 bytes after its start"),
    ],
)
@pytest.mark.parametrize("distance", [0, 2])
def test_a_handler_two_bytes_after_a_start_is_the_one_finding(
    compiler: str, family: str, source: str, found: str, distance: int
) -> None:
    """Of a whole check, with the second half of the first instruction or the second instruction in the table."""
    edits = (("/*BEFORE*/", source), ("[11] = stop", f"[11] = (const char *)late + {distance}"))
    builds = pair(
        station=compiled("station", compiler, family, "-Os", (("/*MAIN*/", RELEASE),)),
        sampler=compiled("sampler", compiler, family, "-Os", edits),
    )
    read = layout_for(family)
    whole = check(Inspection(read, join(read, builds).image, builds, disassemble=True), TODAY)
    broken = {
        each.rule.name: [finding.finding.what for finding in each.findings]
        for each in whole.results
        if each.findings
    }
    expected = {RULE: [f"a handler of build sampler is {found}"]} if distance else {}
    assert broken == expected


def _alone(family: str, word: int | None = None, file: str = "sampler") -> RuleResult:
    """The image without builds, its last handler replaced."""

    def edit(image: SparseBytes) -> SparseBytes:
        return changed(image, {LAST_HANDLER: word.to_bytes(4, "little")}) if word is not None else image

    return of(RULE, family, file, given=(), edit=edit)


@pytest.mark.parametrize("family", ARCHITECTURES)
def test_constants_are_known_in_an_image_alone(family: str) -> None:
    """A handler at constants, or at a word that the code at reset loads, is found without symbols."""
    build = build_of("sampler", f"sampler-{family}")
    reset = build.symbols.one("reset_handler")
    code = build.read_at_run(reset.address, reset.size)
    literals = [
        at + 4 + (first & 0xFF) * 4 & ~3 for at, first, _ in instructions(code) if first >> 11 == 0b01001
    ]
    assert literals or family != "v6"
    for offset in literals:
        assert findings(_alone(family, reset.address + offset | 1))
        assert not findings(_alone(family, reset.address + offset)), (
            "no Thumb bit, which handlers-in-code finds"
        )
    (finding,) = findings(_alone(family, file="sampler-vector-constant"))
    assert finding.lines == ()
    assert finding.what == "a handler of build sampler is at bytes that do not read as code"


@pytest.mark.parametrize(
    ("indices", "found"),
    [((0,), []), ((1,), ["reset handler"]), ((8,), []), ((22,), ["handler"]), ((21, 22), ["handler"])],
)
def test_only_words_that_a_core_branches_to_are_looked_at_in_an_image_alone(
    indices: tuple[int, ...], found: list[str]
) -> None:
    """Not the stack pointer and not a reserved word; words alike are one finding."""

    def edit(image: SparseBytes) -> SparseBytes:
        odd, sound = (image.read(Span(LAST_HANDLER - back, 4), None) for back in (0, 4))
        table = LAST_HANDLER - 4 * 23
        return changed(image, {LAST_HANDLER: sound, **{table + 4 * index: odd for index in indices}})

    result = of(RULE, "v8", "sampler-vector-constant", given=(), edit=edit)
    assert [each.what for each in findings(result)] == [
        f"a {what} of build sampler is at bytes that do not read as code" for what in found
    ]


def test_the_inside_of_an_instruction_is_known_in_an_image_alone() -> None:
    """A handler in the second half of an instruction that the reset handler reaches is found without symbols."""
    build = build_of("sampler", "sampler-v8")
    reset = build.symbols.one("reset_handler")
    code = build.read_at_run(reset.address, reset.size)
    wide = next(at for at, _, second in instructions(code) if second)
    (finding,) = findings(_alone("v8", reset.address + wide + 2 | 1))
    assert finding.what.endswith("the second half of an instruction of the code at reset")


@pytest.mark.parametrize("family", ARCHITECTURES)
@pytest.mark.parametrize("file", ["sampler", "sampler-entries", "sampler-vector-inside", "sampler-ram-code"])
def test_what_reads_as_code_is_left_alone(file: str, family: str) -> None:
    """Without symbols an address inside of a function may be an entry by design."""
    result = _alone(family, file=file)
    assert (findings(result), result.status) == ([], "not checked")


@pytest.mark.parametrize("trap", ["ffde", "fede", "00be", "00df"])
def test_a_handler_may_do_no_more_than_trap(trap: str) -> None:
    """UDF as GCC and clang write __builtin_trap, BKPT, SVC: a first instruction like any other, without symbols too."""
    code = bytes.fromhex(trap) + bytes.fromhex("fee7") * 7
    made = joined(handed=builds(station=station_elf(code=code), sampler=sampler_elf(code=code)))
    assert findings(apply(RULE, image=made.image, handed={})) == []


@pytest.mark.parametrize(
    ("index", "word", "broken"), [(16, 0x85, True), (16, 0x84, False), (8, 0x85, False), (0, 0x85, False)]
)
def test_only_words_that_a_core_branches_to_are_looked_at(index: int, word: int, broken: bool) -> None:
    """Not the stack pointer, not a reserved word, not one without a Thumb bit: other rules show these."""
    station = station_elf(words={index: STATION + word})
    assert bool(findings(apply(RULE, handed=builds(station=station)))) == broken

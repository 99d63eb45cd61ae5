"""Raw binaries and HEX files that were made without initialised data, or were cut, compiled by GCC and clang."""

from __future__ import annotations

import pytest
from compiled_pairs import FOR_RAM, RELEASE, RUNS_IN_RAM, compiled, layout_for, pair, said_by
from small_device import TODAY, findings

from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.checking.rules.flash_words_programmed import MIN_CONSTANTS
from gemel.checking.rules.start_copies_stored_data import MAX_PIECE
from gemel.checking.runner import check
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.outcomes import Finding
from gemel.spans import Span

RULE = "start-copies-stored-data"
WITH = (("gcc", "v6", "-Os"), ("clang", "v8", "-O2"), ("gcc", "v7", "-O1"))
BINARY, HEX = "arm-none-eabi-objcopy -O binary", "arm-none-eabi-objcopy -O ihex"
VALUES = "volatile uint32_t values[32] = { 1, 2, 3, 4, 5, 6, 7, 8, 9, [31] = 32 };"
COPY = "for (volatile uint32_t *at = data_start; at < data_end;) *at++ = *from++;"
PIECES = (
    "for (volatile uint32_t *at = data_start; at < data_end;) for (int i = 0; i < 8; i++) *at++ = *from++;"
)
MORE = COPY.replace("at < data_end", "at <= data_end")
WAITS = "while (!(IO(0x40) & 1u)) { } while (IO(0x44) & 1u) { } "
SETTINGS = (
    "static uint32_t settings[16]; for (int i = 0; i < 16; i++) "
    "settings[i] = ((const volatile uint32_t *)0x10004000u)[i]; mark = settings[3];"
)
BREAKS = {
    "a binary without .data": (COPY, f"{BINARY} -R .data", 0),
    "HEX without .data": (COPY, f"{HEX} -R .data", 0),
    "a binary without .data, after a wait": (WAITS + COPY, f"{BINARY} -R .data", 0),
    "a binary, cut": (COPY, BINARY, 64),
}
KEEPS = {
    "a binary": (COPY, BINARY, 0),
    "HEX": (COPY, HEX, 0),
    "a word more": (MORE, BINARY, 0),
    "pieces of eight words": (PIECES, BINARY, 0),
    "settings in the next erase block": (f"{COPY} {SETTINGS.replace('4000u', '1000u')}", BINARY, 0),
    "settings in flash that are still erased": (f"{COPY} {SETTINGS}", BINARY, 0),
}


def _said(
    case: tuple[str, str, int], compiler: str, family: str, level: str, *more: tuple[str, str]
) -> list[Finding]:
    copy, after, cut = case
    release = f"{RELEASE} level = values[turns & 31];"
    edits = (("/*BEFORE*/", VALUES), ("/*MAIN*/", release), (COPY, copy), *more)
    data = compiled("station", compiler, family, level, edits, after)
    builds = pair(station=data[: len(data) - cut], sampler=compiled("sampler", compiler, family, level))
    return findings(said_by(RULE, layout_for(family), builds))


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", BREAKS)
def test_the_data_is_missed(case: str, compiler: str, family: str, level: str) -> None:
    """Code that copies it shows where it would be, without symbols too."""
    (found,) = _said(BREAKS[case], compiler, family, level)
    assert "where nothing is stored" in found.found
    assert "--remove-section" in found.next_step


MARK_LAST = (
    ("  .data :", "  .last 0x10004000 : { KEEP(*(.last)) } > late\n  .data :"),
    ("/*BEFORE*/", '__attribute__((section(".last"), used)) const uint32_t last = 5;'),
    ("code (rx) : ORIGIN = FLASH, LENGTH = 32K", "code (rx) : ORIGIN = FLASH, LENGTH = 16K\n late : "
     "ORIGIN = FLASH + 0x4000, LENGTH = 16K"),
)  # fmt: skip
"""A mark that comes last in flash, after the data."""


@pytest.mark.parametrize("with_what", WITH)
@pytest.mark.parametrize("more", [(), MARK_LAST], ids=["last", "before a mark"])
def test_a_single_variable_is_missed(
    more: tuple[tuple[str, str], ...], with_what: tuple[str, str, str]
) -> None:
    """Of ELF files with symbols and without, and of HEX files, where code copies it from the end of what is stored."""
    edits, sampler = (("/*MAIN*/", RELEASE), *more), compiled("sampler", *with_what)
    for after in ("arm-none-eabi-objcopy", "arm-none-eabi-objcopy -S", HEX):
        for left_out, count in (("", 0), (" -R .data", 1)):
            station = compiled("station", *with_what, edits, f"{after}{left_out}")
            found = findings(said_by(RULE, layout_for(with_what[1]), pair(station=station, sampler=sampler)))
            assert len(found) == count, (after, left_out)


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
def test_constants_and_data_are_missed(compiler: str, family: str, level: str) -> None:
    """A file of vectors and code alone ends some way before the data that code copies."""
    edits = (
        ("/*BEFORE*/", f"{VALUES} const volatile uint32_t curve[40] = {{ 1, 2, 3 }};"),
        ("/*MAIN*/", f"{RELEASE} level = values[turns & 31] + curve[turns & 31];"),
        (
            " *(.rodata .rodata.*) . = ALIGN(4); } > code",
            " . = ALIGN(4); } > code .rodata : { *(.rodata*) } > code",
        ),
    )
    whole, part = (
        compiled("station", compiler, family, level, edits, f"{BINARY}{only}")
        for only in ("", " -j .vectors -j .text")
    )
    for data, count in ((whole, 0), (part, 1)):
        builds = pair(station=data, sampler=compiled("sampler", compiler, family, level))
        assert len(findings(said_by(RULE, layout_for(family), builds))) == count


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", KEEPS)
def test_nothing_is_missed(case: str, compiler: str, family: str, level: str) -> None:
    """Ends that are rounded up, and what the device is to write later, are no part of the build."""
    assert not _said(KEEPS[case], compiler, family, level)


CLEAR = "for (volatile uint32_t *at = bss_start; at < bss_end;) *at++ = 0;"


@pytest.mark.parametrize("with_what", WITH)
def test_a_few_bytes_may_be_an_end_that_is_rounded_up(with_what: tuple[str, str, str]) -> None:
    """MAX_PIECE bytes cut off say nothing where no cleared data comes next; a write unit and a word more do."""
    cuts = (MAX_PIECE, MAX_PIECE + 20)
    assert [len(_said((COPY, BINARY, cut), *with_what, (CLEAR, ""))) for cut in cuts] == [0, 1]


@pytest.mark.parametrize("cut", [4, 8, 16, 24, 36, 128, 136])
@pytest.mark.parametrize("with_what", WITH)
def test_cleared_data_shows_where_the_data_ends(cut: int, with_what: tuple[str, str, str]) -> None:
    """It begins right after it: a few bytes are missed too, unless both were aligned; so is all data, with code."""
    (found,) = _said((COPY, BINARY, cut), *with_what)
    assert "where nothing is stored" in found.found


@pytest.mark.parametrize("alignment", [8, 16, 32])
@pytest.mark.parametrize("with_what", WITH)
def test_an_end_aligned_outside_of_its_section(alignment: int, with_what: tuple[str, str, str]) -> None:
    """The start-up code copies up to it, and no file has bytes for that."""
    ends = (
        (
            ". = ALIGN(4); data_end = .; } > ram AT > code",
            f"}} > ram AT > code\n. = ALIGN({alignment}); data_end = .;",
        ),
        ("bss_start = .;", f". = ALIGN({alignment}); bss_start = .;"),
    )
    for words in (1, 2, 7, 9):
        shorter = ("values[32] = { 1, 2, 3, 4, 5, 6, 7, 8, 9, [31] = 32 }", f"values[{words}] = {{ 1 }}")
        assert not _said((COPY, BINARY, 0), *with_what, *ends, shorter)


CODE_LAST = (
    ("volatile uint32_t turns, level = 7, mark;", "volatile uint32_t turns, level, mark;"),
    ("/*MAIN*/", f"{RELEASE} level = turns * 7u + 1000003u;"),
)
WITH_POOLS = (("gcc", "v6", "-Os"), ("gcc", "v7", "-O1"), ("gcc", "v8", "-O3"))


def _warned(file: bytes, family: str, sampler: bytes, edit: int = 0, *, alone: bool = False) -> list[str]:
    """What all rules find of a station's file, or of the image alone that it was joined to, less some bytes of it."""
    read, builds = layout_for(family), pair(station=file, sampler=sampler)
    image = join(read, builds).image
    if edit:
        end = max(each.end for each in image.held_in(Span(0x1000_8000, 0x8000)))
        image.erase(Span(end - edit, edit))
    result = check(Inspection(read, image, {} if alone else builds, disassemble=True), TODAY)
    return [finding.what for each in result.results for finding in findings(each)]


@pytest.mark.parametrize("with_what", WITH_POOLS)
def test_code_that_loads_from_after_the_end(with_what: tuple[str, str, str]) -> None:
    """Of a binary or HEX file that ends in code, whatever few bytes are cut off; of a whole one nothing is missed."""
    sampler = compiled("sampler", *with_what)
    for after in (BINARY, HEX):
        assert not _warned(compiled("station", *with_what, CODE_LAST, after), with_what[1], sampler)
    whole = compiled("station", *with_what, CODE_LAST, BINARY)
    for cut in (1, 2, 3, 4, 8, 16):
        assert _warned(whole[:-cut], with_what[1], sampler) == ["build station ends in its code"]
    lines = compiled("station", *with_what, CODE_LAST, HEX).splitlines(keepends=True)
    at = max(at for at, line in enumerate(lines) if line[7:9] == b"00")
    assert _warned(b"".join(lines[:at] + lines[at + 1 :]), with_what[1], sampler)[0].startswith(
        ("build station ends in its code", "start-up code of build station copies data")
    )


@pytest.mark.parametrize("with_what", WITH_POOLS)
def test_an_image_alone_that_ends_in_code(with_what: tuple[str, str, str]) -> None:
    """Without a record, the code of the last build shows that the image was cut."""
    station = compiled("station", *with_what, (("/*MAIN*/", RELEASE),))
    sampler = compiled("sampler", *with_what, CODE_LAST[:1])
    assert not _warned(station, with_what[1], sampler, alone=True)
    assert _warned(station, with_what[1], sampler, 16, alone=True) == ["build sampler ends in its code"]


@pytest.mark.parametrize("with_what", [*WITH_POOLS, ("clang", "v7", "-O2"), ("clang", "v8", "-Os")])
def test_code_that_ends_by_a_call_that_never_returns(with_what: tuple[str, str, str]) -> None:
    """Nothing comes after it; nor after a trap, a word of ones, and constants that are as erased flash is."""
    sampler = compiled("sampler", *with_what)
    attributes = '__attribute__((section(".text.zz"), used, noinline'
    for last in (
        f"{attributes}, noreturn)) void last(void) {{ IO(0) = 1; reset(); __builtin_unreachable(); }}",
        f"{attributes})) void last(void) {{ IO(0) = 0xFFFFFFFFu; }}",
        f"{attributes})) uint32_t last(void) {{ return IO(4) ^ 0xFFFFEEFFu; }}",
    ):
        edits = (
            CODE_LAST[0],
            ("/*BEFORE*/", f"__attribute__((noreturn)) void reset(void); {last}"),
            ("/*MAIN*/", f"{RELEASE} if (turns == 77) last();"),
        )
        assert not _warned(compiled("station", *with_what, edits, BINARY), with_what[1], sampler)


CONSTANTS = (
    "typedef const uint8_t bytes; "
    'bytes low[] = { 1, 2, 3, 4, 5, 6, 7, 8, 9 }, high[] = { 9, 8, 7, 6, 5, 4, 3, 2, 1 }, names[] = "ebb and flood"; '
    "__attribute__((noinline)) uint32_t at(bytes *from) { return from[turns % 9]; }"
)
READS = f"{RELEASE} level = at(low) + at(high) + at(names) + level;"
APART = (
    " *(.rodata .rodata.*) . = ALIGN(4); } > code",
    " . = ALIGN(4); } > code .rodata : { *(.rodata .rodata.*) . = ALIGN(32); } > code",
)
ZEROS = (
    "const uint8_t zeros[64]; __attribute__((noinline)) uint32_t sum(const uint8_t *from) "
    "{ uint32_t all = 0; for (unsigned i = 0; i < 64; i++) all += from[i]; return all; }"
)
PAGE = "((const volatile uint32_t *)0x10001000u)"


def _constants(
    code: str, main: str, after: str, with_what: tuple[str, str, str], *more: tuple[str, str]
) -> list[str]:
    edits = (("/*BEFORE*/", code), ("/*MAIN*/", main), APART, *more)
    station = compiled("station", *with_what, edits, after)
    return _warned(station, with_what[1], compiled("sampler", *with_what))


@pytest.mark.parametrize("with_what", WITH)
def test_constants_alone_are_missed(with_what: tuple[str, str, str]) -> None:
    """Where data follows, tools fill their place; with no data at all the file ends before them."""
    said = ["code of build station reads constants where its file has none"]
    assert _constants(CONSTANTS, READS, BINARY, with_what) == []
    assert _constants(CONSTANTS, READS, f"{BINARY} -R .rodata", with_what) == said
    assert _constants(CONSTANTS, READS, f"{BINARY} -R .rodata --gap-fill 0xff", with_what) == said
    assert _constants(CONSTANTS, READS, f"{BINARY} -R .rodata", with_what, CODE_LAST[0]) == said


@pytest.mark.parametrize("with_what", WITH)
def test_so_few_constants_may_be_a_block_of_zeros(with_what: tuple[str, str, str]) -> None:
    """Of MIN_CONSTANTS addresses something is missed; of one less nothing."""
    names = ("low", "high", "names")
    for count in (MIN_CONSTANTS - 1, MIN_CONSTANTS):
        reads = f"{RELEASE} level += {' + '.join(f'at({name})' for name in names[:count])};"
        found = _constants(CONSTANTS, reads, f"{BINARY} -R .rodata", with_what)
        assert bool(found) == (count == MIN_CONSTANTS)


@pytest.mark.parametrize("with_what", WITH)
def test_zeros_that_are_constants(with_what: tuple[str, str, str]) -> None:
    """A block of zeros, and settings that the device writes to a page of the file, are nothing that is missed."""
    sums = f"{RELEASE} level = sum(zeros) + level;"
    assert _constants(ZEROS, sums, BINARY, with_what) == []
    page = f"{RELEASE} level = {PAGE}[0] + {PAGE}[9] + {PAGE}[40] + {PAGE}[90];"
    late = ("  .data :", "  .late 0x10002000 : { *(.late) } > code\n  .data :")
    code = '__attribute__((section(".late"), used)) void later(void) { IO(0) = 1; }'
    assert _constants(code, page, BINARY, with_what, late) == []


@pytest.mark.parametrize("with_what", [("gcc", "v6", "-O0"), ("gcc", "v7", "-O0"), ("clang", "v8", "-O1")])
def test_zeros_in_records_are_content(with_what: tuple[str, str, str]) -> None:
    """Settings that are all zero, one after the other, are no constants that a HEX file lacks."""
    reads = f"{RELEASE} level += at(low) + at(high) + at(names);"
    code = f"typedef const uint8_t bytes; bytes low[24], high[24], names[24]; {CONSTANTS[CONSTANTS.index('__attr') :]}"
    assert _constants(code, reads, HEX, with_what) == []
    said = ["code of build station reads constants where its file has none"]
    assert _constants(CONSTANTS, reads, f"{HEX} -R .rodata", with_what) == said


@pytest.mark.parametrize("with_what", [("gcc", "v6", "-O0"), ("gcc", "v7", "-O0"), ("clang", "v8", "-O2")])
@pytest.mark.parametrize("after", [BINARY, f"{BINARY} --set-section-flags .bss=alloc,load,contents"])
def test_variables_of_a_build_that_runs_in_ram(after: str, with_what: tuple[str, str, str]) -> None:
    """They are right after its last byte, or stored as zeros, and are no constants that are missed."""
    code = "volatile uint32_t counts[6], sums[6], last; volatile uint16_t samples[8];"
    counts = "counts[turns & 3]++; sums[turns & 3] += level; last = level; samples[level & 7] += 3;"
    edits = (("/*BEFORE*/", code), ("/*MAIN*/", counts), *FOR_RAM, ("} > ram AT > code", "} > code"))
    sampler = compiled(
        "sampler", *with_what, (*edits, ("bss_end = .; } > ram", "bss_end = .; } > code")), after
    )
    station = compiled("station", *with_what, (("/*MAIN*/", RELEASE.replace("0x10008000u", "0x20005000u")),))
    read, builds = layout_for(with_what[1], *RUNS_IN_RAM), pair(station=station, sampler=sampler)
    assert not findings(said_by("flash-words-programmed", read, builds))


@pytest.mark.parametrize("with_what", WITH_POOLS)
def test_each_record_of_code_counts(with_what: tuple[str, str, str]) -> None:
    """Wherever it begins and ends: one is missed of a HEX file too where the next one is aligned."""
    code = (
        "__attribute__((noinline)) static void step(uint32_t by) { " + "IO(by) ^= IO(by + 4) + 3; " * 40 + "}"
    )
    edits = (("/*BEFORE*/", code), ("/*MAIN*/", f"{RELEASE} step(level);"))
    sampler = compiled("sampler", *with_what)
    symbols = read_build(
        BytesSource(compiled("station", *with_what, edits), "s.elf"), name="s", file="s.elf"
    ).symbols
    assert symbols
    span = next(each.span for each in symbols.all() if each.name.startswith("step"))
    lines = compiled("station", *with_what, edits, HEX).splitlines(keepends=True)
    tried = 0
    for at, line in enumerate(lines):
        address = 0x1000_0000 + int(line[3:7], 16)
        if line[7:9] == b"00" and span.covers(Span(address, int(line[1:3], 16))):
            left = _warned(b"".join(lines[:at] + lines[at + 1 :]), with_what[1], sampler)
            assert left == ["the file of build station lacks a record"]
            tried += 1
    assert tried > 10


@pytest.mark.parametrize("with_what", WITH)
def test_data_that_the_script_does_not_have_stored(with_what: tuple[str, str, str]) -> None:
    """The section is named, once, where symbols and the run of start-up code show the same copy."""
    edits = (
        ("/*BEFORE*/", VALUES),
        ("/*MAIN*/", f"{RELEASE} level = values[turns & 31];"),
        ("  .data :", "  .data (NOLOAD) :"),
        ("data_start", "__data_start__"),
        ("data_end", "__data_end__"),
        ("data_load", "__etext"),
    )
    builds = pair(station=compiled("station", *with_what, edits), sampler=compiled("sampler", *with_what))
    (found,) = findings(said_by(RULE, layout_for(with_what[1]), builds))
    assert found.found.endswith("; section .data there stores nothing")
    assert found.next_step == "take (NOLOAD) from section .data in the linker script"

"""HEX and S-record files of compiled builds with a record less, and with gaps that a linker script makes."""

from __future__ import annotations

import pytest
from compiled_pairs import CODE, RELEASE, compiled, layout_for, pair, said_by
from record_lines import s_line
from small_device import TODAY, findings

from gemel.checking.runner import check
from gemel.image.gathering import MIN_USUAL
from gemel.image.s_record import decode
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join

RULE = "flash-words-programmed"
WITH = (("gcc", "v6", "-Os"), ("clang", "v8", "-O2"), ("gcc", "v7", "-O1"))
HEX, SREC = "arm-none-eabi-objcopy -O ihex", "arm-none-eabi-objcopy -O srec --srec-forceS3"
TABLE = (
    "/*BEFORE*/",
    "__attribute__((used)) const volatile uint16_t curve[150] = { 3, 5, 8 };"
    "__attribute__((used, noinline)) uint32_t of(uint32_t at) { return curve[at % 150]; }",
)
USED = ("/*MAIN*/", "level = of(turns);")
KEPT = ("KEEP(*(.vectors))", "KEEP(*(.vectors)) KEEP(*(.rodata.curve))")
AFTER = "} > code\n  .ARM.exidx"
SECTIONS = {
    "as the linker packs it": (),
    "an alignment of 32": ((".text : {", ".text : ALIGN(32) {"),),
    "an alignment of 256": ((".text : {", ".text : ALIGN(256) {"),),
    "a word for a checksum": ((AFTER, "} > code\n  end_of_code = .; . = . + 4;\n  .ARM.exidx"),),
    "words for a serial number": ((AFTER, "} > code\n  end_of_code = .; . = . + 16;\n  .ARM.exidx"),),
    "32 bytes for a digest": ((AFTER, "} > code\n  end_of_code = .; . = . + 32;\n  .ARM.exidx"),),
    "48 bytes for a signature": ((AFTER, "} > code\n  end_of_code = .; . = . + 48;\n  .ARM.exidx"),),
    "code at a fixed place": ((".text : {", ".text 0x10000230 : {"),),
    "a page of settings": ((".text : {", ".settings (NOLOAD) : { . += 256; } > code .text : {"),),
}


def _lines(after: str, compiler: str, family: str, level: str, *edits: tuple[str, str]) -> list[bytes]:
    return compiled("station", compiler, family, level, (TABLE, USED, KEPT, *edits), after).splitlines()


def _said(lines: list[bytes], compiler: str, family: str, level: str):
    builds = pair(station=b"\n".join(lines) + b"\n", sampler=compiled("sampler", compiler, family, level))
    return findings(said_by(RULE, layout_for(family), builds))


@pytest.mark.parametrize("after", [HEX, SREC], ids=["HEX", "S-records"])
@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
def test_a_record_is_lost(after: str, compiler: str, family: str, level: str) -> None:
    """In a table of constants every second one is found: before the others an alignment may be."""
    lines = _lines(after, compiler, family, level)
    found = []
    for at in range(10, 20):  # the line before is the at-th of the file
        each = _said(lines[:at] + lines[at + 1 :], compiler, family, level)
        found += [(at, finding) for finding in each]
    assert len(found) >= 5
    assert all(f", after line {at}" in finding.where for at, finding in found)
    assert all("16 bytes" in finding.found for _, finding in found)


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
def test_code_that_goes_on_into_the_gap(compiler: str, family: str, level: str) -> None:
    """It shows that there is no alignment; so does a branch to there."""
    lines = _lines(HEX, compiler, family, level)
    last = len(lines) - 5
    lost = [at for at in range(20, last) if _said(lines[:at] + lines[at + 1 :], compiler, family, level)]
    assert len(lost) > (last - 20) // 2


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
def test_several_records_are_lost(compiler: str, family: str, level: str) -> None:
    """Where code goes on into what they had; of as many bytes that a script leaves free nothing is said."""
    lines = _lines(HEX, compiler, family, level)
    last = len(lines) - 8
    found = [_said(lines[:at] + lines[at + 3 :], compiler, family, level) for at in range(10, last)]
    lost = [each for each in found if each]
    assert len(lost) >= 3
    assert all(len(each) == 1 and "lacks 3 records" in each[0].what for each in lost)


@pytest.mark.parametrize(("size", "count"), [(MIN_USUAL - 1, 0), (MIN_USUAL, 1)])
def test_gaps_of_a_multiple_of_a_short_record_are_none(size: int, count: int) -> None:
    """Records of fewer bytes than MIN_USUAL leave any gap as several of them."""
    places = [0x1000_0000 + size * at for at in (0, 1, 2, 3, 6, 7, 8, 9)]
    lines = [*(s_line(3, at, bytes(range(size))) for at in places), s_line(7)]
    assert len(decode([b"".join(lines)], "two.srec").gaps) == count


@pytest.mark.parametrize("after", [HEX, SREC], ids=["HEX", "S-records"])
@pytest.mark.parametrize("case", SECTIONS)
def test_a_gap_of_the_linker_script(case: str, after: str) -> None:
    """Alignments, and what a script leaves free, are no lost record."""
    for with_what in WITH:
        assert not _said(_lines(after, *with_what, *SECTIONS[case]), *with_what)


VECTORS = CODE[CODE.index('__attribute__((used, section(".vectors")))') :]
KEEP_VECTORS = ".vectors : { KEEP(*(.vectors)) } > code"
NAMED = {0: "stack_top", 1: "reset", **dict.fromkeys((*range(4, 11), 12, 13), "0")}


def _vectors(*parts: tuple[int, int]) -> tuple[tuple[str, str], tuple[str, str]]:
    """A table in parts, a section each, of which the words between them are nobody's."""
    code, script = "typedef const void *const word;\n", ""
    for first, last in parts:
        words = ", ".join(NAMED.get(index, "stop") for index in range(first, last + 1))
        code += f'__attribute__((used, section(".v{first}"))) word v{first}[] = {{ {words} }};\n'
        script += f"  .v{first} ORIGIN(code) + {4 * first} : {{ KEEP(*(.v{first})) }} > code\n"
    return (VECTORS, code), (KEEP_VECTORS, script)


IN_TABLES = {
    "a slot after the table": ((".text : {", ".slot (NOLOAD) : { . += 16; } > code .text : {"),),
    "interrupts that the core does not have": _vectors((0, 23), (28, 47)),
    "more of them, later": _vectors((0, 31), (36, 47)),
    "reserved words": _vectors((0, 2), (3, 7), (11, 23)),
    "reserved words in two places": _vectors((0, 7), (11, 12), (14, 23)),
}


def _broken(
    *with_what: str, edits: tuple[tuple[str, str], ...], after: str, interrupts: int = 8, lost: int = 0
) -> set[str]:
    """The rules with a finding, of all; the record at an offset of the station's file is lost."""
    read = layout_for(with_what[1], ("interrupts = 8", f"interrupts = {interrupts}"))
    words = 16 + interrupts
    longer = (("vectors[24]", f"vectors[{words}]"), ("14 ... 23", f"14 ... {words - 1}"))
    station = compiled("station", *with_what, (("/*MAIN*/", RELEASE), *edits), after)
    if lost:
        station = b"\n".join(line for line in station.split(b"\n") if line[3:9] != b"%04X00" % lost)
    builds = pair(station=station, sampler=compiled("sampler", *with_what, longer))
    result = check(Inspection(read, join(read, builds).image, builds, disassemble=True), TODAY)
    return {each.rule.name for each in result.results if each.findings}


@pytest.mark.parametrize("after", [HEX, SREC, f"{SREC} --srec-len=4", f"{SREC} --srec-len=12"])
@pytest.mark.parametrize("case", IN_TABLES)
def test_words_of_a_vector_table_that_no_core_takes(case: str, after: str) -> None:
    """Reserved ones, those of interrupts that the layout does not have, and a slot after the table may be free."""
    for with_what in WITH:
        assert not _broken(*with_what, edits=IN_TABLES[case], after=after)


@pytest.mark.parametrize(("first", "interrupts"), [(24, 16), (20, 16), (11, 8)])
def test_words_of_a_vector_table_that_a_core_takes(first: int, interrupts: int) -> None:
    """One finding: handlers are missing; that as many bytes as a record has are missing follows."""
    edits = _vectors((0, first - 1), (first + 4, 15 + interrupts))
    for with_what in WITH:
        assert _broken(*with_what, edits=edits, after=HEX, interrupts=interrupts) == {"vector-table-complete"}


@pytest.mark.parametrize("with_what", WITH)
def test_the_first_record_of_code_is_lost(with_what: tuple[str, str, str]) -> None:
    """It is right after the vector table, and handlers lead to it."""
    assert not _broken(*with_what, edits=(), after=HEX)
    broken = _broken(*with_what, edits=(), after=HEX, lost=0x60)
    assert len(broken) == 1
    assert broken < {"handlers-in-code", "reset-handler-in-code"}

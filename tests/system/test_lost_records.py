"""HEX and S-record files of compiled builds with a record less, and with gaps that a linker script makes."""

from __future__ import annotations

import pytest
from compiled_pairs import compiled, layout_for, pair, said_by
from small_device import findings

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


@pytest.mark.parametrize("after", [HEX, SREC], ids=["HEX", "S-records"])
@pytest.mark.parametrize("case", SECTIONS)
def test_a_gap_of_the_linker_script(case: str, after: str) -> None:
    """Alignments, and what a script leaves free, are no lost record."""
    for with_what in WITH:
        assert not _said(_lines(after, *with_what, *SECTIONS[case]), *with_what)

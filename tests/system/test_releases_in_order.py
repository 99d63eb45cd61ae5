"""A primary that releases the second core without its vectors, or with its own stack in the other's RAM."""

from __future__ import annotations

import pytest
from compiled_pairs import RELEASE, compiled, layout_for, pair, said_by
from small_device import findings

VECTORS, CONTROL = "IO(0x114) = 0x10008000u;", "IO(0x118) = 0;"
BREAKS = {
    "no vectors": (CONTROL, "release-value-agrees", "writes the vector register"),
    "vectors to another register": (
        f"IO(0x11C) = 0x10008000u; {CONTROL}",
        "release-value-agrees",
        "writes the vector register",
    ),
    "the vectors after the release": (
        f"{CONTROL} {VECTORS}",
        "start-releases-secondary",
        "before it gives it its vectors",
    ),
}
KEEPS = {
    "bits of what is read": RELEASE,
    "held in reset first": f"IO(0x118) = 2; {VECTORS} {CONTROL}",
    "a boot ROM's code first, then its own": f"{CONTROL} IO(0x118) = 2; {VECTORS} {CONTROL}",
    "once a device is ready": f"{VECTORS} while (!(IO(0x40) & 1u)) {{ }} {CONTROL}",
    "by pointers": f"volatile uint32_t *volatile to = &IO(0x114); *to = 0x10008000u; {CONTROL}",
}
SETS = '__asm__ volatile("msr {}, %0" : : "r"({}));'
LOOP = "for (volatile uint32_t *at = bss_start; at < bss_end;) *at++ = 0;"
PROCESS = '__asm__ volatile("msr psp, %0\\n msr control, %1\\n isb" : : "r"({}), "r"(2));'
STACKS = {
    "the main stack": (SETS.format("msp", "0x20003000"), 1),
    "the process stack": (PROCESS.format("0x20003000"), 1),
    "the end of its own RAM": (SETS.format("msp", "0x20002000"), 0),
    "a process stack of its own": (PROCESS.format("0x20001000"), 0),
    "the other's while that is in reset, then its own": (
        f"{SETS.format('msp', '0x20003000')} {SETS.format('msp', '0x20002000')}",
        0,
    ),
    "the other's, with a process stack of its own": (
        f"{SETS.format('msp', '0x20003000')} {PROCESS.format('0x20001000')}",
        1,
    ),
    "what the cores share": (SETS.format("psp", "0x20004400"), 0),
    "the other's, if a register says that this is the other": (
        f"if (IO(0x44) & 1u) {{ {SETS.format('msp', '0x20003000')} for (;;) {{ }} }}",
        0,
    ),
}
WITH = (("gcc", "v6", "-Os"), ("clang", "v8", "-O2"))


def _said(rule: str, edit: tuple[str, str], compiler: str, family: str, level: str) -> list[str]:
    release = () if edit[0] == "/*MAIN*/" else (("/*MAIN*/", RELEASE),)
    builds = pair(
        station=compiled("station", compiler, family, level, (*release, edit)),
        sampler=compiled("sampler", compiler, family, level),
    )
    return [each.what for each in findings(said_by(rule, layout_for(family), builds))]


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", BREAKS)
def test_a_release_without_vectors(case: str, compiler: str, family: str, level: str) -> None:
    """One finding, which says what is missing."""
    code, rule, expected = BREAKS[case]
    (what,) = _said(rule, ("/*MAIN*/", code), compiler, family, level)
    assert expected in what


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", KEEPS)
def test_a_release_with_its_vectors(case: str, compiler: str, family: str, level: str) -> None:
    """The last order counts, and what is not followed says nothing."""
    for rule in ("release-value-agrees", "start-releases-secondary"):
        assert not _said(rule, ("/*MAIN*/", KEEPS[case]), compiler, family, level)


@pytest.mark.parametrize(("compiler", "family", "level"), WITH)
@pytest.mark.parametrize("case", STACKS)
def test_a_stack_pointer_that_code_sets(case: str, compiler: str, family: str, level: str) -> None:
    """Only RAM of the other core, on each way, is wrong."""
    code, count = STACKS[case]
    edit = (LOOP, f"{LOOP} {code}")
    assert len(_said("stack-pointer-in-own-ram", edit, compiler, family, level)) == count

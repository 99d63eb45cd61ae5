"""Tests of the rule ``shared-values-not-private``."""

from __future__ import annotations

import pytest
from compiled_pairs import RELEASE, compiled, layout_for, pair, said_by
from small_device import findings
from verdict_builds import of

from gemel.checking.runner import RuleResult

RULE = "shared-values-not-private"
BREAKS = {
    "by GCC": lambda: of(RULE, "v6", "station-link-pointer"),
    "by clang and lld": lambda: of(RULE, "v7", "station-link-pointer"),
    "from the secondary": lambda: of(RULE, "v8", "sampler-link-pointer"),
}
KEEPS = {
    "a number": lambda: of(RULE, "v7", "station-link-initialised"),
}


def test_holder_and_target_are_named() -> None:
    """The finding names the shared object and what it points at."""
    (finding,) = findings(BREAKS["by GCC"]())
    assert "link_buffer" in finding.where
    assert "readings" in finding.found
    assert "link_buffer + 0x4 at" in finding.lines[0]


_SOURCE = """
extern uint32_t link_load[], link_start[], link_end[];
volatile uint32_t tides[8];
#define SHARED __attribute__((section(".link"), used))
"""
_EDITS = (
    ("/*MAIN*/", RELEASE),
    (
        "    main();",
        "    const volatile uint32_t *others = link_load;\n"
        "    for (volatile uint32_t *at = link_start; at < link_end;) *at++ = *others++;\n    main();",
    ),
    (
        "  /DISCARD/",
        "  .link : { link_start = .; KEEP(*(.link)) . = ALIGN(4); link_end = .; } > link AT > code\n"
        "  link_load = LOADADDR(.link);\n  /DISCARD/",
    ),
)
ADDRESSES = {
    "pointers in an array": "SHARED volatile uint32_t *const volatile box[2] = {0, tides};",
    "a pointer in a structure": "SHARED volatile struct { uint8_t kind; volatile void *at; } box = {3, &tides[2]};",
    "a pointer in an array of structures": "SHARED volatile struct { uint16_t kind[2]; volatile uint32_t *at; }"
    " box[2] = {{{4, 0x2000}, 0}, {{1, 2}, tides}};",
    "a pointer with a name for its type": "typedef volatile uint32_t *place; SHARED volatile place box = tides;",
}
PACKED = {
    "a pointer at an odd address": "SHARED volatile struct __attribute__((packed)) { uint8_t kind; volatile void *at; }"
    " box = {3, &tides[2]};",
    "a pointer at a halfword": "SHARED volatile struct __attribute__((packed)) { uint16_t kind; volatile void *at; }"
    " box[3] = {{1, 0}, {2, 0}, {3, tides}};",
}
FLAGS = {
    "a flag": "SHARED volatile uint32_t box = 1u << 29;",
    "starts of memories": "SHARED volatile uint32_t box[2] = {0x20000000u, 0x20001000u};",
}
NUMBERS = {
    "halves": "SHARED volatile uint16_t box[2] = {4, 0x2000};",
    "a small float": "SHARED volatile float box = 0x1.00001p-63f;",
    "a number next to a pointer": "SHARED volatile struct { uint32_t turn, *at; } box = {0x20000004u, 0};",
}
POINTERS = {
    "into the shared area": "SHARED uint32_t first[4] = {1}; SHARED uint32_t *volatile box = &first[2];",
    "to flash": "static const uint32_t list[3] = {1, 2}; SHARED const uint32_t *volatile box = list;",
    "of another kind, packed": "SHARED volatile struct __attribute__((packed)) { uint8_t kind; uint32_t at; } box = "
    "{3, 0x20000004u};",
    "to a function": "void act(void) { turns++; } SHARED void (*volatile box)(void) = act;",
}


def _said(source: str, compiler: str, family: str, level: str) -> RuleResult:
    edits = (("/*BEFORE*/", _SOURCE + source), *_EDITS)
    station = compiled("station", compiler, family, level, edits)
    return said_by(
        RULE, layout_for(family), pair(station=station, sampler=compiled("sampler", compiler, family, "-Os"))
    )


@pytest.mark.parametrize("built", [("gcc", "v6"), ("clang", "v7"), ("gcc", "v8")], ids=" ".join)
@pytest.mark.parametrize("case", [*ADDRESSES, *PACKED, *FLAGS, *NUMBERS, *POINTERS])
def test_a_number_is_no_address(case: str, built: tuple[str, str]) -> None:
    """Where types are known, only a pointer in the shared data is taken for an address."""
    source = (ADDRESSES | PACKED | FLAGS | NUMBERS | POINTERS)[case]
    assert _said(source, *built, "-O2 -g").status == ("warning" if case in ADDRESSES | PACKED else "holds")


@pytest.mark.parametrize("built", [("gcc", "v6"), ("clang", "v7"), ("gcc", "v8")], ids=" ".join)
@pytest.mark.parametrize("case", [*ADDRESSES, *FLAGS, *POINTERS])
def test_a_flag_may_be_an_address(case: str, built: tuple[str, str]) -> None:
    """Without types, the first address of RAM may also be a number with one bit set: neither is said."""
    result = _said((ADDRESSES | FLAGS | POINTERS)[case], *built, "-Os")
    assert result.status == ("warning" if case in ADDRESSES else "not checked" if case in FLAGS else "holds")
    for missing in result.not_checked:
        assert "box at 0x2000_4000" in missing.where
        assert missing.reason.startswith("0x2000_0000 is a number or the address of ")

"""Raw binaries and HEX files that were made without initialised data, or were cut, compiled by GCC and clang."""

from __future__ import annotations

import pytest
from compiled_pairs import RELEASE, compiled, layout_for, pair, said_by
from small_device import findings

from gemel.checking.rules.start_copies_stored_data import LARGEST_PIECE

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


def _said(case: tuple[str, str, int], compiler: str, family: str, level: str):
    copy, after, cut = case
    release = f"{RELEASE} level = values[turns & 31];"
    edits = (("/*BEFORE*/", VALUES), ("/*MAIN*/", release), (COPY, copy))
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


def test_a_few_bytes_may_be_an_end_that_is_rounded_up() -> None:
    """LARGEST_PIECE bytes cut off say nothing; a word more does."""
    cuts = (LARGEST_PIECE, LARGEST_PIECE + 4)
    assert [len(_said((COPY, BINARY, cut), *WITH[0])) for cut in cuts] == [0, 1]

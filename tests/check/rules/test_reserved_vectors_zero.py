"""Tests of the rule ``reserved-vectors-zero``."""

from __future__ import annotations

import pytest
from small_device import findings, layout, sampler_elf, station_elf
from vector_fixtures import SAMPLER_CORE, STAMP_TABLE, alone, of

from gemel.m_profile.architectures import ARCHITECTURES
from gemel.m_profile.vector_tables import reserved_words

RULE = "reserved-vectors-zero"
MARK = 0x600D_F00D
STAMP = '\n[[stamp]]\nname = "mark"\nat = {{ {place} }}\nwidth = 4\nvalue = 0x600D_F00D\n'
IN_AREA = 'area = "sampler-code", offset = 0x20'


def _for(architecture: str, add: str = ""):
    return layout({SAMPLER_CORE: SAMPLER_CORE.replace("armv8-m.main", architecture)}, add=add)


def _zero(*indices: int) -> dict[int, int]:
    return dict.fromkeys(indices, 0)


BREAKS = {
    "a mark in word 8": lambda: of(RULE, sampler=sampler_elf(words={8: MARK})),
    "erased words": lambda: of(RULE, sampler=sampler_elf(words=dict.fromkeys([8, 9, 10, 13], 0xFFFF_FFFF))),
    "Mainline handlers on Armv6-M": lambda: of(RULE, read=_for("armv6-m")),
    "SecureFault on Armv7-M": lambda: of(RULE, read=_for("armv7-m")),
    "fault handlers on Armv8-M Baseline": lambda: of(RULE, read=_for("armv8-m.base")),
    "a stamp in the next word": lambda: of(
        RULE, read=layout(add=STAMP.format(place=IN_AREA)), sampler=sampler_elf(words={9: MARK})
    ),
    "image alone": lambda: alone(RULE, read=layout({STAMP_TABLE: ""}), sampler=sampler_elf(words={8: MARK})),
}
KEEPS = {
    "both builds": lambda: of(RULE),
    "image alone": lambda: alone(RULE),
    "SecureFault on Mainline": lambda: of(RULE, station=station_elf(words={7: 0x1000_0089})),
    "Armv6-M": lambda: of(RULE, read=_for("armv6-m"), sampler=sampler_elf(words=_zero(4, 5, 6, 7, 12))),
    "Armv7E-M": lambda: of(RULE, read=_for("armv7e-m"), sampler=sampler_elf(words=_zero(7))),
    "SecureFault on Baseline, which has its own rule": lambda: of(
        RULE, read=_for("armv8-m.base"), sampler=sampler_elf(words=_zero(4, 5, 6, 12))
    ),
    "the layout stamps the word": lambda: of(
        RULE, read=layout(add=STAMP.format(place=IN_AREA)), sampler=sampler_elf(words={8: 1})
    ),
}


@pytest.mark.parametrize("architecture", ARCHITECTURES)
def test_reserved_words_by_architecture(architecture: str) -> None:
    """The reserved words of each architecture are those of the table of exceptions in CMSIS-Core.

    4 to 6 and 12 belong to Armv7-M and Mainline; 8 to 10 and 13 to none; that SecureFault is Mainline's
    alone is from memory.
    """
    without_faults = architecture in ("armv6-m", "armv8-m.base")
    expected = {8, 9, 10, 13} | ({4, 5, 6, 12} if without_faults else set())
    if "main" not in architecture:
        expected.add(7)
    assert set(reserved_words(architecture)) == expected


def test_the_finding_is_a_note_that_lists_the_words() -> None:
    """Handlers for another architecture are one note with every word and what it would be elsewhere."""
    result = BREAKS["Mainline handlers on Armv6-M"]()
    assert result.severity == "note"
    (finding,) = findings(result)
    assert finding.what == "build sampler fills words that armv6-m reserves"
    assert finding.lines[0].endswith("in word 4 (MemManage on other architectures)")
    assert len(finding.lines) == 5


def test_two_words_are_both_listed() -> None:
    """Of two words that are not zero, both are listed."""
    (finding,) = findings(of(RULE, sampler=sampler_elf(words={8: MARK, 9: MARK + 1})))
    assert finding.lines == ("0x600D_F00D in word 8", "0x600D_F00E in word 9")


def test_a_stamp_whose_place_is_unknown_may_be_the_reason() -> None:
    """Without the ELF file that tells where a stamp goes, a word that it may fill is not called wrong."""
    result = alone(RULE, sampler=sampler_elf(words={8: MARK}))
    assert result.status == "not checked"
    assert result.not_checked[0].where == "build sampler, word 8 (reserved)"
    assert "where station-length is written" in result.not_checked[0].reason
    assert "station=FILE" in result.not_checked[0].reason


def test_a_blank_table_is_not_checked() -> None:
    """A blank table has no words to look at."""
    assert of(RULE, sampler=sampler_elf(words={0: 0, 1: 0})).status == "not checked"

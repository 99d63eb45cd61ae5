"""Tests of the rule ``release-value-agrees``."""

from __future__ import annotations

import pytest
from small_device import findings
from verdict_builds import of

from gemel.checking.findings.releases_by_code import _may_release
from gemel.layout.model import Release
from gemel.m_profile.code.known_registers import Changed, KnownStore

RULE = "release-value-agrees"
AT_ZERO = ("start = 0x1000_0000", "start = 0x0000_0000")
ROM = (
    "[memory.control]",
    '[memory.boot]\nkind = "rom"\nstart = 0x1FFF_0000\nsize = "4 KiB"\n\n[memory.control]',
)
ELSEWHERE = (("control_register = 0x4002_1118", "control_register = 0x4002_1F18"),)
"""A control register that the station does not write."""
CROSSED = (
    ("vector_register = 0x4002_1114", "vector_register = 0x4002_1118 #"),
    ("control_register = 0x4002_1118", "control_register = 0x4002_1114"),
)
ONE_REGISTER = (("vector_register = 0x4002_1114", "vector_register = 0x4002_1118"),)
"""The control register in place of the vector register: what it gets is no address of an area."""

ZERO_KEY = (("release_value = 0x0", "release_value = 0x0\nkey_mask = 0xFFFF_0000\nkey_value = 0x0"),)
BITS = Release(
    vector_register=0x4002_1114,
    control_register=0x4002_1118,
    release_mask=0b1010,
    release_value=0b0010,
    key_mask=0xFF00,
    key_value=0x5A00,
)
"""One bit must be set and one cleared, with a key."""

BREAKS = {
    "registers the other way round": lambda: of(RULE, "v6", changes=CROSSED),
    "never written, by GCC": lambda: of(RULE, "v8", changes=ELSEWHERE),
    "never written, by clang": lambda: of(RULE, "v7", changes=ELSEWHERE),
    "never written, by loops and library code": lambda: of(
        RULE, "v6", "station-startup", "sampler-startup", changes=(AT_ZERO, *ELSEWHERE)
    ),
}
KEEPS = {
    "by GCC": lambda: of(RULE, "v8"),
    "a key that the code writes": lambda: of(RULE, "v7", changes=ZERO_KEY),
    "by clang": lambda: of(RULE, "v7"),
}


def test_a_register_that_nothing_writes_is_named() -> None:
    """The finding names the register and the builds that were read."""
    (finding,) = findings(BREAKS["never written, by clang"]())
    assert finding.what == "no code of build station writes the control register of core sampler"
    assert finding.where.endswith("0x4002_1F18")


def test_a_build_without_symbols_may_write_it() -> None:
    """Where code of the primary is not known, nothing is said of what it never does."""
    result = of(RULE, "v8", changes=ELSEWHERE, given=("sampler",))
    assert not findings(result)
    assert [each.where for each in result.not_checked] == ["build station"]


def test_code_of_a_rom_may_write_it() -> None:
    """What the layout does not hold is not judged, and the reason says so."""
    result = of(RULE, "v8", changes=(*ELSEWHERE, ROM))
    assert not findings(result)
    assert [each.reason.split(",")[0] for each in result.not_checked] == ["code of the ROM"]


def test_registers_the_other_way_round_are_one_finding() -> None:
    """What each of the two takes is not judged by itself."""
    (finding,) = findings(BREAKS["registers the other way round"]())
    assert (
        finding.what == "build station writes the two registers that release core sampler the other way round"
    )
    assert "swap vector_register and control_register" in finding.next_step


def test_what_is_no_address_of_an_area_is_for_another_register() -> None:
    """The code can be right then: the layout is looked at first."""
    (finding,) = findings(of(RULE, "v7", changes=ONE_REGISTER))
    assert finding.what == "build station gives core sampler an address that is not its vector table"
    assert finding.next_step.startswith(
        "compare vector_register in [core.sampler.release] with the data sheet, or"
    )


@pytest.mark.parametrize(
    ("value", "changed", "may"),
    [
        (0x5A02, None, True),
        (0x5A07, None, True),
        (0x0012_5A02, None, True),
        (0x5A0A, None, False),
        (0x5A00, None, False),
        (0x5B02, None, False),
        (0x0002, None, False),
        (None, None, True),
        (None, Changed(BITS.control_register, 0, 0), True),
        (None, Changed(BITS.control_register, 0b0010, 0), True),
        (None, Changed(BITS.control_register, 0, 0b1000), True),
        (None, Changed(BITS.control_register, 0b0010, 0b1000), True),
        (None, Changed(BITS.control_register, 0b1000, 0), False),
        (None, Changed(BITS.control_register, 0, 0b0010), False),
        (None, Changed(BITS.control_register, 0b1010, 0), False),
        (None, Changed(BITS.control_register, 0b0100, 0b0001), False),
    ],
)
def test_a_store_may_release_where_nothing_it_is_known_to_write_stands_against_it(
    value: int | None, changed: Changed | None, may: bool
) -> None:
    """Values by mask and key, with bits that do not matter; bits set and cleared of what was read; nothing known."""
    assert _may_release(BITS, KnownStore(0x100, BITS.control_register, value, changed)) == may

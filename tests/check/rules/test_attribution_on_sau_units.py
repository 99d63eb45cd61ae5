"""``attribution-on-sau-units``: bounds of secure and non-secure areas in units of 32 bytes."""

from __future__ import annotations

import pytest
from capability_builds import applied
from small_device import apply, findings, joined, layout

RULE = "attribution-on-sau-units"


def _area(offset: int, size: int):
    """The small device's spare area, non-secure, at another place of its 2 KiB."""
    spare = 'spare = { memory = "flash", offset = "8 KiB", size = "2 KiB", purpose = "reserved" }'
    read = layout(
        {
            spare: f'spare = {{ memory = "flash", offset = {0x2000 + offset}, size = {size}, '
            'purpose = "reserved", security = "non-secure" }'
        }
    )
    return apply(RULE, read, joined().image)


BREAKS = {
    "a start between two units": lambda: _area(16, 0x400),
    "an end between two units": lambda: _area(0, 0x3F0),
    "both": lambda: _area(4, 4),
}

KEEPS = {
    "the secure device": lambda: applied(RULE, "security"),
    "one unit": lambda: _area(0x40, 32),
}


@pytest.mark.parametrize("offset", range(0, 65, 4))
def test_units_of_32_bytes(offset: int) -> None:
    """SAU_RBAR and SAU_RLAR keep address bits 31 to 5 only (second-hand)."""
    assert (_area(offset, 64).status == "holds") == (offset % 32 == 0)


def test_what_would_be_attributed_instead_is_told() -> None:
    """The finding gives the units around the area."""
    (finding,) = findings(BREAKS["both"]())
    assert finding.expected.endswith("0x1000_2000..0x1000_201F")


def test_areas_that_do_not_say_are_left_alone() -> None:
    """Without any attribution in the layout there is nothing to look at."""
    result = apply(RULE)
    assert [each.reason for each in result.not_applicable] == [result.rule.absent]

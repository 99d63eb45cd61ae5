"""Tests of the rule ``addressed-constants-stored``."""

from __future__ import annotations

import pytest
from small_device import findings
from verdict_builds import ARCHITECTURES, broken_in, judged, of

from gemel.inspection.code.address_literals import held_addresses
from gemel.spans import Span

RULE = "addressed-constants-stored"
BREAKS = {
    "a section of constants left out, by GCC": lambda: of(RULE, "v6", "sampler-no-constants"),
    "the same by clang": lambda: of(RULE, "v7", "sampler-no-constants"),
}
KEEPS = {
    "all sections": lambda: of(RULE, "v6", "sampler"),
    "a gap between code and constants": lambda: of(RULE, "v7", "sampler-gaps"),
    "room that the device writes at run time": lambda: of(RULE, "v8", "sampler-stacks"),
}


@pytest.mark.parametrize("family", ARCHITECTURES)
def test_the_place_that_holds_the_address_is_named(family: str) -> None:
    """The finding names the function that holds an address in the hole."""
    (finding,) = findings(of(RULE, family, "sampler-no-constants"))
    assert finding.span is not None
    assert "(reset_handler" in finding.lines[0]


def test_code_that_was_left_out_is_the_handlers_finding() -> None:
    """Without .text the vectors lead nowhere, which is said once."""
    at_zero = (("start = 0x1000_0000", "start = 0x0000_0000"),)
    result = judged("v6", ("station-startup", "sampler-startup-left-out"), at_zero)
    assert broken_in(result) == {"handlers-executable": 1}


def test_an_address_is_held_by_a_literal_or_by_two_instructions() -> None:
    """A word counts among data only, MOVW and MOVT of one register as code."""
    wanted = Span(0x1000_8000, 0x100)
    literal = bytes(4) + 0x1000_8010.to_bytes(4, "little")
    assert list(held_addresses(wanted, bytes(8), literal, 0x2000)) == [(4, 0x1000_8010)]
    assert list(held_addresses(wanted, literal, literal, 0x2000)) == []
    pair = bytes.fromhex("48f22001c1f20001")  # MOVW r1, #0x8020; MOVT r1, #0x1000
    assert list(held_addresses(wanted, pair, pair, 0x2000)) == [(0, 0x1000_8020)]
    other = bytes.fromhex("48f22001c1f20002")  # MOVT r2
    assert list(held_addresses(wanted, other, other, 0x2000)) == []

"""Tests of the rule ``shared-areas-initialised-by-one``."""

from __future__ import annotations

from contract_builds import side
from contract_fixtures import checked, contract, of_sides, written
from elf_writer import SegmentSpec
from small_device import LINK, RAM_OF_SAMPLER, SAMPLER, STATION, apply, findings, sampler_elf, station_elf

RULE = "shared-areas-initialised-by-one"
NOTHING = contract("")


def _data(load: int, run: int, size: int = 16) -> tuple[SegmentSpec, ...]:
    return (SegmentSpec(load, bytes(range(1, size + 1)), run_address=run, flags="rw"),)


def _both(station_at: int, sampler_at: int):
    return apply(
        RULE,
        NOTHING,
        handed=written(
            station_elf(extra=_data(STATION + 0x800, LINK + station_at)),
            sampler_elf(extra=_data(SAMPLER + 0x800, RAM_OF_SAMPLER + 0x3000 + sampler_at)),
        ),
    )


BREAKS = {"the same bytes": lambda: _both(0x40, 0x40), "a part": lambda: _both(0x40, 0x48)}
KEEPS = {
    "one side only": lambda: of_sides(RULE, NOTHING, sampler="sampler-initialised"),
    "neither": lambda: of_sides(RULE, NOTHING),
    "side by side": lambda: _both(0x40, 0x50),
}


def test_the_bytes_that_both_initialise_are_named() -> None:
    """The finding's span is what both have in common, in plain addresses."""
    (finding,) = findings(BREAKS["a part"]())
    assert finding.span is not None
    assert (finding.span.start, finding.span.size) == (LINK + 0x48, 8)


def test_a_missing_build_is_not_checked() -> None:
    """Without one of the builds nothing is said to hold."""
    result = checked(RULE, NOTHING, side("station", "station"), None)
    assert result.status == "not checked"
    assert not result.holds

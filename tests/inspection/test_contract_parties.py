"""Who must speak for a core when there are more than two builds."""

from __future__ import annotations

from small_device import layout, layout_text

from gemel.inspection.contract.parties import Missing, parties, without_a_voice
from gemel.layout.model import BuildPlan
from gemel.layout.reader import read_layout


def _plan(name: str, core: str) -> BuildPlan:
    return BuildPlan(name=name, core=core, stored_in=f"{name}-code")


def _missing(plan: BuildPlan, absent: bool) -> Missing:
    return Missing(plan, "reason", absent)


STATION, UPDATER = _plan("station", "station"), _plan("updater", "station")
SAMPLER, LOGGER = _plan("sampler", "sampler"), _plan("logger", "logger")


def test_one_build_speaks_for_its_core() -> None:
    """A second build of a core may go without what the first has, be it readable or not."""
    for absent in (True, False):
        assert without_a_voice([_missing(UPDATER, absent)], [STATION, SAMPLER]) == []


def test_of_two_parties_both_matter() -> None:
    """The only build of the other core is told, whether it has no such thing or cannot be read."""
    for absent in (True, False):
        missing = [_missing(SAMPLER, absent)]
        assert without_a_voice(missing, [STATION]) == missing


def test_a_third_core_may_go_without_but_must_be_readable() -> None:
    """A core that has no part in a contract is no fault; one whose build tells nothing is not passed over."""
    assert without_a_voice([_missing(LOGGER, True)], [STATION, SAMPLER]) == []
    unreadable = [_missing(LOGGER, False)]
    assert without_a_voice(unreadable, [STATION, SAMPLER]) == unreadable


def test_the_primary_is_what_the_others_are_held_against() -> None:
    """Builds of the primary come first, whatever order the layout has them in."""
    station = '[build.station]\ncore = "station"\nstored_in = "station-code"\n'
    text = layout_text().replace(station, "") + "\n" + station
    read = read_layout(text.encode(), "small.toml")
    assert list(read.layout.builds) == ["sampler", "station"]
    assert [plan.name for plan in parties(read.layout)] == ["station", "sampler"]
    assert [plan.name for plan in parties(layout().layout)] == ["station", "sampler"]

"""The rehearsal from Python: what tests can assert on."""

from __future__ import annotations

import pytest
from rehearsals import device, gauge

import gemel
import gemel.rehearsal


def test_events_are_data() -> None:
    """Events carry numbers, words, place and time that a test can assert on."""
    rehearsal = device().rehearse()
    released = rehearsal.event("released", "station")
    assert released is not None
    assert released.numbers == {"vectors": 0x3000_8000, "written": 1, "expected": 0x3000_8000}
    assert released.words == {"of": "sampler"}
    assert released.place is not None
    assert released.place.function.startswith("release_sampler")
    order = [(event.core, event.kind) for event in rehearsal.events]
    assert order.index(("station", "released")) < order.index(("sampler", "start"))
    assert order.index(("sampler", "start")) < order.index(("sampler", "sleeps"))
    assert order.index(("station", "interrupt-raised")) < order.index(("sampler", "exception-taken"))
    assert [event.time for event in rehearsal.events] == sorted(event.time for event in rehearsal.events)


@pytest.mark.parametrize("budget", [1, 100, 5000])
def test_budget_is_kept_to_the_instruction(budget: int) -> None:
    """No core takes more instructions than it was given."""
    rehearsal = gauge("in-place").rehearse(budget=budget)
    assert rehearsal.time == budget
    assert rehearsal.cores[0].instructions == budget
    assert "budget" in rehearsal.ended


def test_the_tool_offers_it_by_its_short_name() -> None:
    """``gemel.rehearse`` rehearses as the room's function does, and unknown names are errors."""
    case = gauge("in-place")
    assert gemel.rehearse(case.read, gemel.Image(case.image), case.builds) == case.rehearse()
    with pytest.raises(AttributeError, match="no_such_name"):
        _ = gemel.no_such_name

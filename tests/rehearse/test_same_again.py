"""Two rehearsals of the same image are the same, byte for byte."""

from __future__ import annotations

import pytest
from rehearsals import Case, device, gauge
from small_device import builds, joined, layout

from gemel.checking.identity import identity_of
from gemel.inspection.inspection import Inspection
from gemel.rehearsal.reports.json import report
from gemel.rehearsal.reports.svg import picture_of
from gemel.rehearsal.reports.text import report_of

IDENTITY = identity_of(Inspection(layout(), joined().image, builds(), file="image.hex"))
CASES = {
    "gauge": lambda: gauge("in-place"),
    "unlike cores": lambda: gauge("two-banks"),
    "interrupts": device,
    "a fault": lambda: device(sampler="deep-recursion"),
    "a loop": lambda: device(sampler="keeps-lock"),
    "the budget": lambda: device(station="counts-for-ever"),
}


@pytest.mark.parametrize("name", CASES)
def test_two_rehearsals_give_the_same_bytes(name: str) -> None:
    """JSON, text and picture are equal, and so is a run in a process of its own."""
    case: Case = CASES[name]()
    first, second, isolated = case.rehearse(), case.rehearse(), case.rehearse(isolate=True)
    assert report(first, IDENTITY) == report(second, IDENTITY) == report(isolated, IDENTITY)
    assert report_of(first) == report_of(isolated)
    assert picture_of(first) == picture_of(isolated)
    assert first == isolated


@pytest.mark.parametrize("name", CASES)
def test_following_calls_changes_nothing_but_times(name: str) -> None:
    """The second, slower run sees the same events in the same order of each core as the fast one alone."""
    case: Case = CASES[name]()
    exact, fast = case.rehearse(), case.rehearse(exact=False)
    assert not any("second run" in note for note in exact.notes)
    for core in ("station", "sampler"):
        slow_events = [(e.kind, e.place) for e in exact.events if e.core == core]
        assert slow_events == [(e.kind, e.place) for e in fast.events if e.core == core]
    assert exact.texts == fast.texts
    assert exact.time == fast.time

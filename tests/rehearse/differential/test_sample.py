"""A fixed sample of the differential suite: board and rehearsal give one verdict, one core, one text."""

from __future__ import annotations

import resource
from collections.abc import Iterator
from pathlib import Path

import pytest
from rehearse.differential.building import Builder
from rehearse.differential.cases import Case
from rehearse.differential.judge import product_of
from rehearse.differential.run_all import run_case
from rehearse.differential.suite import all_cases, disagreements_known, sample
from tools import required_tool

COUNT, WITHOUT_GOALS = 64, 21
"""Three of each class, so that every class is there; one of each runs without goals, too."""
ONCE_WRONG = (
    "v7-m-stacked-0-4",
    "v7e-m-returns-e9",
    "v7-m-returns-f5",
    "v6-m-returns-f5",
    "v7-m-written-mpu-size",
    "idioms-limit-written-above-pointer",
)
"""Programs of which the rehearsal was wrong once."""
MOST_SECONDS = 60
KNOWN = disagreements_known()


def _cases() -> list[Case]:
    chosen = sample(list(all_cases()), COUNT)
    chosen += [case for case in all_cases() if case.name.startswith(ONCE_WRONG) and case not in chosen]
    return chosen + [case.without_goals() for case in sample(list(all_cases()), WITHOUT_GOALS)]


def processor_time() -> float:
    """Seconds of this process and of those that it has waited for: compilers and the board."""
    used = map(resource.getrusage, (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(each.ru_utime + each.ru_stime for each in used)


@pytest.fixture(scope="module", autouse=True)
def sample_is_short() -> Iterator[None]:
    """The whole sample, builds and board included, takes less than a minute of a processor."""
    began = processor_time()
    yield
    assert processor_time() - began < MOST_SECONDS


@pytest.mark.parametrize("case", _cases(), ids=lambda case: case.name)
def test_board_and_rehearsal_agree(case: Case, builder: Builder, tmp_path: Path) -> None:
    """The device does on the board what the architecture makes of the program, and so does the rehearsal."""
    required_tool("qemu-system-arm")
    board, rehearsal = run_case(case, builder, tmp_path)
    assert board == []
    if rehearsal and case.name in KNOWN:
        pytest.xfail(KNOWN[case.name])
    assert rehearsal == []


@pytest.mark.parametrize(
    "name", ["kernels-mutex-kept-station", "kernels-mutex-kept-sampler", "v7e-m-kernels-mutex-kept"]
)
def test_a_look_at_one_core_hides_no_state_that_repeats(name: str, builder: Builder) -> None:
    """Kernels whose tasks wait for ever between ticks: the run ends with the state, long before its budget."""
    case = next(each for each in all_cases() if each.name.startswith(name)).without_goals()
    assert product_of(case, builder.build(case)).rehearse().time < 500_000


def test_suite_is_as_large_as_it_says() -> None:
    """At least 300 programs of every class, a third to four fifths of them sound, no two of one name."""
    cases = all_cases()
    assert len({case.name for case in cases}) == len(cases) >= 300
    assert 1 / 3 < sum(case.fails is None for case in cases) / len(cases) < 4 / 5


def test_every_case_that_the_board_does_not_decide_says_why() -> None:
    """Where the architecture decides instead, the case has a reason with its source, and the texts."""
    for case in all_cases():
        if case.loose:
            assert "DDI" in case.loose, case.name
            assert dict(case.texts).keys() == set(case.board.cores), case.name


def test_known_disagreements_are_cases_with_a_reason() -> None:
    """The list of what the engine does not get right yet names cases of the suite only."""
    names = {each.name for case in all_cases() for each in (case, case.without_goals())}
    assert set(KNOWN) <= names
    assert all(KNOWN.values())

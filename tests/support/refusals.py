"""What a join refuses, for tests: the problems of the error that it raises."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from gemel.errors import GemelError, JoinRefused, Problem


def refused(make: Callable[[], object], kind: type[GemelError] = JoinRefused) -> list[Problem]:
    """The problems of the error of exactly this kind that ``make`` raises."""
    with pytest.raises(kind) as caught:
        make()
    if type(caught.value) is not kind:
        pytest.fail(f"raised {caught.type.__name__}, not {kind.__name__}")
    return list(caught.value.problems)


def whats(problems: list[Problem]) -> list[str]:
    """The sentence of each problem."""
    return [problem.what for problem in problems]

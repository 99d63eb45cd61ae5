"""What rules say of the sound tide gauge, in each of its arrangements."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, partial

from gauge_builds import ARRANGEMENTS, gauge, gauge_builds
from small_device import apply

from gemel.checking.runner import RuleResult
from gemel.image.sparse import SparseBytes
from gemel.joining.pipeline import join


def on_the_gauge(rule: str, *, alone: bool = False, **options: object) -> dict[str, Callable[[], RuleResult]]:
    """For each arrangement, what the rule says of the joined gauge; ``alone`` with the image alone."""
    return {
        f"the tide gauge, {arrangement}": partial(_applied, rule, arrangement, alone, options)
        for arrangement in ARRANGEMENTS
    }


def _applied(rule: str, arrangement: str, alone: bool, options: dict[str, object]) -> RuleResult:
    builds = {} if alone else gauge_builds(arrangement)
    return apply(rule, gauge(arrangement), _joined(arrangement), builds, **options)


@cache
def _joined(arrangement: str) -> SparseBytes:
    return join(gauge(arrangement), gauge_builds(arrangement)).image

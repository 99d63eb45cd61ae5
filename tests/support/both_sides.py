"""Limits at both their sides, lowered where they are large."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import pytest

Limits = Mapping[str, tuple[int, Callable[[int], bool]]]
"""``room.module.LIMIT``, perhaps with words, with the value that a test gives it, and whether so many are taken."""


def assert_both_sides(patch: pytest.MonkeyPatch, limits: Limits, name: str) -> None:
    """As many as the limit allows are taken, and one more is not."""
    most, is_taken = limits[name]
    patch.setattr("gemel." + name.partition(" ")[0], most)
    assert is_taken(most)
    assert not is_taken(most + 1)

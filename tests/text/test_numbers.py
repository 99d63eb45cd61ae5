"""Lists that are cut where room is short."""

from __future__ import annotations

import pytest

from gemel.text.numbers import first_of


@pytest.mark.parametrize(
    ("count", "expected"),
    [(0, ""), (1, "0"), (3, "0, 1, 2"), (4, "0, 1, 2 and 1 more"), (1500, "0, 1, 2 and 1,497 more")],
)
def test_a_list_is_whole_up_to_what_there_is_room_for(count: int, expected: str) -> None:
    """Nothing, one, as many as there is room for, one more, and thousands more."""
    assert first_of([str(number) for number in range(count)], 3) == expected

"""The order of writes: after what they read, otherwise as given; circles and shared bytes are all told."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gemel.errors import LayoutError
from gemel.joining.values import Write, in_order
from gemel.spans import Span


def _write(name: str, place: int, *reads: tuple[int, int], size: int = 4) -> Write:
    return Write(name, Span(place, size), [Span(*each) for each in reads], lambda: b"")


def _names(*writes: Write) -> list[str]:
    return [write.name for write in in_order(writes)]


def _problems(*writes: Write) -> list[tuple[str, str]]:
    with pytest.raises(LayoutError) as caught:
        in_order(writes)
    return [(problem.what, problem.found) for problem in caught.value.problems]


def test_the_given_order_is_kept_where_nothing_is_read() -> None:
    """Writes that read nothing of each other stay as they are."""
    assert _names(_write("c", 8), _write("a", 0, (100, 8)), _write("b", 4)) == ["c", "a", "b"]
    assert _names() == []


def test_each_comes_after_what_it_reads() -> None:
    """A chain given backwards is turned round; one byte in common is enough."""
    last, middle, first = _write("last", 8, (7, 1)), _write("middle", 4, (3, 1)), _write("first", 0)
    assert _names(last, middle, first) == ["first", "middle", "last"]


def test_touching_is_not_reading() -> None:
    """A range that ends where a place begins, or is empty, reads nothing of it."""
    assert _names(_write("a", 0, (4, 4)), _write("b", 8)) == ["a", "b"]
    assert _names(_write("a", 0, (8, 0)), _write("b", 8)) == ["a", "b"]


def test_two_of_one_name_are_two_writes() -> None:
    """Names are for people; two writes of one name are both written."""
    assert _names(_write("same", 0), _write("same", 8)) == ["same", "same"]


def test_a_value_over_its_own_place() -> None:
    """A write that reads its own place is told so, with the place to leave out."""
    assert _problems(_write("crc", 0, (0, 100))) == [("crc covers its own place", "crc needs crc")]


@pytest.mark.parametrize("count", [2, 3, 7])
def test_circles(count: int) -> None:
    """A circle of any length is told in its order, beginning and ending with the same value."""
    writes = [_write(f"w{index}", 4 * index, (4 * ((index + 1) % count), 4)) for index in range(count)]
    names = [f"w{index}" for index in (*range(count), 0)]
    expected = ("these values depend on each other in a circle", " needs ".join(names))
    assert _problems(*writes) == [expected]


def test_every_circle_is_told() -> None:
    """Two circles apart and a value over itself are three problems; what hangs on a circle is none."""
    writes = [
        _write("a", 0, (4, 4)),
        _write("b", 4, (0, 4)),
        _write("c", 8, (12, 4)),
        _write("d", 12, (8, 4)),
        _write("e", 16, (16, 4)),
        _write("f", 20, (0, 4)),
    ]
    assert [found for _, found in _problems(*writes)] == [
        "a needs b needs a",
        "c needs d needs c",
        "e needs e",
    ]


def test_shared_bytes() -> None:
    """Every pair that shares a byte is told, also where one long value covers several."""
    long, first, second, apart = (
        _write("long", 0, size=16),
        _write("first", 0),
        _write("second", 12),
        _write("apart", 16),
    )
    assert [found for _, found in _problems(apart, second, long, first)] == [
        "first 0x0000_0000..0x0000_0003, long 0x0000_0000..0x0000_000F",
        "long 0x0000_0000..0x0000_000F, second 0x0000_000C..0x0000_000F",
    ]


def test_shared_bytes_and_circles_come_together() -> None:
    """One error holds both kinds."""
    problems = _problems(_write("a", 0, (0, 4)), _write("b", 8), _write("c", 10))
    assert [what for what, _ in problems] == [
        "two values are written to the same bytes",
        "a covers its own place",
    ]


def test_a_circle_among_values_on_top_of_each_other_is_not_told() -> None:
    """Where two values share bytes that both cover, the shared bytes are the fault to mend first."""
    problems = _problems(_write("a", 0, (8, 4)), _write("b", 2, (0, 8)))
    assert [what for what, _ in problems] == ["two values are written to the same bytes"]


def test_long_chains() -> None:
    """A chain as long as a layout allows, given backwards, is put in order without recursion."""
    count = 5000
    chain = [_write(str(index), 4 * index, (4 * (index + 1), 4)) for index in range(count)]
    assert _names(*chain) == [str(index) for index in reversed(range(count))]


@st.composite
def _graphs(draw: st.DrawFn) -> list[Write]:
    count = draw(st.integers(1, 7))
    reads = st.lists(st.tuples(st.integers(0, 4 * count), st.integers(0, 9)), max_size=3)
    order = draw(st.permutations(range(count)))
    return [_write(str(index), 4 * index, *draw(reads)) for index in order]


@given(_graphs())
def test_against_trying_all_orders(writes: list[Write]) -> None:
    """An order is found exactly when one of all permutations is one, and the one found is one of them."""

    def fits(order: tuple[Write, ...]) -> bool:
        for index, write in enumerate(order):
            for later in order[index:]:
                if any(later.place.overlaps(span) for span in write.reads):
                    return False
        return True

    possible = any(fits(order) for order in itertools.permutations(writes))
    try:
        found = in_order(writes)
    except LayoutError:
        assert not possible
    else:
        assert sorted(write.name for write in found) == sorted(write.name for write in writes)
        assert fits(tuple(found))

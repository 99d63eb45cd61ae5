"""Address arithmetic, against sets of addresses, and how addresses and sizes are printed."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gemel.span_index import SpanIndex, Stretches
from gemel.spans import (
    ADDRESS_SPACE,
    Span,
    align_down,
    align_up,
    format_address,
    format_size,
    is_power_of_two,
    merge,
    offsets_of,
    without,
)

SMALL = st.builds(Span, st.integers(0, 60), st.integers(0, 20))
SPANS = st.lists(SMALL, max_size=8)


def addresses(*spans: Span) -> set[int]:
    """Every address in the spans."""
    return {address for span in spans for address in range(span.start, span.start + span.size)}


@given(SMALL, SMALL)
def test_two_spans_are_to_each_other_as_their_addresses_are(first: Span, second: Span) -> None:
    """Overlap, intersection and cover are those of the sets of addresses."""
    shared = addresses(first) & addresses(second)
    assert first.overlaps(second) == bool(shared)
    assert first.overlaps(second) == second.overlaps(first)
    assert addresses(first.intersection(second)) == shared
    if second.size:
        assert first.covers(second) == (addresses(second) <= addresses(first))


@given(SMALL, st.integers(0, 90))
def test_a_span_holds_its_addresses(span: Span, address: int) -> None:
    """``holds``, ``end`` and ``last`` agree with the addresses."""
    assert span.holds(address) == (address in addresses(span))
    assert span.end == span.start + span.size
    if span.size:
        assert span.last == max(addresses(span))


@given(SMALL, st.integers(-60, 60))
def test_a_moved_span_has_its_addresses_moved(span: Span, distance: int) -> None:
    """Moving shifts every address and keeps the size."""
    assert addresses(span.moved(distance)) == {address + distance for address in addresses(span)}


@given(SPANS)
def test_merged_spans_have_the_same_addresses_and_gaps_between_them(spans: list[Span]) -> None:
    """Nothing is lost or added; the result is sorted, without empty, touching or overlapping spans."""
    result = merge(spans)
    assert addresses(*result) == addresses(*spans)
    assert all(span.size for span in result)
    assert all(first.end < second.start for first, second in itertools.pairwise(result))
    assert merge(result) == result


@given(SPANS, SPANS)
def test_what_is_left_without_holes_is_the_difference(spans: list[Span], holes: list[Span]) -> None:
    """``without`` takes away exactly the addresses of the holes, sorted and merge."""
    result = without(spans, holes)
    assert addresses(*result) == addresses(*spans) - addresses(*holes)
    assert merge(result) == result
    assert without(spans, []) == merge(spans)


@given(st.integers(0, ADDRESS_SPACE), st.integers(1, 1 << 20))
def test_alignment_goes_to_the_nearest_multiple(value: int, unit: int) -> None:
    """Up and down are multiples of the unit, less than one unit away, and equal where value is one."""
    up, down = align_up(value, unit), align_down(value, unit)
    assert up % unit == down % unit == 0
    assert down <= value <= up
    assert up - value < unit
    assert value - down < unit


@given(st.integers(0, 1 << 40))
def test_powers_of_two_have_one_bit(value: int) -> None:
    """``is_power_of_two`` is true for numbers with exactly one bit set."""
    assert is_power_of_two(value) == (value.bit_count() == 1)


def test_powers_of_two_are_not_negative() -> None:
    """No negative number is one."""
    assert not any(is_power_of_two(value) for value in (-1, -2, -4))


@pytest.mark.parametrize(
    ("start", "end", "expected"), [(4, 8, Span(4, 4)), (4, 4, Span(4, 0)), (8, 4, Span(8, 0))]
)
def test_bounds_the_wrong_way_round_are_empty(start: int, end: int, expected: Span) -> None:
    """A span from bounds ends before ``end`` and is never negative."""
    assert Span.from_bounds(start, end) == expected


def test_an_empty_span_lies_where_it_starts() -> None:
    """An empty span overlaps nothing, and is covered by what its place lies in or at the end of."""
    empty = Span(16, 0)
    assert not empty.overlaps(Span(0, 64))
    assert Span(0, 64).covers(empty)
    assert Span(0, 16).covers(empty)
    assert not Span(0, 15).covers(empty)
    assert str(empty) == "0x0000_0010 (empty)"


@pytest.mark.parametrize(
    ("span", "expected"),
    [
        (Span(0x1000_0000, 0x4_0000), "0x1000_0000..0x1003_FFFF"),
        (Span(0xFFFF_FFFF, 1), "0xFFFF_FFFF..0xFFFF_FFFF"),
        (Span(0xFFFF_FFFF, 2), "0xFFFF_FFFF..0x1_0000_0000"),
        (Span(0, ADDRESS_SPACE), "0x0000_0000..0xFFFF_FFFF"),
    ],
)
def test_spans_are_printed_with_an_inclusive_end(span: Span, expected: str) -> None:
    """As in a device's memory map."""
    assert str(span) == expected
    assert f"{span}" == expected


@pytest.mark.parametrize(
    ("address", "expected"),
    [
        (0, "0x0000_0000"),
        (0x1003_FFFC, "0x1003_FFFC"),
        (0x1_0000_0000, "0x1_0000_0000"),
        (0x1234_5678_9ABC_DEF0, "0x1234_5678_9ABC_DEF0"),
        (-4, "-0x0000_0004"),
    ],
)
def test_addresses_are_grouped_by_four_digits(address: int, expected: str) -> None:
    """Eight digits or as many as it takes."""
    assert format_address(address) == expected


@given(st.integers(-(1 << 70), 1 << 70))
def test_a_printed_address_is_read_back(address: int) -> None:
    """Python reads the printed form as the same number."""
    assert int(format_address(address), 16) == address


@pytest.mark.parametrize(
    ("size", "expected"),
    [
        (0, "0 bytes"),
        (1, "1 byte"),
        (1023, "1,023 bytes"),
        (1024, "1 KiB (1,024 bytes)"),
        (12_288, "12 KiB (12,288 bytes)"),
        (12_300, "12,300 bytes"),
        (1 << 20, "1 MiB (1,048,576 bytes)"),
        ((1 << 20) + 1024, "1,025 KiB (1,049,600 bytes)"),
        (1 << 32, "4 GiB (4,294,967,296 bytes)"),
        (-1024, "-1,024 bytes"),
    ],
)
def test_sizes_are_printed_in_the_largest_unit_that_divides_them(size: int, expected: str) -> None:
    """With the bytes behind them, so that nobody has to multiply."""
    assert format_size(size) == expected


def test_spans_sort_by_address_then_size() -> None:
    """The order of a list of spans is that of a memory map."""
    assert sorted([Span(8, 1), Span(0, 9), Span(0, 4)]) == [Span(0, 4), Span(0, 9), Span(8, 1)]


@given(SPANS, st.integers(0, 90))
def test_of_overlapping_spans_the_one_that_starts_last_counts(spans, address):
    """The index gives what a walk from the last span back gives, and between its edges nothing changes."""
    spans = sorted(spans, key=lambda span: span.start)
    index = SpanIndex((span.start, span.end, number) for number, span in enumerate(spans))
    assert index.at(address) == next(
        (number for number, span in reversed([*enumerate(spans)]) if span.holds(address)), None
    )
    assert index.edges == sorted(index.edges)
    asked: list[Span] = []
    stretches = Stretches(
        index.edges, lambda edge, end: asked.append(Span.from_bounds(edge, end)) or index.at(edge)
    )
    assert [stretches.at(address), stretches.at(address)] == [index.at(address)] * 2
    (stretch,) = asked
    assert stretch.holds(address)
    assert index.at(stretch.last) == index.at(address)


@given(SPANS, st.integers(-1, 12))
def test_spans_are_joined_over_gaps_of_so_many_bytes(spans: list[Span], gap: int) -> None:
    """Every two that are left are further apart, no byte is lost, and what is new is in gaps no wider than that."""
    merged = merge(spans, gap)
    assert all(later.start - earlier.end > gap for earlier, later in itertools.pairwise(merged))
    assert without(spans, merged) == []
    assert all(span.size <= max(gap, 0) for span in without(merged, spans))


@given(st.binary(max_size=40).map(lambda data: bytes(each & 1 for each in data)), st.integers(0, 5))
def test_places_of_bytes_overlap(data: bytes, start: int) -> None:
    """Each offset from the first on at which the bytes are, however near to the one before."""
    wanted = b"\1\0\1"
    assert list(offsets_of(wanted, data, start)) == [
        at for at in range(start, len(data)) if data[at : at + 3] == wanted
    ]

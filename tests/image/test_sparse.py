"""SparseBytes against a plain dict of bytes by address, and what it costs."""

from __future__ import annotations

import random
import tracemalloc
from collections.abc import Iterator

import pytest
from growth import growth
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule
from strategies import images

from gemel.image import sparse
from gemel.image.sparse import Conflict, SparseBytes, first_difference
from gemel.spans import ADDRESS_SPACE, Span, merge

NEAR = st.one_of(st.integers(0, 100), st.integers(ADDRESS_SPACE - 60, ADDRESS_SPACE - 24))
DATA = st.one_of(st.binary(max_size=24), st.sampled_from([b"a" * size for size in range(1, 25)]))
SPANS = st.builds(Span, NEAR, st.integers(0, 60))


def octets(image: SparseBytes, span: Span | None = None) -> Iterator[tuple[int, int]]:
    """Every held byte of ``span`` with its address."""
    for start, piece in image.pieces(span):
        yield from enumerate(piece, start)


class SparseAgainstDict(RuleBasedStateMachine):
    """Every operation does to a SparseBytes what it does to a dict of bytes by address."""

    def __init__(self) -> None:
        super().__init__()
        self.image = SparseBytes()
        self.model: dict[int, int] = {}
        self.views: list[tuple[memoryview, int]] = []
        self.limit = sparse.MAX_MERGED
        sparse.MAX_MERGED = 8

    def teardown(self) -> None:
        sparse.MAX_MERGED = self.limit

    @rule(address=NEAR, data=DATA)
    def write(self, address: int, data: bytes) -> None:
        self.image.write(address, data)
        self.model.update(enumerate(data, address))

    @rule(address=NEAR, data=DATA)
    def add(self, address: int, data: bytes) -> None:
        expected: list[Conflict] = []
        run_differs = False
        for at, new in enumerate(data, address):
            held = self.model.get(at)
            if held is None:
                run_differs = False
            elif held != new and not run_differs:
                expected.append(Conflict(at, held, new))
                run_differs = True
        assert self.image.add(address, data) == expected
        if not expected:
            self.model.update(enumerate(data, address))

    @rule(span=SPANS)
    def add_what_is_there(self, span: Span) -> None:
        for address, piece in list(self.image.pieces(span)):
            assert self.image.add(address, bytes(piece)) == []

    @rule(span=SPANS)
    def erase(self, span: Span) -> None:
        self.image.erase(span)
        for address in range(span.start, span.end):
            self.model.pop(address, None)

    @rule()
    def keep_views(self) -> None:
        """From here on, changes meet chunks that somebody still looks at."""
        self.views += [(piece, len(piece)) for _, piece in self.image.pieces()]

    @rule()
    def go_on_with_a_copy(self) -> None:
        old, self.image = self.image, self.image.copy()
        old.erase(Span(0, ADDRESS_SPACE))
        assert old.spans() == []

    @rule(span=SPANS, fill=st.one_of(st.none(), st.integers(0, 255)))
    def read(self, span: Span, fill: int | None) -> None:
        missing = [at for at in range(span.start, span.end) if at not in self.model]
        if span.end > ADDRESS_SPACE:
            with pytest.raises(ValueError, match="outside"):
                self.image.read(span, fill)
        elif fill is None and missing:
            with pytest.raises(ValueError, match=f"0x{missing[0] >> 16:04X}_{missing[0] & 0xFFFF:04X}"):
                self.image.read(span, fill)
        else:
            expected = bytes(self.model.get(at, fill or 0) for at in range(span.start, span.end))
            assert self.image.read(span, fill) == expected

    @rule(span=SPANS)
    def ask(self, span: Span) -> None:
        held = [at for at in range(span.start, span.end) if at in self.model]
        assert self.image.held_in(span) == merge(Span(at, 1) for at in held)
        assert self.image.holds(span) == (len(held) == span.size)
        assert list(octets(self.image, span)) == [(at, self.model[at]) for at in held]

    @invariant()
    def holds_the_same(self) -> None:
        assert dict(octets(self.image)) == self.model
        assert self.image.size == len(self.model)
        assert self.image.spans() == merge(Span(at, 1) for at in self.model)
        bounds = Span.from_bounds(min(self.model), max(self.model) + 1) if self.model else None
        assert self.image.bounds() == bounds
        assert all(len(view) == size for view, size in self.views)


TestSparseAgainstDict = SparseAgainstDict.TestCase
TestSparseAgainstDict.settings = settings(max_examples=150, stateful_step_count=40, deadline=None)


@given(image=images(), seed=st.integers(0, 999))
def test_equality_does_not_see_how_bytes_arrived(image: SparseBytes, seed: int) -> None:
    """Two images are equal when they hold the same bytes, in whatever pieces and order those were written."""
    bytes_held = [(at, bytes((byte,))) for at, byte in octets(image)]
    random.Random(seed).shuffle(bytes_held)
    other = SparseBytes()
    for address, byte in bytes_held:
        other.write(address, byte)
    assert other == image
    if bytes_held:
        address, byte = bytes_held[0]
        other.write(address, bytes((byte[0] ^ 1,)))
        assert other != image
        other.erase(Span(address, 1))
        assert other != image


@pytest.mark.parametrize(
    ("address", "data"), [(-1, b"x"), (ADDRESS_SPACE, b"x"), (ADDRESS_SPACE - 1, b"xy"), (1 << 40, b"")]
)
def test_addresses_beyond_32_bits_are_refused(address: int, data: bytes) -> None:
    """Writing or adding outside the 32-bit address space raises ValueError and changes nothing."""
    image = SparseBytes()
    image.write(ADDRESS_SPACE - 1, b"a")
    for change in (image.write, image.add):
        with pytest.raises(ValueError, match="outside the 32-bit address space"):
            change(address, data)
    assert image.spans() == [Span(ADDRESS_SPACE - 1, 1)]


def test_pieces_cannot_be_written_through() -> None:
    """The views handed out are read-only."""
    image = SparseBytes()
    image.write(16, b"abc")
    ((_, piece),) = image.pieces()
    with pytest.raises(TypeError):
        piece[0] = 0
    assert repr(image) == "SparseBytes(0x0000_0010..0x0000_0012)"
    assert image != "abc"


def test_views_do_not_keep_an_image_from_changing() -> None:
    """A piece that somebody kept stays readable while its chunk grows, shrinks and is erased."""
    image = SparseBytes()
    image.write(16, b"abcd")
    kept = [piece for _, piece in image.pieces()]
    image.write(20, b"ef")
    kept += [piece for _, piece in image.pieces()]
    image.erase(Span(20, 2))
    image.erase(Span(16, 1))
    image.write(15, b"xy")
    image.erase(Span(18, 1))
    assert [bytes(piece) for piece in kept] == [b"abcd", b"abcdef"]
    assert list(octets(image)) == [(15, ord("x")), (16, ord("y")), (17, ord("b")), (19, ord("d"))]


def test_a_run_in_several_chunks_conflicts_once() -> None:
    """Of a run of held bytes only the first difference is reported, however it is stored."""
    image = SparseBytes()
    for address in range(9 * sparse.MAX_MERGED, 0, -sparse.MAX_MERGED // 2):
        image.write(address, b"a" * (sparse.MAX_MERGED // 2))
    (span,) = image.spans()
    assert len(list(image.pieces())) > 1
    image.erase(Span(span.end - 10, 1))
    assert image.add(span.start, b"b" * span.size) == [
        Conflict(span.start, ord("a"), ord("b")),
        Conflict(span.end - 9, ord("a"), ord("b")),
    ]


@given(left=st.binary(max_size=50), right=st.binary(max_size=50))
def test_first_difference(left: bytes, right: bytes) -> None:
    """The index found is that of a plain comparison, byte by byte."""
    size = min(len(left), len(right))
    pairs = zip(left[:size], right[:size], strict=True)
    expected = next((index for index, (a, b) in enumerate(pairs) if a != b), None)
    assert first_difference(left[:size], right[:size]) == expected
    assert first_difference(memoryview(left)[:size], memoryview(right)[:size]) == expected


def test_a_wide_span_costs_only_what_it_holds() -> None:
    """Two bytes 4 GiB apart, copied and compared, take less than 16 KiB of memory."""
    tracemalloc.start()
    try:
        image = SparseBytes()
        image.write(0, b"a")
        image.write(ADDRESS_SPACE - 1, b"z")
        assert image.bounds() == Span(0, ADDRESS_SPACE)
        assert image.copy() == image
        assert image.held_in(Span(1, ADDRESS_SPACE)) == [Span(ADDRESS_SPACE - 1, 1)]
        image.erase(Span(1, ADDRESS_SPACE - 1))
        assert image.size == 1
        assert tracemalloc.get_traced_memory()[1] < 16 << 10
    finally:
        tracemalloc.stop()


def backwards(count: int) -> list[tuple[int, bytes]]:
    return [(address, b"0123456789abcdef") for address in range(16 * count, 0, -16)]


def overlapping(count: int) -> list[tuple[int, bytes]]:
    return [(address, bytes(16)) for address in range(0, 8 * count, 8)]


def every_other_byte_shuffled(count: int) -> list[tuple[int, bytes]]:
    writes = [(address, b"x") for address in range(0, 2 * count, 2)]
    random.Random(1).shuffle(writes)
    return writes


@pytest.mark.parametrize("order", [backwards, overlapping, every_other_byte_shuffled])
def test_no_order_of_writing_is_slow(order) -> None:
    """Sixteen times as many small writes take about as many times as long, not the 256 of a quadratic store."""

    def writing(count: int):
        writes = order(count)

        def work() -> None:
            image = SparseBytes()
            for address, data in writes:
                assert image.add(address, data) == []
            last, data = max(writes)
            assert image.bounds() == Span.from_bounds(min(writes)[0], last + len(data))

        return work

    assert growth(writing, 1_500, 16, rounds=2) < 64

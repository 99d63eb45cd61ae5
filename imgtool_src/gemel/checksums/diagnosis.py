"""Why a stored checksum does not match: the one change, or the two, that would make it right.

The question an engineer has in front of a checksum that does not match is which of the usual
misunderstandings it is: the other byte order, feed, reflection, start value, final inversion, another
algorithm of the same width, another range or another fill.  Each is tried alone, and pairs only when none
fits alone.  What is found is evidence, not proof: the more is tried, the likelier a chance match, so an
explanation is marked weak where chance alone would give one in more than a thousand mismatches.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import cache, partial
from itertools import combinations, product
from typing import Literal

from gemel.checksums.algorithms import (
    UNIT_SIZES,
    Algorithm,
    ByteOrder,
    CrcAlgorithm,
    Feed,
    compute,
    crc_algorithm,
    feed_problem,
    stored_bytes,
    sums_by_name,
    unit_size,
)
from gemel.checksums.crc_catalogue import CrcParameters, catalogue, name_of
from gemel.checksums.crc_engine import MessageBytes, is_compiled
from gemel.structs import NamedTuple, Struct, replace

LIKELY_CHANCE = 1 / 1000
"""Expected number of chance matches from which on an explanation is marked weak."""

_MAX_COST, _MAX_IN_ALL = 1_000_000, 1_000_000
"""Bounds of the work for one checksum and for all of a check, in microseconds of the machine of ``_cost``."""

_SEARCH_COST, _PART_COST = 3_000, 30
"""What a search, and each range of a reading, cost besides the values that are computed, in the same unit."""

_KEPT = 1 << 16
"""Bytes of a reading that are read once for all values over it."""


class Work:
    """What is left of the work that may be done for all checksums of a check."""

    def __init__(self) -> None:
        self.left: float = _MAX_IN_ALL

    @property
    def is_done(self) -> bool:
        """Whether nothing more is to be tried."""
        return self.left < 0


class Coverage(Struct):
    """One reading of what a checksum covers.

    ``words`` completes "the stored value is right ...", as in "if the last 4 bytes are left out"; it is
    empty for what the layout says.  ``blocks`` gives the ``size`` bytes, in ``parts`` ranges, as often as it is
    called.  One of many, as are the ranges that end somewhere else, is tried where nothing else fits, and with
    another byte order at most.
    """

    words: str
    size: int
    blocks: Callable[[], Iterable[MessageBytes]]
    one_of_many: bool = False
    parts: int = 1


class ChecksumExplanation(Struct):
    """One or two changes with which the stored value is right; ``weak`` if it may well be chance."""

    changes: tuple[str, ...]
    weak: bool = False

    def __str__(self) -> str:
        doubt = ", which may be chance" if self.weak else ""
        return f"the stored value is right {' and '.join(self.changes)}{doubt}"


class Diagnosis(Struct):
    """All explanations that were found, likeliest first.

    ``blank`` shows that the stored bytes are all 0xFF or all 0x00, as where nothing was written.
    ``complete`` is false when the bound of the work ended the search.
    """

    explanations: tuple[ChecksumExplanation, ...]
    blank: bool
    complete: bool

    def __str__(self) -> str:
        parts = [str(explanation) for explanation in self.explanations]
        if self.blank:
            parts.insert(0, "the stored value is blank, as where no checksum was written")
        if not self.complete:
            parts.append("not everything was tried, since the covered bytes are many")
        return "; ".join(parts)


class _Reading(NamedTuple):
    """One way to compute and store the checksum."""

    algorithm: Algorithm
    feed: Feed
    byte_order: ByteOrder
    coverage: Coverage


_Kind = Literal["order", "feed", "range", "bounds", "reflection", "init", "xorout", "algorithm", "sum"]


class _Change(NamedTuple):
    kind: _Kind
    words: str
    applied: Callable[[_Reading], _Reading]


class _CostBound(Exception):
    """The bound of the work is reached."""


def diagnose(
    algorithm: Algorithm,
    feed: Feed,
    byte_order: ByteOrder,
    stored: bytes,
    covered: Coverage,
    alternatives: Sequence[Coverage] = (),
    work: Work | None = None,
) -> Diagnosis:
    """Find out with which change ``stored``, the bytes at the checksum's place, would be right.

    To be called where it is not right as it is; alternatives are tried in their order.  Takes about half a
    second for a range of 1 MiB, and about one second at most for any; less where ``work``, that of
    all checksums of one check, is nearly done.
    """
    search = _Search(stored, _Reading(algorithm, feed, byte_order, covered), work or Work())
    changes = list(_changes(search.declared, alternatives))
    found: list[ChecksumExplanation] = []
    complete = True
    try:
        for change in changes:
            if found and change.kind == "bounds":
                break
            found.extend(search.tried((change,)))
        if not found and algorithm.bits >= 16:
            for pair in combinations(changes, 2):
                if _combine(pair[0].kind, pair[1].kind, algorithm.bits):
                    found.extend(search.tried(pair))
    except _CostBound:
        complete = False
    weak = search.expected_by_chance > LIKELY_CHANCE
    blank = len(set(stored)) == 1 and stored[0] in (0x00, 0xFF)
    explanations = tuple(replace(explanation, weak=weak) for explanation in found)
    return Diagnosis(explanations, blank, complete)


class _Search:
    """Readings that were tried, their values and what they cost."""

    def __init__(self, stored: bytes, declared: _Reading, work: Work) -> None:
        self.declared = declared
        self._stored = stored
        self._values: dict[tuple[Algorithm, Feed, str], int] = {}
        self._read: dict[str, bytes] = {}
        self._seen: set[tuple[Algorithm, Feed, ByteOrder, str]] = {_key(declared)}
        self._cost, self._work = 0.0, work
        work.left -= _SEARCH_COST + _PART_COST * declared.coverage.parts

    @property
    def expected_by_chance(self) -> float:
        """How many of the readings tried so far a random value would match."""
        return float((len(self._seen) - 1) / (1 << self.declared.algorithm.bits))

    def tried(self, changes: Sequence[_Change]) -> Iterator[ChecksumExplanation]:
        """The explanation that the changes make, if the stored value is right with them."""
        reading = self.declared
        for change in changes:
            reading = change.applied(reading)
        if _key(reading) in self._seen:
            return
        value = self._value(reading)
        if value is None:
            return
        self._seen.add(_key(reading))
        if stored_bytes(reading.algorithm, value, reading.byte_order) == self._stored:
            yield ChecksumExplanation(tuple(_words(changes, reading.algorithm)))

    def _value(self, reading: _Reading) -> int | None:
        """The checksum of a reading, or None where its bytes do not come out even in its units."""
        algorithm, feed, coverage = reading.algorithm, reading.feed, reading.coverage
        key = (algorithm, feed, coverage.words)
        if key not in self._values:
            if feed_problem(algorithm, feed) or coverage.size % unit_size(algorithm, feed):
                return None
            self._spend(_cost(algorithm, feed, coverage.size))
            self._values[key] = compute(algorithm, self._blocks(coverage), feed)
        return self._values[key]

    def _blocks(self, coverage: Coverage) -> Iterable[MessageBytes]:
        if coverage.words not in self._read:
            self._spend(_PART_COST * coverage.parts)
            if coverage.size > _KEPT:
                return coverage.blocks()
            self._read[coverage.words] = b"".join(coverage.blocks())
        return [self._read[coverage.words]]

    def _spend(self, cost: float) -> None:
        """Raise _CostBound where the work would be more than may be done."""
        self._cost += cost
        self._work.left -= cost
        if self._cost > _MAX_COST or self._work.is_done:
            raise _CostBound


def _words(changes: Sequence[_Change], algorithm: Algorithm) -> Iterator[str]:
    """The words of the changes; other parameters are followed by the catalogue's name for what they make."""
    parameters = [change for change in changes if change.kind in ("reflection", "init", "xorout")]
    name = name_of(algorithm.parameters) if isinstance(algorithm, CrcAlgorithm) else None
    for change in changes:
        yield f"{change.words} ({name})" if name and change in parameters[-1:] else change.words


def _key(reading: _Reading) -> tuple[Algorithm, Feed, ByteOrder, str]:
    return reading.algorithm, reading.feed, reading.byte_order, reading.coverage.words


def _cost(algorithm: Algorithm, feed: Feed, size: int) -> float:
    """Microseconds, about: measured per MiB on the machine of ``crc_engine``, and a start-up each."""
    if not isinstance(algorithm, CrcAlgorithm):
        per_mebibyte = 7_000
    else:
        per_mebibyte = 400 if is_compiled(algorithm.parameters) else 105_000
        per_mebibyte += 300 if feed != "byte" else 0
    per_mebibyte += 1_000  # to read the bytes, holes too
    return 60 + per_mebibyte * size / (1 << 20)


def _changes(declared: _Reading, alternatives: Sequence[Coverage]) -> Iterator[_Change]:
    """Every single change, likeliest first."""
    algorithm = declared.algorithm
    if algorithm.bits > 8:
        other: ByteOrder = "big" if declared.byte_order == "little" else "little"
        yield _Change("order", f"for byte order {other}", lambda reading: reading._replace(byte_order=other))
    for feed in UNIT_SIZES:
        if feed != declared.feed and isinstance(algorithm, CrcAlgorithm):
            yield _Change("feed", f"for feed {feed}", _with_feed(feed))
    for coverage in alternatives:
        if not coverage.one_of_many:
            yield _Change("range", coverage.words, _with_coverage(coverage))
    if isinstance(algorithm, CrcAlgorithm):
        yield from _parameter_changes(algorithm.parameters)
    for wanted in _algorithms_as_wide(algorithm.bits):
        kind: _Kind = "algorithm" if isinstance(wanted, CrcAlgorithm) else "sum"
        yield _Change(kind, f"for {wanted.name}", _with_algorithm(wanted))
    for coverage in alternatives:
        if coverage.one_of_many:
            yield _Change("bounds", coverage.words, _with_coverage(coverage))


_Applied = Callable[[_Reading], _Reading]
_Altered = Callable[[CrcParameters], CrcParameters]


def _with_feed(feed: Feed) -> _Applied:
    return lambda reading: reading._replace(feed=feed)


def _with_coverage(coverage: Coverage) -> _Applied:
    return lambda reading: reading._replace(coverage=coverage)


def _with_algorithm(algorithm: Algorithm) -> _Applied:
    return lambda reading: reading._replace(algorithm=algorithm)


def _parameter_changes(own: CrcParameters) -> Iterator[_Change]:
    """Other reflections, start values and final inversions than the algorithm's own."""
    digits = -(-own.width // 4)
    for refin, refout in product((not own.refin, own.refin), (not own.refout, own.refout)):
        words = f"refin {str(refin).lower()} and refout {str(refout).lower()}"
        yield from _parameter_change("reflection", words, own, partial(replace, refin=refin, refout=refout))
    for value in (0, own.mask):
        yield from _parameter_change("init", f"init 0x{value:0{digits}X}", own, partial(replace, init=value))
    for value in (0, own.mask):
        words = f"xorout 0x{value:0{digits}X}"
        yield from _parameter_change("xorout", words, own, partial(replace, xorout=value))


def _parameter_change(kind: _Kind, words: str, own: CrcParameters, altered: _Altered) -> Iterator[_Change]:
    """The change of some parameters, unless the algorithm has them already."""
    if altered(own) == own:
        return

    def applied(reading: _Reading) -> _Reading:
        algorithm = reading.algorithm
        if not isinstance(algorithm, CrcAlgorithm):
            return reading
        return reading._replace(algorithm=crc_algorithm(altered(algorithm.parameters)))

    yield _Change(kind, f"for {words}", applied)


def _algorithms_as_wide(bits: int) -> Iterator[Algorithm]:
    """The other algorithms with values of ``bits`` bits: CRCs of the catalogue, then sums."""
    for entry in catalogue().values():
        if entry.parameters.width == bits:
            yield CrcAlgorithm(entry.name, entry.parameters)
    yield from dict.fromkeys(other for other in sums_by_name().values() if other.bits == bits)


@cache
def _combine(first: _Kind, second: _Kind, bits: int) -> bool:
    """Whether two changes of these kinds are worth trying at once.

    Another algorithm is only paired at 32 bits and more, where chance does not drown the answer, and never
    with a change of its parameters; a sum, slow to compute, only with the byte order, and so is each of the
    many ranges that end somewhere else.
    """
    kinds = {first, second}
    if len(kinds) < 2:
        return False
    if kinds & {"sum", "bounds"}:
        return "order" in kinds
    if "algorithm" in kinds:
        return bits >= 32 and not kinds & {"reflection", "init", "xorout"}
    return True

"""The code of a build without mapping symbols: followed from its entries, and the rest swept.

What instructions mean, and how sure that is: what is followed is hardly ever data; what is swept is code as
far as its bytes hold together (see ``sweep``), which chance brings about, too.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from gemel.check.code.flow import Flow, runs
from gemel.check.code.lacking_instructions import Place
from gemel.check.code.sieve import Sieve, is_beyond_disassembler
from gemel.check.code.spelling import reads_as, spelled
from gemel.check.code.sweep import Routine, Sweep
from gemel.spans import Span

ALONE_AT_LEAST = 4
"""A routine that nothing leads to, and no code lies next to, counts where it holds at least so many lacking
instructions, and no more of others: tables of numbers read as routines with a few of them."""


class UnmappedCode(NamedTuple):
    """Code in the bytes ``code``, the first of which its core runs at ``start``.

    ``followed``: (offset, size) of the instructions that the entries lead to; ``swept``: the routines beside
    them; ``sizes``: how many bytes are the one, the other, and neither; ``unfinished``: whether the sweep
    was given up.
    """

    code: bytes
    start: int
    followed: list[tuple[int, int]]
    swept: list[Routine]
    sizes: tuple[int, int, int]
    unfinished: bool

    def followed_places(self, sieve: Sieve) -> Iterator[Place]:
        """Instructions that were followed and that the core lacks."""
        return (each for each in self._lacking(sieve, self.followed) if not _is_negative_number(each))

    def swept_places(self, sieve: Sieve) -> Iterator[Place]:
        """Instructions that the sweep found and that the core lacks, by address, from what is likely code."""
        for routine in sorted(self.swept, key=lambda each: min(each.sizes)):
            instructions = sorted(routine.sizes.items())
            lacking = self._lacking(sieve, instructions)
            places = [each for each in lacking if not (_is_negative_number(each) or self._is_address(each))]
            least = max(ALONE_AT_LEAST, len(instructions) / 2) if routine.alone else 1
            if len(places) >= least and self._credible(instructions, places):
                yield from places

    def _lacking(self, sieve: Sieve, instructions: list[tuple[int, int]]) -> Iterator[Place]:
        code, start = self.code, self.start
        for first, end, _ in runs(instructions):
            for offset, size, encoding in sieve.unfit(code[first:end]):
                at = first + offset
                yield Place(start + at, code[at : at + size], encoding)

    def _is_address(self, place: Place) -> bool:
        """Whether the bytes are an address in this very code, as in a literal."""
        value = int.from_bytes(place.data, "little") - self.start
        return len(place.data) == 4 and place.address % 4 == 0 and 0 <= value < len(self.code)

    def _credible(self, instructions: list[tuple[int, int]], places: list[Place]) -> bool:
        """Whether each instruction is known, by disassembler or table, and none is for other profiles."""
        if any("nobody" in place.encoding.needs for place in places):
            return False
        return all(
            reads_as(self.code[first:end], self.start + first, sizes) or self._known(first, sizes)
            for first, end, sizes in runs(instructions)
        )

    def _known(self, at: int, sizes: list[int]) -> bool:
        """Whether each of some instructions in a row is known by itself."""
        for size in sizes:
            data = self.code[at : at + size]
            if not (is_beyond_disassembler(data) or spelled(data, self.start + at)):
                return False
            at += size
        return True


def _is_negative_number(place: Place) -> bool:
    """Whether the bytes are a small negative number, as in a literal."""
    return len(place.data) == 4 and place.address % 4 == 0 and place.data.endswith(b"\xff\xff")


def unmapped_code(
    code: bytes,
    start: int,
    entries: Iterable[int],
    data: Iterable[Span] = (),
    beyond: Iterable[Span] = (),
) -> UnmappedCode:
    """Find the code in ``code``, run at ``start`` (even), from ``entries``: addresses, bit 0 ignored.

    ``data`` is known to be none; ``beyond`` is where other code of the core lies: calls may lead there.  Both
    are as the core sees them.
    """
    flow = Flow(code, start)
    for span in data:
        flow.note_data(range(span.start - start, span.end - start, 2))
    flow.follow(entries)
    followed = flow.reached()
    sweep = Sweep(flow, beyond)
    swept = sweep.run()
    in_all = sum(size for _, size in flow.reached())
    first = sum(size for _, size in followed)
    sizes = (first, max(in_all - first, 0), len(code) - in_all)
    return UnmappedCode(code, start, followed, swept, sizes, sweep.effort < 0)

"""The code of a build without mapping symbols: followed from its entries, and the rest swept.

What instructions mean, and how sure that is: what is followed is hardly ever data; what is swept is code as
far as its bytes hold together (see ``sweep``), which chance brings about, too.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator
from itertools import accumulate, islice
from typing import TYPE_CHECKING

from gemel.m_profile.disassembly import reads_whole, spelled
from gemel.m_profile.flow import Flow, Run
from gemel.m_profile.found_instruction import FoundInstruction
from gemel.m_profile.halfwords import FIRST_WIDE
from gemel.m_profile.sieve import Sieve, is_beyond_disassembler
from gemel.m_profile.sweep import Routine, Sweep
from gemel.spans import Span
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.m_profile.guards import Guards

MIN_ALONE = 4
"""A routine that nothing leads to, and no code is next to, counts where it holds at least so many lacking
instructions, and no more of others: tables of numbers read as routines with a few of them."""


MAX_LACKING = 4_096
"""Instructions of one stretch that are reported: a core that lacks more is another core's."""


class UnmappedCode(NamedTuple):
    """Code in the bytes ``code``, the first of which its core runs at ``start``.

    ``followed``: what the entries lead to; ``swept``: the routines besides that; ``sizes``: how many bytes are
    the one, the other, and neither; ``unfinished``: whether the sweep was given up.
    """

    code: bytes
    start: int
    followed: list[Run]
    swept: list[Routine]
    sizes: tuple[int, int, int]
    unfinished: bool

    def followed_places(self, sieve: Sieve) -> Iterator[FoundInstruction]:
        """Instructions that were followed and that the core lacks, MAX_LACKING at most."""
        found = self._lacking(sieve, self.followed)
        return islice((each for each in found if not _is_negative_number(each)), MAX_LACKING)

    def swept_places(self, sieve: Sieve) -> Iterator[FoundInstruction]:
        """Instructions that the sweep found and that the core lacks, by address, from what is likely code.

        No more routines are looked at once MAX_LACKING instructions were found.
        """
        left = MAX_LACKING
        for routine in sorted(self.swept, key=lambda each: each.runs[0]):
            lacking = self._lacking(sieve, routine.runs)
            places = [each for each in lacking if not (_is_negative_number(each) or self._is_address(each))]
            if places and self._enough(routine, places) and self._credible(routine, places):
                yield from places
                left -= len(places)
                if left <= 0:
                    return

    def _lacking(self, sieve: Sieve, found: list[Run]) -> Iterator[FoundInstruction]:
        code, start = self.code, self.start
        places = [0, *accumulate(end - first for first, end in found)]
        guards, last = None, -1
        for offset, size, encoding in sieve.unfit(b"".join([code[first:end] for first, end in found])):
            index = bisect_right(places, offset) - 1
            at = found[index].first + offset - places[index]
            if guards is None or index != last:
                guards, last = self._guards(found[index]), index
            if not guards.cover(start + at, entries=True):
                yield FoundInstruction(start + at, code[at : at + size], encoding)

    def _guards(self, run: Run) -> Guards:
        from gemel.m_profile.guards import Guards
        from gemel.m_profile.known_stores import Function

        return Guards(Function(self.code[run.first : run.end], self.start + run.first), self._word_at)

    def _word_at(self, address: int) -> int | None:
        at = address - self.start
        return int.from_bytes(self.code[at : at + 4], "little") if 0 <= at <= len(self.code) - 4 else None

    def _is_address(self, place: FoundInstruction) -> bool:
        """Whether the bytes are an address in this very code, as in a literal."""
        value = int.from_bytes(place.data, "little") - self.start
        return len(place.data) == 4 and place.address % 4 == 0 and 0 <= value < len(self.code)

    def _enough(self, routine: Routine, places: list[FoundInstruction]) -> bool:
        """Whether what a routine lacks is more than chance brings about."""
        if not routine.alone:
            return True
        instructions = sum(len(list(self._instructions(run))) for run in routine.runs)
        return len(places) >= max(MIN_ALONE, instructions / 2)

    def _credible(self, routine: Routine, places: list[FoundInstruction]) -> bool:
        """Whether each instruction is known, by disassembler or table, and none is for other profiles."""
        if any("nobody" in place.encoding.needs for place in places):
            return False
        return all(
            reads_whole(self.code[run.first : run.end], self.start + run.first)
            or all(map(self._is_known, self._instructions(run)))
            for run in routine.runs
        )

    def _instructions(self, run: Run) -> Iterator[int]:
        """The offset of each instruction of a run."""
        at = run.first
        while at < run.end:
            yield at
            at += 4 if self.code[at + 1] >= FIRST_WIDE >> 8 else 2

    def _is_known(self, at: int) -> bool:
        data = self.code[at : at + (4 if self.code[at + 1] >= FIRST_WIDE >> 8 else 2)]
        return is_beyond_disassembler(data) or bool(spelled(data, self.start + at))


def _is_negative_number(place: FoundInstruction) -> bool:
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

    ``data`` is known to be none; ``beyond`` is where other code of the core is: calls may lead there.  Both
    are as the core sees them.
    """
    flow = Flow(code, start)
    for span in data:
        flow.note_data(range(span.start - start, span.end - start, 2))
    flow.follow(entries)
    followed = flow.reached()
    sweep = Sweep(flow, beyond)
    swept = sweep.run()
    first, in_all = _size(followed), _size(flow.reached())
    sizes = (first, max(in_all - first, 0), len(code) - in_all)
    return UnmappedCode(code, start, followed, swept, sizes, sweep.effort < 0 or flow.streams_left < 0)


def _size(found: list[Run]) -> int:
    return sum(run.end - run.first for run in found)

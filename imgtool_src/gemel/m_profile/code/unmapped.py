"""The code of a build without mapping symbols: followed from its entries, and the rest swept.

What instructions mean, and how sure that is: what is followed is hardly ever data; what is swept is code as
far as its bytes hold together (see ``sweep``), which chance brings about, too.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import accumulate, chain, groupby, islice
from types import MappingProxyType
from typing import TYPE_CHECKING

from gemel.m_profile.code.flow import Flow, Run
from gemel.m_profile.code.sweep import Routine, Sweep
from gemel.m_profile.instructions.disassembly import reads_whole, spelled
from gemel.m_profile.instructions.found_instruction import FoundInstruction
from gemel.m_profile.instructions.halfwords import FIRST_WIDE
from gemel.m_profile.instructions.sieve import Sieve, is_beyond_disassembler
from gemel.spans import Span
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.m_profile.code.stretch_guards import StretchGuards

MIN_ALONE = 4
"""A routine that nothing leads to, and no code is next to, counts where it holds at least so many lacking
instructions, and no more of others: tables of numbers read as routines with a few of them."""

REPEATED = 4
"""A word that is there so many times besides fills a gap."""

MAX_LACKING = 4_096
"""Instructions of one stretch that are reported: a core that lacks more is another core's."""


class UnmappedCode(NamedTuple):
    """Code in the bytes ``code``, the first of which its core runs at ``start``.

    ``followed``: what the entries lead to; ``swept``: the routines besides that; ``sizes``: how many bytes are
    the one, the other, and neither; ``unfinished``: whether the sweep was given up;
    ``callers`` and ``jumps``: the offsets that calls and jumps lead to, with those of these (see ``Flow``);
    ``beside``: other bytes of the build.
    """

    code: bytes
    start: int
    followed: list[Run]
    swept: list[Routine]
    sizes: tuple[int, int, int]
    unfinished: bool
    callers: Mapping[int, list[int]] = MappingProxyType({})
    jumps: Mapping[int, list[int]] = MappingProxyType({})
    beside: Sequence[bytes] = ()

    def followed_places(self, sieve: Sieve) -> Iterator[FoundInstruction]:
        """Instructions that were followed and that the core lacks, MAX_LACKING at most."""
        lacking = self._lacking(sieve, self.followed)
        first = next(lacking, None)
        if first is None:
            return iter(())
        found = self._guards().unguarded(self.followed, chain([first], lacking))
        return islice((each for _, each in found if not _is_negative_number(each)), MAX_LACKING)

    def swept_places(self, sieve: Sieve) -> Iterator[FoundInstruction]:
        """Instructions that the sweep found and that the core lacks, by address, from what is likely code.

        No more routines are looked at once MAX_LACKING instructions were found.
        """
        left, guards = MAX_LACKING, None
        swept = sorted(self.swept, key=lambda each: each.runs[0])
        runs = [run for each in swept for run in each.runs]
        owners = [index for index, each in enumerate(swept) for _ in each.runs]
        for owner, found in groupby(self._lacking(sieve, runs), key=lambda each: owners[each[0]]):
            routine = swept[owner]
            lacking = [each for each in found if not self._is_likely_data(each[1])]
            if not (lacking and self._enough(routine, len(lacking)) and self._is_read_whole(routine)):
                continue
            guards = guards or self._guards()
            places = [each for _, each in guards.unguarded(runs, lacking)]
            if places and self._enough(routine, len(places)) and not any(map(_is_for_nobody, places)):
                yield from places
                left -= len(places)
                if left <= 0:
                    return

    def _guards(self) -> StretchGuards:
        from gemel.m_profile.code.stretch_guards import StretchGuards

        return StretchGuards(self.code, self.start, self.callers, self.jumps, self.beside)

    def _lacking(self, sieve: Sieve, found: list[Run]) -> Iterator[tuple[int, FoundInstruction]]:
        """Instructions in these runs that the core lacks, each with the index of its run."""
        code, start = self.code, self.start
        places = [0, *accumulate(end - first for first, end in found)]
        for offset, size, encoding in sieve.unfit(b"".join([code[first:end] for first, end in found])):
            index = bisect_right(places, offset) - 1
            at = found[index].first + offset - places[index]
            yield index, FoundInstruction(start + at, code[at : at + size], encoding)

    def _is_likely_data(self, place: FoundInstruction) -> bool:
        return _is_negative_number(place) or self._is_address(place) or self._is_fill(place)

    def _is_fill(self, place: FoundInstruction) -> bool:
        """Whether a word repeats up to the instruction, or from it on, more often than any code repeats one."""
        at, code = place.address - self.start, self.code
        word, before = code[at : at + 4], code[max(at - 4, 0) : at]
        goes_on = (
            code[at : at + 2] == before[:2] and code[max(at - 4 * REPEATED, 0) : at] == REPEATED * before
        )
        return goes_on or code[at + 4 : at + 4 + 4 * REPEATED] == REPEATED * word

    def _is_address(self, place: FoundInstruction) -> bool:
        """Whether the bytes are an address in this very code, as in a literal."""
        value = int.from_bytes(place.data, "little") - self.start
        return len(place.data) == 4 and place.address % 4 == 0 and 0 <= value < len(self.code)

    def _enough(self, routine: Routine, places: int) -> bool:
        """Whether what a routine lacks is more than chance brings about."""
        if not routine.alone:
            return True
        instructions = sum(len(list(self._instructions(run))) for run in routine.runs)
        return places >= max(MIN_ALONE, instructions / 2)

    def _is_read_whole(self, routine: Routine) -> bool:
        """Whether each instruction is known, by disassembler or table."""
        return all(
            reads_whole(self.code[run.first : run.end], self.start + run.first)
            or all(map(self._is_known, self._instructions(run)))
            for run in routine.runs
        )

    def _instructions(self, run: Run) -> Iterator[int]:
        at = run.first
        while at < run.end:
            yield at
            at += 4 if self.code[at + 1] >= FIRST_WIDE >> 8 else 2

    def _is_known(self, at: int) -> bool:
        data = self.code[at : at + (4 if self.code[at + 1] >= FIRST_WIDE >> 8 else 2)]
        return is_beyond_disassembler(data) or bool(spelled(data, self.start + at))


def _is_for_nobody(place: FoundInstruction) -> bool:
    return "nobody" in place.encoding.needs


def _is_negative_number(place: FoundInstruction) -> bool:
    """Whether the bytes are a small negative number, as in a literal."""
    return len(place.data) == 4 and place.address % 4 == 0 and place.data.endswith(b"\xff\xff")


def unmapped_code(
    code: bytes,
    start: int,
    entries: Iterable[int],
    data: Iterable[Span] = (),
    beyond: Iterable[Span] = (),
    parts: int = 1,
    beside: Sequence[bytes] = (),
) -> UnmappedCode:
    """Find the code in ``code``, run at ``start`` (even), from ``entries``: addresses, bit 0 ignored.

    ``data`` is known to be none; ``beyond`` is where other code of the core is: calls may lead there.  Both
    are as the core sees them.  ``parts``: how many of an image share the effort that each has besides its size;
    ``beside``: other bytes of the build, which may hold addresses of functions.
    """
    flow = _flow(code, start, entries, data, parts)
    followed = flow.reached()
    swept = Sweep(flow, beyond).run()
    first, in_all = _size(followed), flow.reached_size()
    sizes = (first, max(in_all - first, 0), len(code) - in_all)
    unfinished = flow.effort < 0
    return UnmappedCode(code, start, followed, swept, sizes, unfinished, flow.callers, flow.jumps, beside)


def followed_code(code: bytes, start: int, entries: Iterable[int], data: Iterable[Span]) -> UnmappedCode:
    """What the entries lead to alone, without a sweep over the rest."""
    flow = _flow(code, start, entries, data)
    followed = flow.reached()
    size = _size(followed)
    sizes = size, 0, len(code) - size
    return UnmappedCode(code, start, followed, [], sizes, flow.effort < 0, flow.callers, flow.jumps)


def _flow(code: bytes, start: int, entries: Iterable[int], data: Iterable[Span], parts: int = 1) -> Flow:
    flow = Flow(code, start, parts)
    for span in data:
        flow.note_data(range(span.start - start, span.end - start, 2))
    flow.follow(entries)
    return flow


def _size(found: list[Run]) -> int:
    return sum(run.end - run.first for run in found)

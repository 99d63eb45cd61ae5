"""Constructors of a build, which run before ``main``, and whether its start-up code runs them.

Compilers put the address of each into ``.preinit_array`` and ``.init_array`` (gABI, "Initialization and Termination
Functions"), older ones into ``.ctors`` (common practice); ``__libc_init_array`` of a C library, or a loop of start-up
code, calls them.
"""

from __future__ import annotations

from gemel.builds.build import Build
from gemel.builds.elf.symbol_entries import Symbol
from gemel.builds.mapped_code import MappedCode
from gemel.inspection.code.address_literals import held_in_code
from gemel.inspection.code.address_users import is_reached
from gemel.m_profile.execution.start_run import StartRun
from gemel.spans import Span, merge, offsets_of
from gemel.structs import NamedTuple

HARMLESS = frozenset({"frame_dummy", "register_tm_clones", "_GLOBAL__sub_I__ZN9__gnu_cxx9__freeresE"})
"""What compilers and their libraries put into each program, of which one that has no use for it misses nothing: tables
of unwinding and transactions, and room for exceptions where no heap is left (GCC, from memory)."""

ENTRIES_LIMIT = 1024
"""Words of a build's arrays that are read."""

RETURN = 0x4770


class Constructor(NamedTuple):
    """An entry, by its run address, and the code that it leads to, with its name as far as that is known."""

    entry: int
    code: int
    name: str


def constructors_of(build: Build, arrays: list[Span]) -> list[Constructor]:
    """The constructors in arrays of a build that do something, by their entries."""
    entries = [at for span in merge(arrays) for at in range(span.start + 3 & ~3, span.end - 3, 4)]
    found = []
    for at in entries[:ENTRIES_LIMIT]:
        code = int.from_bytes(build.read_at_run(at, 4) or b"", "little")
        first = int.from_bytes(build.read_at_run(code & ~1, 2) or b"", "little")
        known = build.function_at(code)
        name = known[0].name if known and not known[1] else ""
        if code & 1 and known and first not in (0, RETURN) and name not in HARMLESS:
            found.append(Constructor(at, code & ~1, name))
    return found


def never_run(
    build: Build, found: list[Constructor], run: StartRun | None, mapped: MappedCode | None
) -> list[Constructor]:
    """The constructors that no code of the build runs.

    Code that holds the address of an array may run it, as far as it is called itself; where the run of the start-up
    code came to ``main`` by such code, or to its end, it shows what that runs.
    """
    gone = run.gone if run else frozenset[int]()
    left = [each for each in found if each.code not in gone]
    holders = _holders(build, found, mapped) if left else set()
    if not any(each is None or is_reached(build, each) for each in holders):
        return left
    seen_all = run is not None and not run.why_not and (run.is_whole or run.has_ended)
    passed = seen_all and any(each and not run.gone.isdisjoint(each.span) for each in holders if run)
    return left if passed else []


def _holders(build: Build, found: list[Constructor], mapped: MappedCode | None) -> set[Symbol | None]:
    """The functions that hold the address of an entry; None for words of data.

    The word before the first entry counts where the function holds the end too and no symbol stands there: compilers
    let loops begin there.
    """
    holders: set[Symbol | None] = set()
    for span in merge(Span(each.entry, 4) for each in found):
        holders |= _holding(build, span, mapped)
        before, ends = Span(span.start - 4, 4), Span(span.end - 4, 8)
        if span.start >= 4 and build.symbols and not build.symbols.objects_in(Span(before.start, 1)):
            holders |= (_holding(build, before, mapped) & _holding(build, ends, mapped)) - {None}
    return holders


def _holding(build: Build, wanted: Span, mapped: MappedCode | None) -> set[Symbol | None]:
    places = set[int]()
    for segment in build.stored:
        for head in range(wanted.start >> 8, (wanted.end - 1 >> 8) + 1):
            for at in offsets_of(head.to_bytes(3, "little"), segment.data):
                word = int.from_bytes(segment.data[max(0, at - 1) : at + 3], "little")
                if at and (segment.run_address + at - 1) % 4 == 0 and wanted.holds(word):
                    places.add(segment.run_address + at - 1)
    places.update(place for place, _ in held_in_code(build, mapped, wanted))
    found = [build.function_at(place) for place in places]
    return {each[0] if each and each[1] < each[0].size else None for each in found}

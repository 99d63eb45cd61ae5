"""Which instructions of a build are reached only after a test of its core, through calls and pointers too."""

from __future__ import annotations

import struct
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Mapping, Set
from functools import cached_property
from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.builds.mapped_code import MappedCode, mapped_code
from gemel.inspection.code.core_settings import constant_word, follow, function_spans, functions_of_core
from gemel.layout.model import Core
from gemel.m_profile.capabilities import Capability, lacking
from gemel.m_profile.code.function_steps import Function
from gemel.m_profile.code.known_registers import Registers
from gemel.m_profile.instructions.found_instruction import OF_UNWINDER, FoundInstruction
from gemel.m_profile.instructions.halfwords import (
    branch_distance,
    instructions,
    modified_constant,
    moved_constant,
    wide_immediate,
)
from gemel.m_profile.instructions.memory_accesses import memory_access
from gemel.m_profile.instructions.sieve import Sieve
from gemel.m_profile.instructions.wide_forms import wide_form
from gemel.m_profile.vector_tables import possible_tables
from gemel.spans import Span, offsets_of

if TYPE_CHECKING:
    from gemel.m_profile.code.guards import Guards, Passed, VariablePlace

ANCHORED = 4096
"""Bytes from the address that a compiler loads for several objects to the last of them."""

MAX_DEPTH, MAX_STEPS, ENTRIES = 6, 100_000, 64
"""How far callers are followed, how many halfwords of functions are gone through, and how many callers one has."""


def lacking_code(
    lacked: Set[Capability], build: Build, code: MappedCode
) -> Iterator[tuple[FoundInstruction, bool]]:
    """Each instruction that a core lacks, and whether a test of the core guards it."""
    sieve, guarded = Sieve(lacked), GuardedCode(build)
    for section in code.sections:
        for offset, size, encoding in sieve.unfit(section.code):
            address = section.start + offset
            found = build.function_at(address)
            name, inside = (found[0].name, found[1]) if found else ("", 0)
            place = FoundInstruction(address, section.code[offset : offset + size], encoding, name, inside)
            yield place, guarded.covers(address)


def all_guarded(core: Core, build: Build, needing: str = "", *, some: bool = False) -> bool:
    """Whether a test of the core guards each instruction of the build that its core lacks; ``some``: it holds some.

    With ``needing`` only those that need one capability count.
    """
    code = mapped_code(build)
    if code is None or code.unmapped:
        return False
    lacked = lacking_code(lacking(core.architecture, core.extensions), build, code)
    found = (guarded for place, guarded in lacked if not needing or needing in place.encoding.needs)
    return next(found, not some) and all(found)


class GuardedCode:
    """Answers for single instructions of a build with symbols; what is found out is kept."""

    def __init__(self, build: Build) -> None:
        self._build = build
        self._guards: dict[tuple[int, Passed, bool], Guards | None] = {}
        self._left = MAX_STEPS
        self._with_variables = False
        self._answers: dict[tuple[int, bool], bool] = {}

    def covers(self, address: int) -> bool:
        """Whether the instruction at ``address`` is reached only where the core's state says so."""
        if self._build.read_at_run(address, 6) in OF_UNWINDER:
            return True
        self._with_variables = False
        return self._is_covered(address, MAX_DEPTH) or (bool(self._variables) and self._again(address))

    def _again(self, address: int) -> bool:
        self._with_variables = True
        return self._is_covered(address, MAX_DEPTH)

    def _is_covered(self, address: int, depth: int) -> bool:
        key = address, self._with_variables
        if key not in self._answers:
            self._answers[key] = False
            self._answers[key] = self._find_out(address, depth)
        return self._answers[key]

    def _find_out(self, address: int, depth: int) -> bool:
        span = self._function_at(address)
        guards = self._guards_of(span)
        if span is None or guards is None:
            return False
        if guards.cover(address):
            return True
        uses = self._uses(span.start) if depth else None
        return bool(uses) and all(
            self._is_covered(site, depth - 1) or self._chooses(site, span, address, taken)
            for site, taken in uses or ()
        )

    def _chooses(self, site: int, span: Span, address: int, taken: int | None) -> bool:
        """Whether a call passes what the function tests, or the core's state decides if a taken address is used."""
        guards = self._guards_of(self._function_at(site))
        if guards is None:
            return False
        if taken is not None:
            return guards.chooses(taken)
        if site in guards.tests:
            return True
        passed = guards.calls.get(site)
        inner = self._guards_of(span, passed) if passed and any(passed) else None
        return inner is not None and inner.cover(address)

    # --- functions ---

    @cached_property
    def _starts(self) -> list[int]:
        return [each.start for each in function_spans(self._build)]

    def _function_at(self, address: int) -> Span | None:
        """The function that holds an address; one without a size reaches to the next, or its section's end."""
        symbols = self._build.symbols
        found = symbols.function_at(address) if symbols else None
        if found is None or symbols is None:
            return None
        start, size = found[0].value & ~1, found[0].size
        if not size:
            section = symbols.code_sections.get(found[0].section_index)
            ends = self._starts[bisect_right(self._starts, start) :][:1] + ([section.end] if section else [])
            size = min(ends, default=start) - start
        return Span(start, size) if address < start + size else None

    def _guards_of(self, span: Span | None, passed: Passed | None = None) -> Guards | None:
        if span is None:
            return None
        from gemel.m_profile.code.guards import Guards, Passed

        passed = passed or Passed()
        key = span.start, passed, self._with_variables
        if key not in self._guards:
            self._guards[key] = None
            self._left -= span.size // 2
            code = self._build.read_at_run(span.start, span.size)
            if code and self._left >= 0:
                variables = self._variables if self._with_variables else ()
                function = Function(code, span.start, self._word)
                self._guards[key] = Guards(function, self._word, passed, self._returned, variables)
        return self._guards[key]

    def _word(self, address: int) -> int | None:
        return constant_word(self._build, address)

    def _returned(self, target: int, passed: Passed) -> int:
        span = self._function_at(target)
        guards = (
            self._guards_of(span, passed if passed.bits else None) if span and span.start == target else None
        )
        return guards.result if guards else 0

    @cached_property
    def _variables(self) -> frozenset[VariablePlace]:
        """Where the build keeps what it found out of its core."""
        self._with_variables = False
        from gemel.m_profile.code.guards import kept_answers

        spans = [self._function_at(each.value & ~1) for each in functions_of_core(self._build)]
        callers = [
            self._function_at(site)
            for span in spans
            for site, taken in (self._uses(span.start) if span else None) or ()
            if taken is None
        ]
        found = [self._guards_of(each) for each in dict.fromkeys((*spans, *callers))]
        return kept_answers(each for each in found if each is not None)

    # --- what leads to a function ---

    @cached_property
    def taken(self) -> frozenset[int]:
        """The constants that code loads and that may be addresses of functions."""
        _, literals, values = self._sites
        words = map(self._word, literals)
        return frozenset(word for word in (*words, *values) if word is not None and word & 1)

    @cached_property
    def _sites(self) -> tuple[dict[int, list[int]], dict[int, list[int]], dict[int, list[int]]]:
        """Where branches lead to, which literals are loaded, which values are moved: each with its places."""
        branches: dict[int, list[int]] = {}
        literals: dict[int, list[int]] = {}
        values: dict[int, list[int]] = {}
        code = mapped_code(self._build)
        for section in code.sections if code else ():
            lower: dict[int, tuple[int, int]] = {}
            for offset, first, second in instructions(section.code):
                at = section.start + offset
                first, second = wide_form(first, second)
                distance = branch_distance(first, second, calls=True)
                if distance is not None:
                    branches.setdefault(at + 4 + distance, []).append(at)
                elif first in (0xF8DF, 0xF85F):
                    far = second & 0xFFF
                    literals.setdefault((at + 4 & ~3) + (far if first & 0x80 else -far), []).append(at)
                elif first & 0xFBEF == 0xF04F and second < 0x8000:  # MOV
                    lower[second >> 8 & 15] = modified_constant(wide_immediate(first, second)) & 0xFFFF, at
                elif first & 0xFB70 == 0xF240 and second < 0x8000:  # MOVW, MOVT
                    half = moved_constant(first, second)
                    known, place = lower.get(second >> 8 & 15, (0, at)) if first & 0x80 else (0, at)
                    if first & 0x80:
                        half = half << 16 | known
                    else:
                        lower[second >> 8 & 15] = half, at
                    values.setdefault(half, []).append(place)
        return branches, literals, values

    def _uses(self, start: int) -> list[tuple[int, int | None]] | None:
        """Each place that calls a function, or takes the address given with it; None where a table leads there."""
        own = self._function_at(start)
        calls: list[tuple[int, int | None]] = [
            (at, None) for at in self._sites[0].get(start, ()) if own is None or not own.holds(at)
        ]
        pointers = self._pointers_to(start | 1)
        found = None if pointers is None else [*calls, *pointers]
        return found if found is not None and len(found) <= ENTRIES else None

    def _pointers_to(self, value: int, depth: int = 2) -> list[tuple[int, int]] | None:
        """The instructions that take an address, or that of data that holds it; None where no code takes that."""
        _, literals, values = self._sites
        found = [(at, value) for at in values.get(value, ())]
        for at in self._words_of(value):
            if at in literals:
                found += [(user, value) for user in literals[at]]
                continue
            holder = self._build.symbols.object_at(at) if self._build.symbols else None
            if holder and self._is_vector_table(holder[0].span):
                return None
            users = self._pointers_to(holder[0].value, depth - 1) if holder and depth else None
            if holder and not users:
                users = [(user, holder[0].value) for user in self._users_by_distance(holder[0].span)]
            if not users:
                return None
            found += users
        return found

    def _is_vector_table(self, span: Span) -> bool:
        """Whether an object is likely a vector table, whose words the core itself uses."""
        data = self._build.read_at_run(span.start, min(8, span.size)) or b""
        return any(place == span.start and not top & 3 for place, top, _ in possible_tables(data, span.start))

    def _users_by_distance(self, span: Span) -> list[int]:
        """Instructions that get at an object from the address of another one, as compilers do with anchors."""
        found: list[int] = []

        def observe(
            address: int, first: int, second: int, known: Mapping[int, int], after: Registers, _: int | None
        ) -> None:
            access = memory_access(first, second)
            if (access and access.base in known and span.holds(known[access.base] + access.offset)) or any(
                span.start == value and known.get(register) != value
                for register, value in after.known.items()
            ):
                found.append(address)

        near = bisect_left(self._loaded, (span.start - ANCHORED, 0))
        sites = [site for _, site in self._loaded[near : bisect_right(self._loaded, (span.end, 0))]]
        for function in dict.fromkeys(self._function_at(site) for site in sites[:ENTRIES]):
            if function:
                follow(self._build, function, observe)
        return found

    @cached_property
    def _loaded(self) -> list[tuple[int, int]]:
        """The values of literals, in order, each with a place that loads it."""
        words = ((self._word(at), sites) for at, sites in self._sites[1].items())
        return sorted((value, site) for value, sites in words if value is not None for site in sites)

    def _words_of(self, value: int) -> Iterator[int]:
        literal = struct.pack("<I", value)
        for segment in self._build.stored:
            places = (segment.run_address + at for at in offsets_of(literal, segment.data))
            yield from (at for at in places if at % 4 == 0)

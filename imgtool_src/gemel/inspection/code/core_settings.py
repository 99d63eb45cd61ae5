"""What the code of a build sets its own core to: vector table, stack limit, coprocessor access, interrupts."""

from __future__ import annotations

import struct
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping
from functools import partial
from itertools import chain, islice, product
from operator import itemgetter

from gemel.builds.build import Build
from gemel.builds.elf.symbol_entries import UNDEFINED, Symbol
from gemel.builds.segment import Segment
from gemel.m_profile.bit_band import alias_of, aliases_of_bits, of_bit_band_alias
from gemel.m_profile.code.address_signs import STATE_SIGNS, AddressSign, places_of, signs_of
from gemel.m_profile.code.function_steps import Function
from gemel.m_profile.code.known_registers import (
    CPACR,
    ICSR,
    MSPLIM,
    MSPLIM_NS,
    NVIC_ISER,
    STACK_FROM,
    SYST_CSR,
    VTOR,
    Changed,
    KnownStore,
    Registers,
)
from gemel.m_profile.code.known_stores import Observer, followed
from gemel.m_profile.execution.start_run import StartRun
from gemel.m_profile.instructions.halfwords import CALLER_SAVED, branch_distance, long_branches
from gemel.spans import Span, format_address, offsets_of
from gemel.structs import NamedTuple


class Setting(NamedTuple):
    """A store that sets something of the core, and the function that does it."""

    store: KnownStore
    function: str

    @property
    def place(self) -> str:
        """``0x1000_8124 (reset_handler)``."""
        return format_address(self.store.at) + (f" ({self.function})" if self.function else "")


def settings_of(
    build: Build, registers: frozenset[int] = frozenset(), run: StartRun | None = None
) -> tuple[Setting, ...]:
    """Every store of the build to a system register, or one of ``registers``, whose address it puts together.

    Only functions that hold such an address, or set a special register, are gone through.  What a run of the
    start-up code has stored is known too.
    """
    found = []
    passed = _functions_passed_to(build, run, registers)
    holding = {each.value: each for each in _functions(build, signs_of(sorted(registers)))}
    for function in (holding | passed).values():
        span = Span(function.value & ~1, function.size)
        stores = _wanted(follow(build, span), registers)
        unknown = any(
            each.value is None
            and each.target not in (CPACR, SYST_CSR, ICSR, *NVIC_ISER)
            and each.changed is None
            for each in stores
        )
        if unknown or function.value in passed:
            stores = _with_arguments(build, span, registers) or stores
        found += [Setting(store, function.name) for store in stores]
    return tuple(sorted(_with_run(build, found, run, registers), key=lambda each: each.store.at))


def words_of_bits(architecture: str, registers: Iterable[int]) -> frozenset[int]:
    """The words of a bit-band alias, each of which is a bit of one of ``registers``."""
    spans = (alias_of(architecture, Span(register, 4)) for register in registers)
    return frozenset(at for span in spans if span for at in range(span.start, span.end, 4))


def of_word(setting: Setting, architecture: str) -> Setting:
    """The same; of a store to a word of a bit-band alias, what it changes in the word with that bit."""
    store = setting.store
    if isinstance(store.target, str) or not (seen := of_bit_band_alias(architecture, Span(store.target, 4))):
        return setting
    word, bit = seen.start & ~3, 1 << 8 * (seen.start & 3) + (store.target >> 2 & 7)
    ones = bit * (store.value & 1) if store.value is not None else 0
    changed = None if store.value is None else Changed(word, ones, bit ^ ones)
    return setting._replace(store=store._replace(target=word, value=None, changed=changed))


def _functions_passed_to(build: Build, run: StartRun | None, registers: frozenset[int]) -> dict[int, Symbol]:
    """The functions, by address, that a run found to store to a register what the run does not know."""
    stores = _wanted(run.stores, registers) if run and build.symbols else ()
    symbols = build.symbols
    found = [symbols.function_at(each.at) for each in stores if symbols and each.value is None]
    return {each[0].value: each[0] for each in found if each and each[0].size}


def _with_run(
    build: Build, found: list[Setting], run: StartRun | None, registers: frozenset[int]
) -> list[Setting]:
    """The settings with those of a run, which has values where the code alone does not show them.

    A run goes on into other builds; what those set is not this one's.
    """
    seen: dict[tuple[int, int | str], list[Setting]] = {}
    for store in _wanted(run.stores, registers) if run and build.symbols else ():
        if build.read_at_run(store.at, 2) is None:
            continue
        function = build.function_at(store.at)
        seen.setdefault((store.at, store.target), []).append(
            Setting(store, function[0].name if function else "")
        )
    known = [each for each in found if each.store.value is not None or each.store.changed]
    for each in known:
        seen.pop((each.store.at, each.store.target), None)
    of_run = [each for group in seen.values() for each in group]
    return (
        known
        + of_run
        + [each for each in found if each not in known and (each.store.at, each.store.target) not in seen]
    )


def _wanted(stores: Iterable[KnownStore], registers: frozenset[int]) -> list[KnownStore]:
    targets = {VTOR, CPACR, SYST_CSR, ICSR, *NVIC_ISER, MSPLIM, MSPLIM_NS, STACK_FROM, *registers}
    return [each for store in stores if store.target in targets for each in store.each]


def _with_arguments(build: Build, function: Span, registers: frozenset[int]) -> list[KnownStore]:
    """The stores of a function as each of its callers has it do them; none if one of the callers is not known."""
    found: dict[KnownStore, None] = {}
    for caller in _callers(build, function.start):
        passed = _arguments(build, caller, function.start)
        for known in passed:
            found |= dict.fromkeys(_wanted(follow(build, function, known=known), registers))
        if not passed:
            return []
    return list(found)


def _callers(build: Build, start: int) -> list[Symbol]:
    """The functions that lead to an address by BL or B.W."""
    found: dict[int, Symbol] = {}
    for segment in build.stored:
        symbols = build.symbols if segment.executable else None
        for at, target in long_branches(segment.data, segment.run_address) if symbols else ():
            if target == start and symbols:
                caller = symbols.function_at(at)
                if caller and caller[0].size:
                    found[caller[0].value] = caller[0]
    return list(found.values())


def _arguments(build: Build, caller: Symbol, start: int) -> list[dict[int, int]]:
    """The constants in the registers of arguments, for each call of the function at ``start``.

    Where ways that pass different ones meet before the call, it counts once for each.
    """
    passed: dict[int, list[dict[int, int]]] = {}

    def observe(
        address: int, first: int, second: int, _: Mapping[int, int], after: Registers, _called: int | None
    ) -> None:
        distance = branch_distance(first, second, calls=True)
        if distance is not None and address + 4 + distance == start:
            may_hold = (
                after.may_hold if branch_distance(first, second) is not None else after.passed.__getitem__
            )
            values = [(register, held) for register in CALLER_SAVED[:4] if (held := may_hold(register))]
            ways = product(*(sorted(held) for _, held in values))
            passed[address] = [
                dict(zip((register for register, _ in values), way, strict=True))
                for way in islice(ways, WAYS)
            ]

    follow(build, Span(caller.value & ~1, caller.size), observe)
    return [each for ways in passed.values() for each in ways]


WAYS = 16
"""Sets of arguments of one call that are looked at."""

INSIDE = 8
"""Functions inside of another one, before an address, at most."""

_BYTES = 2
"""Bytes of an instruction at least: more code than that has too many of them."""


def why_may_write(build: Build, register: int) -> str:
    """Why the build may store to a register that none of its code is known to write; empty if it cannot."""
    name, place = build.name, format_address(register)
    sizes = _function_sizes(build)
    if not sizes:
        return f"build {name} has no functions among its symbols"
    from gemel.m_profile.code.address_flow import MAX_STEPS, AddressFlow, TooManySteps

    too_large = f"code of build {name} is too large, or goes too many ways, to be followed"
    if sum(sizes.values()) > _BYTES * MAX_STEPS:
        return too_large
    code = _spans_of(sizes)
    if sum([span.size for span in code]) > _BYTES * MAX_STEPS:
        return too_large
    entries = {span.start | 1 for span in code}
    flow = AddressFlow(
        (Span(register, 4), *aliases_of_bits(register)),
        {span.start: build.read_at_run(span.start, span.size) or b"" for span in code},
        lambda at: constant_word(build, at),
        frozenset(
            word & ~1 for segment in build.stored for _, word in segment.aligned_words() if word in entries
        ),
    )
    near = [flow.near(segment.aligned_words()) for segment in build.stored]
    near += [_packed_at(segment, register) for segment in build.stored]
    held = next((at for at in chain(*near) if not function_span_at(build, at)), None)
    if held is not None:
        return f"data of build {name} at {format_address(held)} may be a pointer to {place} or near it"
    try:
        may = flow.may_store()
    except TooManySteps:
        return too_large
    return (
        f"code of build {name} computes addresses that may be {place} in a way that is not followed"
        if may
        else ""
    )


def _packed_at(segment: Segment, word: int) -> Iterator[int]:
    """Where the whole word is, aligned or not, as in a packed table of registers and what they get."""
    return (segment.run_address + at for at in offsets_of(struct.pack("<I", word), segment.data, 1))


def function_spans(build: Build) -> list[Span]:
    """What each function takes; one without a size, as libraries in assembly have them, reaches to the next."""
    return _spans_of(_function_sizes(build))


def function_span_at(build: Build, address: int) -> Span | None:
    """What the function that holds an address takes, as of `function_spans`; None if there is none.

    Of functions inside each other the one that begins last; one with more than ``INSIDE`` begun after it is not seen.
    """
    for section, group in build.symbols.extents[0].items() if build.symbols else ():
        end = bisect_right(group, address, key=itemgetter(0)) if section != UNDEFINED else 0
        begun = group[max(0, end - INSIDE - 1) : end]
        if begun and not begun[-1][1] and end < len(group):
            begun[-1] = begun[-1][0], group[end][0] - begun[-1][0]
        for start, size in reversed(begun):
            if address < start + size:
                return Span(start, size)
    return None


def _function_sizes(build: Build) -> dict[int, int]:
    functions = build.symbols.extents[0] if build.symbols else {}
    sizes: dict[int, int] = {}
    for section, group in functions.items():
        if section != UNDEFINED:
            sizes.update(group)
    return sizes


def _spans_of(sizes: dict[int, int]) -> list[Span]:
    starts = sorted(sizes)
    ends = [*starts[1:], starts[-1]] if starts else []
    return [Span(start, sizes[start] or end - start) for start, end in zip(starts, ends, strict=True)]


def functions_of_core(build: Build) -> list[Symbol]:
    """The functions that may test the core, or read or set something in the system control space."""
    return _functions(build, STATE_SIGNS)


def _functions(build: Build, signs: Iterable[AddressSign]) -> list[Symbol]:
    """The functions with bytes that could put a system address together, or set the stack limit."""
    found: dict[int, Symbol] = {}
    for segment in build.stored if build.symbols else ():
        offsets = [_places_of(each, build, segment) for each in signs] if segment.executable else ()
        for offset in sorted(chain.from_iterable(offsets)):
            at = segment.run_address + offset
            function = build.function_at(at) if at % 2 == 0 else None
            if function and function[0].size:
                found[function[0].value] = function[0]
    return list(found.values())


def _places_of(sign: AddressSign, build: Build, segment: Segment) -> list[int]:
    before = build.found_before
    if (sign, segment.index) not in before:
        before[sign, segment.index] = list(places_of((sign,), segment.data))
    return before[sign, segment.index]


def constant_word(build: Build, address: int) -> int | None:
    """The word that the build stores for an address, as long as it is not a variable."""
    for segment in build.stored:
        offset = address - segment.run_address
        if 0 <= offset <= len(segment.data) - 4 and not (segment.writable and not segment.executable):
            return int.from_bytes(segment.data[offset : offset + 4], "little")
    return None


def follow(
    build: Build, function: Span, observe: Observer | None = None, known: dict[int, int] | None = None
) -> list[KnownStore]:
    """The known stores of a function of the build, from what is ``known`` of registers on; see ``followed``."""
    word_at = partial(constant_word, build)
    code = build.read_at_run(function.start, function.size) or b""
    return followed(Function(code, function.start, word_at), Registers(word_at, known), observe)

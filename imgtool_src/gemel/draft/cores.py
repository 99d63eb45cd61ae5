"""Cores from builds: architecture and extensions by build attributes, and who starts first."""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping
from itertools import islice

from gemel.builds.elf.attributes import BuildAttributes
from gemel.builds.segment import Segment
from gemel.draft.evidence import Evidence, can_be_named
from gemel.m_profile.architectures import EXTENSIONS_OF, MAX_INTERRUPTS_ARMV6_M, TAGGED
from gemel.spans import Span, format_address
from gemel.structs import NamedTuple

CPU_ARCH = 6
SINGLE_PRECISION_ONLY = 1
MAX_HITS = 32
"""Places of one address in one segment that are looked at."""


class CoreGuess(NamedTuple):
    """What a core must be to run its build, each with the reason."""

    architecture: str
    architecture_from: str
    extensions: tuple[str, ...]
    extensions_from: str
    interrupts: int
    interrupts_from: str


class BootConstant(NamedTuple):
    """A place in one build that holds the address of another's vector table; ``symbol`` if one names it."""

    holder: str
    target: str
    run_address: int
    symbol: str


class Primary(NamedTuple):
    """The core that starts at reset, why it is taken for that, and the constants that showed it."""

    name: str
    reason: str
    constants: tuple[BootConstant, ...]


def guess_core(seen: Evidence) -> CoreGuess:
    """The core of one build."""
    architecture, reason = _architecture(seen)
    attributes = seen.build.attributes
    extensions = _extensions(attributes) if attributes else []
    possible = [name for name in extensions if name in EXTENSIONS_OF[architecture]]
    if architecture == "armv7e-m" and "dsp" not in possible:
        possible.append("dsp")
    told = f"what the code of {seen.file} uses"
    if attributes is None:
        told = f"nothing: {seen.file} has no build attributes"
    count, count_from = 0, f"no vector table was found in {seen.file}"
    if seen.vectors:
        count = seen.vectors.interrupts
        if architecture == "armv6-m":
            count = min(count, MAX_INTERRUPTS_ARMV6_M)
        by = "its symbol's size" if seen.vectors.sized else "the words that are handlers"
        count_from = f"a vector table of {16 + count} words, by {by}"
    return CoreGuess(architecture, reason, tuple(possible), told, count, count_from)


def _architecture(seen: Evidence) -> tuple[str, str]:
    attributes = seen.build.attributes
    if attributes and CPU_ARCH in attributes.values:
        found = TAGGED.get(attributes.cpu_arch)
        words = attributes.in_words(CPU_ARCH)
        if found and attributes.profile in ("M", ""):
            return found, f"the build attributes of {seen.file}: {words}"
        return "armv7-m", f"{seen.file} is compiled for {words}, which no M-profile core runs"
    words_used = seen.vectors.words if seen.vectors else ()
    if any(words_used[7:8]):
        return "armv8-m.main", "its vector table has a SecureFault handler; no build attributes"
    if any(words_used[4:7]) or any(words_used[12:13]):
        return "armv7-m", "its vector table has the faults of a Mainline; no build attributes"
    return "armv6-m", f"nothing better: {seen.file} has no build attributes"


def _extensions(attributes: BuildAttributes) -> list[str]:
    """What the code demands; an MPU and the security extension leave no trace in the attributes."""
    extensions = []
    if attributes.fp_arch:
        extensions.append("fp")
        if attributes.hard_fp_use != SINGLE_PRECISION_ONLY:
            extensions.append("fp-double")
    if attributes.dsp == 1:
        extensions.append("dsp")
    if attributes.mve:
        extensions.append("mve")
    if attributes.mve == 2:
        extensions.append("mve-fp")
    return extensions


def guess_primary(all_seen: list[Evidence], callers: Mapping[str, str] | None = None) -> Primary:
    """The one core whose build holds the vector address of another and is held by none; else the first named.

    Constants with a symbol count first: any other word may equal an address by chance.
    ``callers`` are builds that run on the core of another build, with that build's name.
    """
    callers = callers or {}
    core_of = {seen.name: callers.get(seen.name, seen.name) for seen in all_seen}
    constants = [
        constant
        for holder in all_seen
        for target in all_seen
        if core_of[holder.name] != core_of[target.name]
        for constant in _boot_constants(holder, target)
    ]
    for counted in ([constant for constant in constants if constant.symbol], constants):
        holders = {core_of[constant.holder] for constant in counted}
        only = holders - {core_of[constant.target] for constant in counted}
        if len(only) == 1:
            return _primary_by(only.pop(), constants, core_of)
    why = "the only build"
    if len(all_seen) > 1:
        why = "named first; no single build holds the vector address of another"
        if len(set(core_of.values())) == 1:
            why = "the only core"
    return Primary(core_of[all_seen[0].name], why, ())


def _primary_by(name: str, constants: list[BootConstant], core_of: Mapping[str, str]) -> Primary:
    """The primary ``name`` with its constants, and the one that shows it best."""
    own = [constant for constant in constants if core_of[constant.holder] == name]
    shown = next((it for it in own if it.symbol), own[0])
    by = f"symbol {shown.symbol}" if shown.symbol else format_address(shown.run_address)
    return Primary(name, f"its {by} holds {shown.target}'s vector address", tuple(own))


def _boot_constants(holder: Evidence, target: Evidence) -> list[BootConstant]:
    """Aligned words of ``holder`` that equal the address of the target's vectors; named ones first.

    Its initial stack pointer does not count: RAM of the target may begin where its own ends.
    """
    if target.vectors is None or not target.vectors.run_address:
        return []
    address = target.vectors.run_address
    wanted = struct.pack("<I", address)
    named = {
        symbol.address: symbol.name
        for symbol in (holder.build.symbols.all() if holder.build.symbols else ())
        if symbol.kind == "object" and symbol.defined and symbol.size == 4 and can_be_named(symbol.name)
        if holder.build.read_at_run(symbol.address, 4) == wanted
    }
    found = dict.fromkeys(named)
    for segment in holder.build.stored:
        found |= dict.fromkeys(islice(_aligned_hits(segment, wanted, target.stored), MAX_HITS))
    if holder.vectors:
        found.pop(holder.vectors.run_address, None)
    constants = [BootConstant(holder.name, target.name, at, named.get(at, "")) for at in found]
    return sorted(constants, key=lambda constant: (not constant.symbol, constant.run_address))


def _aligned_hits(segment: Segment, wanted: bytes, embedded: list[Span]) -> Iterator[int]:
    """Run addresses of the word ``wanted``, less those in an embedded copy, which may name its own table."""
    at = segment.data.find(wanted)
    while at >= 0:
        address, stored_at = segment.run_address + at, segment.load_address + at
        if address % 4 == 0 and not any(span.holds(stored_at) for span in embedded):
            yield address
        at = segment.data.find(wanted, at + 1)

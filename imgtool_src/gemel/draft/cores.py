"""Cores from builds: architecture and extensions by build attributes, and who starts first."""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable, Iterator, Mapping
from itertools import islice
from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.builds.elf.attributes import BuildAttributes
from gemel.builds.mapped_code import mapped_code
from gemel.builds.segment import Segment
from gemel.draft.evidence import Evidence, can_be_named
from gemel.draft.page import ASK
from gemel.draft.pieces import NEAR
from gemel.draft.vectors import ALIGNMENT
from gemel.inspection.code.address_users import holders
from gemel.inspection.code.core_settings import Setting, constant_word, settings_of
from gemel.inspection.code.guarded_code import ANCHORED, lacking_code
from gemel.m_profile.architectures import EXTENSIONS_OF, MAX_INTERRUPTS_ARMV6_M, TAGGED
from gemel.m_profile.capabilities import lacking
from gemel.m_profile.code.known_stores import known_stores
from gemel.m_profile.instructions.sieve import Sieve
from gemel.m_profile.memory_map import DEVICE_REGIONS, OWN_REGISTERS, region_of
from gemel.spans import Span, format_address, offsets_of
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.m_profile.code.unmapped import UnmappedCode

WORD = 4

MARK = 0x7EAD_0001
"""Stands for the constant in its functions; a number that nothing else puts together."""


def written_to_registers(build: Build, constants: Iterable[int]) -> set[int]:
    """Those of the addresses of ``constants`` whose words a function that holds the address stores in a register."""
    return {each for each in constants if any(_writes(build, span, each) for span in _users(build, each))}


def _users(build: Build, constant: int) -> set[Span]:
    """The functions that hold the address, or one below it from which compilers count."""
    near = [
        build.function_at(at)
        for segment in build.stored
        for at, word in (segment.aligned_words() if segment.executable else ())
        if 0 <= constant - word < ANCHORED
    ]
    inside = {known[0].span for known in near if known and known[1] < known[0].size}
    return inside | _holding(build, constant)


def _holding(build: Build, address: int) -> set[Span]:
    return {each.span for each in holders(build, address) if each}


def _writes(build: Build, span: Span, constant: int) -> bool:
    return _stores(build, span, lambda at: MARK if at == constant else constant_word(build, at), MARK)


def _stores(build: Build, span: Span, word_at: Callable[[int], int | None], value: int) -> bool:
    """Whether the function at ``span`` stores ``value`` in a device's register, which VTOR is not."""
    return any(
        store.value == value
        and isinstance(store.target, int)
        and region_of(DEVICE_REGIONS, store.target)
        and not OWN_REGISTERS.holds(store.target)
        for store in known_stores(build.read_at_run(span.start, span.size) or b"", span.start, word_at)
    )


def _makes_and_writes(holder: Evidence, target: Evidence) -> bool:
    """Whether code of ``holder`` makes the target's vector address (MOVW, MOVT) and stores it in a register."""
    address = target.vectors.run_address if target.vectors else 0
    if not address:
        return False
    build = holder.build
    return any(
        _stores(build, span, lambda at: constant_word(build, at), address)
        for span in _holding(build, address)
    )


CPU_ARCH = 6
BY_ABILITY = ("armv6-m", "armv8-m.base", "armv7-m", "armv7e-m", "armv8-m.main", "armv8.1-m.main")
"""Architectures, those first whose cores have fewer instructions."""

SINGLE_PRECISION_ONLY = IN_FLOAT_REGISTERS = 1
MPU_CONTROL = 0xE000_ED94
"""MPU_CTRL (Armv7-M and Armv8-M architecture reference manuals, from memory)."""

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
    attributes = seen.build.attributes
    code = _code(seen) if not attributes or CPU_ARCH not in attributes.values else None
    architecture, reason = _architecture(seen, code)
    extensions = _extensions(attributes) if attributes else _extensions_of_code(architecture, code)
    possible = [name for name in extensions if name in EXTENSIONS_OF[architecture]]
    if architecture == "armv7e-m" and "dsp" not in possible:
        possible.append("dsp")
    if attributes:
        possible += _used_unnamed(seen.build, architecture, possible)
    if any(each.store.target == MPU_CONTROL and each.store.value != 0 for each in _settings(seen.build)):
        possible.append("mpu")
    basis = f"what the code of {seen.file} uses"
    if attributes is None:
        basis = f"nothing: {seen.file} has no build attributes"
        if possible:
            basis = f"what code uses that the vectors of {seen.file} lead to; no build attributes"
    count, count_from = 0, f"no vector table was found in {seen.file}"
    if seen.vectors:
        count = seen.vectors.interrupts
        if architecture == "armv6-m":
            count = min(count, MAX_INTERRUPTS_ARMV6_M)
        by = "its symbol's size" if seen.vectors.sized else "the words that are handlers"
        count_from = f"a vector table of {16 + count} words, by {by}"
    return CoreGuess(architecture, reason, tuple(possible), basis, count, count_from)


def _settings(build: Build) -> tuple[Setting, ...]:
    return settings_of(build, frozenset((MPU_CONTROL,))) if build.symbols else ()


def _architecture(seen: Evidence, code: UnmappedCode | None) -> tuple[str, str]:
    attributes = seen.build.attributes
    if attributes and CPU_ARCH in attributes.values:
        found = TAGGED.get(attributes.cpu_arch)
        words = attributes.in_words(CPU_ARCH)
        if found and attributes.profile in ("M", ""):
            return found, f"the build attributes of {seen.file}: {words}"
        return "armv7-m", f"{seen.file} is compiled for {words}, which no M-profile core runs"
    table = seen.vectors.words if seen.vectors else ()
    fillers = {0, *table[8:11], *table[13:14]}  # where no architecture has an exception
    used = [word not in fillers for word in table]
    least, reason = "armv6-m", f"nothing better: {seen.file} has no build attributes"
    if any(used[7:8]):
        least, reason = "armv8-m.main", "its vector table has a SecureFault handler; no build attributes"
    elif any(used[4:7]) or any(used[12:13]):
        least, reason = "armv7-m", "its vector table has the faults of a Mainline; no build attributes"
    for architecture in BY_ABILITY[BY_ABILITY.index(least) :]:
        if code is None or not _lacks(code, architecture, EXTENSIONS_OF[architecture]):
            by_code = "the least that has all instructions that its vectors lead to; no build attributes"
            return architecture, reason if architecture == least else by_code
    return least, reason


def _code(seen: Evidence) -> UnmappedCode | None:
    """What the vectors of a build without symbols lead to, in the bytes that are stored with them."""
    from gemel.m_profile.code.unmapped import followed_code

    if seen.vectors is None:
        return None
    words, segments = seen.vectors.words, seen.with_first()
    entries = [word for index, word in enumerate(words) if index and word & 1]
    start = min(each.run_address for each in segments)
    code = bytearray(b"\xff" * (max(each.run_address + len(each.data) for each in segments) - start))
    for each in segments:
        code[each.run_address - start : each.run_address - start + len(each.data)] = each.data
    return followed_code(bytes(code), start, entries, [Span(seen.vectors.run_address, 4 * len(words))])


def _lacks(code: UnmappedCode, architecture: str, extensions: Iterable[str]) -> bool:
    return any(True for _ in code.followed_places(Sieve(lacking(architecture, extensions))))


def _extensions_of_code(architecture: str, code: UnmappedCode | None) -> list[str]:
    """The extensions without one of which the core lacks some of the code."""
    kept = [] if code is None else list(EXTENSIONS_OF[architecture])
    for extension in tuple(reversed(kept)):
        fewer = [each for each in kept if each != extension]
        if code is None or not _lacks(code, architecture, fewer):
            kept = fewer
    return kept


def _used_unnamed(build: Build, architecture: str, extensions: Iterable[str]) -> list[str]:
    """Extensions that code needs without a test of its core, and that the attributes do not name."""
    able = EXTENSIONS_OF[architecture]
    code = mapped_code(build)
    lacked = lacking(architecture, extensions) - lacking(architecture, able)
    if code is None or not lacked:
        return []
    needed = {place.encoding.needs[0] for place, guarded in lacking_code(lacked, build, code) if not guarded}
    return [name for name in able if name in needed]


def _extensions(attributes: BuildAttributes) -> list[str]:
    """What the code demands; an MPU and the security extension leave no trace in the attributes."""
    extensions = []
    if attributes.fp_arch or (attributes.fp_args == IN_FLOAT_REGISTERS and not attributes.mve):
        extensions.append("fp")
    if attributes.fp_arch and attributes.hard_fp_use != SINGLE_PRECISION_ONLY:
        extensions.append("fp-double")
    if attributes.dsp == 1:
        extensions.append("dsp")
    if attributes.mve:
        extensions.append("mve")
    if attributes.mve == 2:
        extensions.append("mve-fp")
    return extensions


def guess_primary(all_seen: list[Evidence], core_of: Mapping[str, str] | None = None) -> Primary:
    """The one core whose build holds the vector address of another and is held by none; else the first named.

    Constants with a symbol count first: any other word may equal an address by chance.  Where several builds have
    such constants, or none, it is what code writes to a register.
    ``core_of`` says which build's core runs each.
    """
    core_of = core_of or {seen.name: seen.name for seen in all_seen}
    pairs = [
        (holder, target)
        for holder in all_seen
        for target in all_seen
        if core_of[holder.name] != core_of[target.name]
    ]
    constants = [constant for pair in pairs for constant in _boot_constants(*pair)]
    named = [constant for constant in constants if constant.symbol]
    made = [(holder.name, target.name) for holder, target in pairs if _makes_and_writes(holder, target)]
    for counted in (_places(named), _places(_released_by(named, all_seen)), made, _places(constants)):
        found = [(core_of[holder], core_of[target]) for holder, target in counted]
        only = {holder for holder, _ in found} - {target for _, target in found}
        if len(only) == 1:
            (name,) = only
            own = tuple(constant for constant in constants if core_of[constant.holder] == name)
            return Primary(
                name, _held(own) or f"its code writes {dict(found)[name]}'s vector address to a register", own
            )
    why = "the only build"
    if not constants and (mistaken := _mistaken(all_seen, core_of)):
        return Primary(core_of[mistaken[0]], mistaken[1], ())
    if len(all_seen) > 1:
        why = "named first; no single build holds the vector address of another"
        if len(set(core_of.values())) == 1:
            why = "the only core"
    return Primary(core_of[all_seen[0].name], why, ())


def _mistaken(all_seen: list[Evidence], core_of: Mapping[str, str]) -> tuple[str, str] | None:
    """A build that writes a named constant near another's vector table to a register, and what is wrong with that."""
    for holder in all_seen:
        symbols = holder.build.all_symbols
        words = {
            symbol.address: (symbol.name, int.from_bytes(held, "little"))
            for symbol in symbols
            if symbol.kind == "object" and symbol.defined and symbol.size == WORD
            if (held := holder.build.read_at_run(symbol.address, WORD))
        }
        for target in all_seen:
            at = target.vectors.run_address if target.vectors else 0
            others = [each for each in all_seen if core_of[each.name] != core_of[target.name]]
            near = [
                address
                for address, (_, word) in words.items()
                if abs(word - at) <= NEAR and word % ALIGNMENT <= 1
                if not any(span.holds(word) for each in others for span in (*each.stored, *each.ram))
            ]
            if core_of[holder.name] != core_of[target.name] and near:
                for address in sorted(written_to_registers(holder.build, near)):
                    name, word = words[address]
                    if word == at:  # which is 0, and counts where it goes to a register
                        return holder.name, f"its {name} holds {target.name}'s vector address"
                    return holder.name, (
                        f"its {name} goes to a register; {ASK} was it built for another place of {target.name}? It is "
                        f"{format_address(word)}, and the vector table of {target.name} is at {format_address(at)}"
                    )
    return None


def _released_by(named: list[BootConstant], all_seen: list[Evidence]) -> list[BootConstant]:
    """Those of several constants that code writes to a register."""
    return [
        constant
        for seen in (all_seen if len(named) > 1 else ())
        for at in written_to_registers(
            seen.build, {each.run_address for each in named if each.holder == seen.name}
        )
        for constant in named
        if constant.holder == seen.name and constant.run_address == at
    ]


def _places(constants: list[BootConstant]) -> list[tuple[str, str]]:
    return [(constant.holder, constant.target) for constant in constants]


def _held(own: tuple[BootConstant, ...]) -> str:
    """What the best of a primary's constants shows; empty if it has none."""
    shown = next((it for it in own if it.symbol), own[0] if own else None)
    if shown is None:
        return ""
    by = f"symbol {shown.symbol}" if shown.symbol else format_address(shown.run_address)
    return f"its {by} holds {shown.target}'s vector address"


def _boot_constants(holder: Evidence, target: Evidence) -> list[BootConstant]:
    """Aligned words of ``holder`` that equal the address of the target's vectors; named ones first.

    Of these, what code writes to a register is before the others.  Its initial stack pointer does not count: RAM of the
    target may begin where its own ends.
    """
    if target.vectors is None or not target.vectors.run_address:
        return []
    address = target.vectors.run_address
    wanted = struct.pack("<I", address)
    named = {
        symbol.address: symbol.name
        for symbol in holder.build.all_symbols
        if symbol.kind == "object" and symbol.defined and symbol.size == 4 and can_be_named(symbol.name)
        if holder.build.read_at_run(symbol.address, 4) == wanted
    }
    found = dict.fromkeys(named)
    for segment in holder.build.stored:
        found |= dict.fromkeys(islice(_aligned_hits(segment, wanted, target.stored), MAX_HITS))
    if holder.vectors:
        found.pop(holder.vectors.run_address, None)
    constants = [BootConstant(holder.name, target.name, at, named.get(at, "")) for at in found]
    written = written_to_registers(holder.build, named) if len(named) > 1 else set()
    return sorted(constants, key=lambda it: (not it.symbol, it.run_address not in written, it.run_address))


def _aligned_hits(segment: Segment, wanted: bytes, embedded: list[Span]) -> Iterator[int]:
    """Run addresses of the word ``wanted``, less those in an embedded copy, which may name its own table."""
    for at in offsets_of(wanted, segment.data):
        address, stored_at = segment.run_address + at, segment.load_address + at
        if address % 4 == 0 and not any(span.holds(stored_at) for span in embedded):
            yield address

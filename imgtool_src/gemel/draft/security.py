"""Secure builds, the non-secure ones that call them, and memories that both see at two addresses."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from functools import cached_property

from gemel.draft.cores import CoreGuess
from gemel.draft.evidence import Evidence
from gemel.draft.pieces import NEAR, DraftMemoryKind
from gemel.draft.shared import Shared
from gemel.draft.vectors import Vectors
from gemel.inspection.code.address_literals import holders_of
from gemel.inspection.code.core_settings import settings_of
from gemel.inspection.cores.secure_builds import (
    VECTOR_UNIT,
    VENEER_SECTION,
    gateways_of,
    imported,
    veneer_vectors,
)
from gemel.m_profile.architectures import EXTENSIONS_OF
from gemel.m_profile.code.known_registers import STACK_FROM, VTOR
from gemel.m_profile.execution.start_run import StartRun, start_run
from gemel.m_profile.memory_map import STATE_BIT
from gemel.spans import Span, align_down, align_up, merge
from gemel.structs import NamedTuple, Struct, field, replace

CALLABLE = "non-secure-callable"

MAX_SHOWN = 3
"""Gateways that are named at most."""


class Security(Struct):
    """Which builds are secure, and which non-secure one runs on the core of which secure one.

    ``secure`` has for each secure build what shows it, ``veneers`` where its veneers are, ``callers`` for
    each non-secure build the secure one, and ``calls`` in words what it calls of that.  ``aliased`` are the
    kinds of memory that both see, with bit 28 set and without.  ``loaders`` has for each boot loader the build that
    it starts on its own core.
    """

    secure: Mapping[str, str] = field(default_factory=dict)
    veneers: Mapping[str, list[Span]] = field(default_factory=dict)
    callers: Mapping[str, str] = field(default_factory=dict)
    calls: Mapping[str, str] = field(default_factory=dict)
    aliased: Mapping[str, frozenset[DraftMemoryKind]] = field(default_factory=dict)
    loaders: Mapping[str, str] = field(default_factory=dict)

    def core_of(self, build: str) -> str:
        """The core that runs a build: named as it, as what it starts there, or as the secure build that it calls."""
        started = self.loaders.get(build, build)
        return self.callers.get(started, started)

    def attribution(self, build: str) -> str:
        """How the core sees what is the build's own; empty where nothing shows."""
        return "secure" if build in self.secure else "non-secure" if build in self.callers else ""

    def seen_twice(self, build: str) -> frozenset[DraftMemoryKind]:
        """The kinds of memory that a non-secure build uses by another address than the secure one."""
        return self.aliased.get(build, frozenset()) if build in self.callers else frozenset()

    def without_aliases(self) -> Security:
        """The same, every address taken for a place of its own."""
        return replace(self, aliased={})


NOTHING_SECURE = Security()


class Aliased(Evidence):
    """A build whose memories of ``kinds`` are reported by their secure addresses, whatever it uses itself."""

    kinds: frozenset[DraftMemoryKind] = frozenset()

    @cached_property
    def _raw(self) -> Evidence:
        return Evidence(self.build)

    @cached_property
    def vectors(self) -> Vectors | None:
        """Its vector table; where it is kept, by the secure address."""
        found = self._raw.vectors
        if found is None or "flash" not in self.kinds:
            return found
        return found._replace(load_address=found.load_address | STATE_BIT)

    @cached_property
    def stored(self) -> list[Span]:
        """Where in flash its bytes are kept."""
        return _secure_view(self._raw.stored) if "flash" in self.kinds else self._raw.stored

    @cached_property
    def ram(self) -> list[Span]:
        """What it claims of RAM."""
        return _secure_view(self._raw.ram) if "ram" in self.kinds else self._raw.ram

    @property
    def initial_stack(self) -> int | None:
        """Its initial stack pointer."""
        top = self._raw.initial_stack
        return ((top - 1) | STATE_BIT) + 1 if top and "ram" in self.kinds else top


def find_security(all_seen: list[Evidence], cores: Mapping[str, CoreGuess]) -> Security:
    """What the builds show; nothing of builds for architectures without the security extension."""
    able = [seen for seen in all_seen if "security" in EXTENSIONS_OF[cores[seen.name].architecture]]
    veneers = {seen.name: _veneers(seen) for seen in able}
    secure = {seen.name: why for seen in able if (why := _why_secure(seen, veneers[seen.name]))}
    callers: dict[str, str] = {}
    calls: dict[str, str] = {}
    for seen in able:
        if seen.name in secure:
            continue
        found = [_called(seen, owner) for owner in able if owner.name in secure]
        best = max(found, key=lambda each: (len(each.names), -each.moved), default=None)
        if best and best.names:
            callers[seen.name] = best.owner
            calls[seen.name] = best.words
    aliased: dict[str, frozenset[DraftMemoryKind]] = {}
    for name in secure:
        family = [seen for seen in all_seen if name in (seen.name, callers.get(seen.name))]
        if kinds := _aliased(family, name):
            aliased |= {seen.name: kinds for seen in family}
    loaders = {} if secure else find_loaders(all_seen)
    calls |= {name: f"it starts {started}" for name, started in loaders.items()}
    return Security(secure, {name: veneers[name] for name in secure}, callers, calls, aliased, loaders)


def find_loaders(all_seen: list[Evidence]) -> dict[str, str]:
    """Builds that run on the core of another one: boot loaders, and further applications, with the one started."""
    started = {seen.name: found for seen in all_seen if (found := _started(seen, all_seen))}
    loaders: dict[str, str] = {}
    for name in started:
        family = {name}
        while (
            more := {
                each for one, others in started.items() if family & {one, *others} for each in (one, *others)
            }
            - family
        ):
            family |= more
        members = [seen for seen in all_seen if seen.name in family]
        first = min(members, key=lambda seen: seen.first.load_address)  # others may go back to it
        goals = [
            seen for seen in members if seen is not first and not started.get(seen.name, set()) - {first.name}
        ]
        core = (goals or members)[0].name
        loaders |= dict.fromkeys(sorted(family - {core}), core)
    return loaders


def _started(loader: Evidence, all_seen: list[Evidence]) -> set[str]:
    """The builds that the code of ``loader`` goes on into: what a run of it reaches, or a table that it sets VTOR to.

    The stack of the latter is in the same RAM, and so is that of another application whose table it knows, or of
    any such where it chooses both table and stack pointer as it runs.  One
    that sets VTOR to a table of a core with other RAM is mistaken, or takes its next stack pointer from elsewhere, if
    just one build has its stack there; the check of the draft shall find that.
    """
    others = {
        seen.vectors.run_address: seen
        for seen in all_seen
        if seen is not loader and seen.vectors and seen.vectors.run_address and not seen.moved
    }
    words = [struct.pack("<I", address)[2:] for address in others]
    if not any(word in segment.data for word in words for segment in loader.build.stored):
        return set()
    run = _run(loader, list(others.values()))
    settings = settings_of(loader.build, run=run)
    set_to = {each.store.value for each in settings if each.store.target == VTOR}
    goes_on = {each.store.value for each in settings if each.store.target == STACK_FROM}
    reached = [
        end.at for end in (run.ends if run else ()) if not any(it.holds(end.at) for it in loader.stored)
    ]
    alike = {at: it for at, it in others.items() if _has_stack_of(loader, it) or _has_stack_of(it, loader)}
    found = {
        seen.name for seen in others.values() if any(it.holds(at) for it in seen.stored for at in reached)
    }
    found |= {seen.name for address, seen in alike.items() if address in set_to}
    own = loader.vectors.run_address if loader.vectors else None
    others_at = {at for at in goes_on | set_to if at and not any(span.holds(at) for span in loader.ram)}
    if len(alike) == 1 and goes_on and others_at - {own, *alike}:
        return {seen.name for seen in alike.values()}
    chosen = {each.store.target for each in settings if each.store.value is None}  # of tables it may know
    goes = found or {VTOR, STACK_FROM} <= chosen
    return found | {seen.name for address, seen in alike.items() if goes and _holds(loader, address)}


def _holds(seen: Evidence, address: int) -> bool:
    """Whether the build holds an address in a word or in instructions."""
    return any(True for it in seen.build.stored for _ in holders_of(address, it.data, it.run_address))


def _has_stack_of(seen: Evidence, other: Evidence) -> bool:
    """Whether a build's RAM, or its stack, is where the stack of another begins."""
    top = other.initial_stack
    return bool(top) and (seen.initial_stack == top or any(span.holds((top or 0) - 1) for span in seen.ram))


def _run(seen: Evidence, others: list[Evidence]) -> StartRun | None:
    """A run of the build's code from reset on, and into other builds, which shows what variables hold."""
    if seen.vectors is None or seen.moved:
        return None
    stored = [(segment.load_span, segment.data) for each in (seen, *others) for segment in each.build.stored]

    def byte_at(address: int) -> int | None:
        return next((data[address - span.start] for span, data in stored if span.holds(address)), None)

    return start_run(byte_at, seen.vectors.reset, seen.vectors.initial_stack, None)


def seen_as_secure(all_seen: list[Evidence], security: Security) -> list[Evidence]:
    """The builds with the secure addresses of what has two."""
    return [
        Aliased(seen.build, seen.kept, kinds=security.aliased[seen.name])
        if seen.name in security.aliased
        else seen
        for seen in all_seen
    ]


def shared_as_secure(shared: list[Shared], all_seen: list[Evidence], security: Security) -> list[Shared]:
    """What builds share, with the secure addresses of what has two.

    RAM that a secure build uses with bit 28 clear, its other RAM with it set, is for non-secure code too.
    """
    known = [
        each._replace(span=_secure_view([each.span])[0])
        if any("ram" in security.aliased.get(name, ()) for name in each.builds)
        else each
        for each in shared
    ]
    opened = [
        Shared(
            _secure_view([span])[0] if "ram" in security.aliased.get(seen.name, ()) else span,
            (),
            (seen.name,),
        )
        for seen in all_seen
        if seen.name in security.secure and any(each.start & STATE_BIT for each in seen.ram)
        for span in seen.ram
        if not span.start & STATE_BIT
    ]
    return known + [each for each in opened if not any(each.span.overlaps(other.span) for other in known)]


def core_for(name: str, cores: Mapping[str, CoreGuess], security: Security) -> CoreGuess:
    """The core that runs a build and what calls it: with all that any of them requires."""
    own = cores[name]
    if name not in security.secure:
        return own
    members = [name, *(caller for caller, owner in security.callers.items() if owner == name)]
    order = list(EXTENSIONS_OF)
    most = max((cores[each] for each in members), key=lambda each: order.index(each.architecture))
    wanted = {extension for each in members for extension in cores[each].extensions} | {"security"}
    possible = tuple(each for each in EXTENSIONS_OF[most.architecture] if each in wanted)
    basis = [f"security: {security.secure[name]}"]
    basis += dict.fromkeys(cores[each].extensions_from for each in members if len(possible) > 1)
    count = max((cores[each] for each in members), key=lambda each: each.interrupts)
    return CoreGuess(
        most.architecture,
        most.architecture_from,
        possible,
        "; else ".join([basis[0], " and ".join(basis[1:])]) if basis[1:] else basis[0],
        count.interrupts,
        count.interrupts_from,
    )


def _veneers(seen: Evidence) -> list[Span]:
    """Where its veneers are, in whole units."""
    units = (
        Span.from_bounds(align_down(span.start, VECTOR_UNIT), align_up(span.end, VECTOR_UNIT))
        for span in veneer_vectors(seen.build)
    )
    return merge(units)


def _why_secure(seen: Evidence, veneers: list[Span]) -> str:
    if veneers:
        return f"{seen.file} has veneers for non-secure code (section {VENEER_SECTION})"
    offered = gateways_of(seen.build)
    return f"{seen.file} has functions for non-secure code (__acle_se_{offered[0].name})" if offered else ""


class _Called(NamedTuple):
    """The gateways of one secure build that a build was linked with, and how many have moved since."""

    owner: str
    names: list[str]
    moved: int

    @property
    def words(self) -> str:
        basis = f"it calls {', '.join(self.names[:MAX_SHOWN])} of {self.owner}"
        return f"{basis}, {self.moved} at another address than there" if self.moved else basis


def _called(seen: Evidence, owner: Evidence) -> _Called:
    """What a build calls of ``owner``: absolute functions named as its gateways are, wherever they are.

    One at another address comes of an older import library, which the check of the draft shall find.
    """
    offered = {gateway.name: gateway.address for gateway in gateways_of(owner.build)}
    called = {symbol.name: symbol.value & ~1 for symbol in imported(seen.build) if symbol.name in offered}
    moved = sum(offered[name] != address for name, address in called.items())
    return _Called(owner.name, list(called), moved)


def _aliased(family: list[Evidence], secure: str) -> frozenset[DraftMemoryKind]:
    """The kinds of memory that the callers use below those of the secure build, but for bit 28."""
    if len(family) < 2 or any(seen.moved for seen in family):
        return frozenset()
    flash = _beside({seen.name: seen.stored for seen in family}, secure)
    ram = _beside({seen.name: seen.ram for seen in family}, secure)
    kinds: dict[DraftMemoryKind, bool] = {"flash": flash, "ram": ram}
    return frozenset(kind for kind, shown in kinds.items() if shown)


def _beside(spans: dict[str, list[Span]], secure: str) -> bool:
    """Whether all spans of the others have bit 28 clear, and are next to secure ones once it is set."""
    own = [span for span in spans[secure] if span.start & STATE_BIT]
    others = [span for name, each in spans.items() if name != secure for span in each]
    if not own or not others or any(span.start & STATE_BIT for span in others):
        return False
    return all(
        not any(span.moved(STATE_BIT).overlaps(each) for each in own)
        and any(_distance(span.moved(STATE_BIT), each) <= NEAR for each in own)
        for span in others
    )


def _distance(one: Span, other: Span) -> int:
    return max(one.start - other.end, other.start - one.end, 0)


def _secure_view(spans: list[Span]) -> list[Span]:
    return merge(span if span.start & STATE_BIT else span.moved(STATE_BIT) for span in spans)

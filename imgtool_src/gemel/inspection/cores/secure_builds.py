"""What the rules about secure and non-secure builds share: attributions, gateways, what calls them.

A secure build offers its function ``NAME`` to non-secure code through a gateway (veneer) at the symbol
``NAME``: the instruction SG, then a branch to ``__acle_se_NAME``, the function itself (CMSE 1.4, "Toolchain
support for secure entry functions").  A non-secure build gets the gateways' addresses as absolute symbols,
from the import library of the secure build.
"""

from __future__ import annotations

from collections.abc import Iterator

from gemel.builds.build import Build
from gemel.builds.elf.symbol_entries import Symbol
from gemel.layout.model import Area, BuildPlan, Layout
from gemel.spans import Span, align_up
from gemel.structs import NamedTuple

ENTRY_PREFIX = "__acle_se_"
GATEWAY = bytes.fromhex("7fe97fe9")
"""The instruction SG (CMSE 1.4, "Secure gateway veneers"; its encoding as assemblers make it)."""

VENEER_SIZE, VECTOR_UNIT = 8, 32
"""Bytes of a veneer, and of the unit in which they are aligned and padded (CMSE 1.4, requirements 9, 13)."""

VENEER_SECTION = ".gnu.sgstubs"
"""The section into which the GNU linker puts the veneers that it makes."""

SECURE = ("secure", "non-secure-callable")


class Gateway(NamedTuple):
    """One function that a secure build offers.

    ``address`` is that of its gateway, None if it has none; ``entry`` that of the function itself; both as
    the core sees them, without the Thumb bit.
    """

    name: str
    address: int | None
    entry: int


def states_security(layout: Layout) -> bool:
    """Whether the layout says of any area how the security extension sees it."""
    return any(area.security for area in layout.areas.values())


def builds_of(layout: Layout, *attributions: str) -> list[BuildPlan]:
    """The builds that are stored in an area of one of these attributions."""
    return [plan for plan in layout.builds.values() if layout.areas[plan.stored_in].security in attributions]


def callable_areas(layout: Layout) -> list[Area]:
    """The areas that non-secure code may call into."""
    return [area for area in layout.areas.values() if area.security == "non-secure-callable"]


def gateways_of(build: Build) -> list[Gateway]:
    """What a build offers to non-secure code, by address; nothing if it has no symbols."""
    if build.symbols is None:
        return []
    entries: dict[str, int] = {}
    functions: dict[str, int] = {}
    for symbol in build.symbols.all():
        if symbol.name.startswith(ENTRY_PREFIX) and symbol.defined:
            entries[symbol.name.removeprefix(ENTRY_PREFIX)] = symbol.value & ~1
        elif symbol.defined and symbol.binding != "local":
            functions[symbol.name] = symbol.value & ~1
    found = []
    for name, entry in entries.items():
        address = functions.get(name)
        found.append(Gateway(name, None if address == entry else address, entry))
    return sorted(found, key=lambda gateway: (gateway.address or 0, gateway.name))


def veneer_vectors(build: Build) -> list[Span]:
    """Where the build's vectors of veneers are as its core sees them, by its sections; none if not known.

    Zeros up to a multiple of 32 belong to no vector: a linker made to begin elsewhere puts the vector there
    and fills the section with them.  Other zeros in front may be a function that was dropped.
    """
    found = []
    for section in build.sections.named(VENEER_SECTION) if build.sections else ():
        span = section.span
        if section.allocated and section.stored and span.size:
            start = min(align_up(span.start, VECTOR_UNIT), span.end)
            filling = build.read_at_run(span.start, start - span.start)
            if filling is None or any(filling):
                start = span.start
            found.append(Span.from_bounds(start, span.end))
    return [vector for vector in found if vector.size]


def imported(build: Build) -> Iterator[Symbol]:
    """The functions at absolute addresses that a build was linked with, as from an import library."""
    for symbol in build.all_symbols:
        if symbol.absolute and symbol.kind == "function" and symbol.binding != "local":
            yield symbol


def area_words(area: Area | None) -> str:
    """``area veneers (non-secure-callable)``; ``no area`` for none."""
    if area is None:
        return "no area"
    return f"area {area.name} ({area.security or 'security not stated'})"

"""What a core finds at an address: code of a build, a function, an area and whose it is, room for a stack."""

from __future__ import annotations

from gemel.inspection.inspection import Inspection
from gemel.inspection.ram.claims import owned_areas
from gemel.layout.addresses import locate, seen_by
from gemel.layout.model import Area, Layout
from gemel.m_profile.memory_map import DEVICE_REGIONS, region_of
from gemel.placement.placed import PlacedBuild
from gemel.spans import Span, format_address

ERASED_WORD = 0xFFFF_FFFF
LOWEST_RETURN = 0xFEFF_FFFE
"""From here on a branch returns from a function or an exception (FNC_RETURN without bit 0, EXC_RETURN)."""


def run_span(inspection: Inspection, placed: PlacedBuild) -> Span:
    """The plain span from which the core runs what is stored of a build."""
    located = locate(inspection.layout, placed.run_start, placed.core)
    return Span(located.plain if located else placed.run_start, placed.stored.size)


def run_span_as_seen(placed: PlacedBuild) -> Span:
    """The same as the build's own core sees it."""
    return Span(placed.run_start, placed.stored.size)


def distance(layout: Layout, core: str, start: int, address: int) -> int:
    """Bytes from ``start`` to ``address``, both as ``core`` sees them; aliases of a memory count as one."""
    first, second = locate(layout, start, core), locate(layout, address, core)
    return second.plain - first.plain if first and second else address - start


def runs_from(inspection: Inspection, placed: PlacedBuild, address: int) -> bool:
    """Whether ``address``, as the build's core sees it, is in what it runs of the build; aliases count."""
    return 0 <= distance(inspection.layout, placed.core, placed.run_start, address) < placed.stored.size


def is_erased_at(inspection: Inspection, core: str, address: int) -> bool:
    """Whether ``core`` sees an erased word at ``address``, which no instruction is, inside a build of its own."""
    located = locate(inspection.layout, address, core)
    if located is None or not located.memory.holds_image or located.offset + 4 > located.memory.size:
        return False
    word = Span(located.plain, 4)
    inside = any(each.core == core and each.stored.covers(word) for each in inspection.placed.values())
    return inside and located.memory.erased_byte == 0xFF and inspection.word_at(word.start) == ERASED_WORD


def in_execute_never(address: int) -> Span | None:
    """The part of the default memory map around ``address`` from which nothing is executed, if any."""
    return region_of(DEVICE_REGIONS, address)


def described_word(inspection: Inspection, core: str, word: int) -> str:
    """``word`` with the function there, or else what is there: ``0x1000_0081 (reset_handler)``."""
    if word == ERASED_WORD:
        return f"{format_address(word)} (erased)"
    if word >= LOWEST_RETURN:
        return f"{format_address(word)} (an exception return value, no address)"
    return f"{format_address(word)} ({function_at(inspection, core, word) or whereabouts(inspection, core, word)})"


def function_at(inspection: Inspection, core: str, address: int) -> str:
    """The function of one of the core's builds at ``address``, with the offset; empty if none is known."""
    for name, placement in inspection.placements.items():
        if inspection.layout.builds[name].core == core and placement.build.symbols:
            found = placement.build.symbols.function_at(address)
            if found:
                return found[0].name + (f" + {found[1]}" if found[1] else "")
    return ""


def whereabouts(inspection: Inspection, core: str, address: int) -> str:
    """What ``core`` sees at ``address``: build, area and owner, or memory."""
    layout = inspection.layout
    located = locate(layout, address, core)
    if located is None:
        return f"in no memory that core {core} sees"
    plain = located.plain
    for name, placed in inspection.placed.items():
        runs = run_span(inspection, placed)
        if placed.stored.holds(plain) or runs.holds(plain):
            owner = "" if placed.core == core else f" of core {placed.core}"
            offset = plain - (runs if runs.holds(plain) else placed.stored).start
            function = function_at(inspection, placed.core, placed.run_start + offset)
            return f"in build {name}{owner}" + (f", {function}" if function else "")
    area = area_at(layout, address, core)
    if area is None:
        return f"in {located.memory.words}, outside all areas"
    owners = [each.name for each in layout.cores.values() if area.name in each.ram]
    return f"in area {area.name}" + (f" of core {', '.join(owners)}" if owners else "")


def area_at(layout: Layout, address: int, core: str) -> Area | None:
    """The area in which ``core`` sees ``address``; None if it is in none."""
    located = locate(layout, address, core)
    if located is None:
        return None
    holding = (area for area in layout.areas.values() if layout.span_of(area.name).holds(located.plain))
    return next(holding, None)


def stack_area(inspection: Inspection, core: str, pointer: int) -> str | None:
    """The area of RAM that ``core`` owns and into which a stack from ``pointer`` grows; None if none.

    The stack is full and descending: the first word is below ``pointer``, so the end of an area is
    a good start and its own start is none.  Hardware ignores the two lowest bits.
    """
    below = (pointer & ~3) - 1
    located = locate(inspection.layout, below, core)
    if located is None:
        return None
    owned = owned_areas(inspection.layout, core)
    return next((area for area in owned if inspection.layout.span_of(area).holds(located.plain)), None)


def area_as_seen(layout: Layout, area: str, core: str) -> Span:
    """The addresses of an area as ``core`` sees them."""
    span = layout.span_of(area)
    return Span(seen_by(layout, span.start, core), span.size)

"""Whether the tick interrupt that code enables has a handler in the build's vector table.

SYST_CSR, ENABLE and TICKINT: Armv7-M Architecture Reference Manual, section B3.3.3 (from memory).
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.inspection.cores.views import distance
from gemel.inspection.inspection import Inspection, VectorTable

if TYPE_CHECKING:
    from gemel.inspection.code.core_settings import Setting

SYSTICK = 15
"""The word of its handler."""

_ENABLE_AND_TICKINT = 0b11
_LOOP = re.compile(rb"(?:.[\xb4\xb5]|\x6f\x46|\x00\xaf|\x00\xbf|\xc0\x46|\xff\xe7){0,4}\xfe\xe7", re.DOTALL)
"""B to itself, after what unoptimised functions begin with: PUSH, a frame pointer, NOP, B to what is next."""

_MASK, _UNMASK = b"\x72\xb6", b"\x62\xb6"
"""CPSID i and CPSIE i."""


def ticks_without_handler(inspection: Inspection, table: VectorTable) -> Setting | None:
    """The store that enables the tick interrupt where its word is zero or the address of an endless loop, if any.

    None where code may use another table, never takes an interrupt, or does not show what it stores.
    """
    name, build = table.plan.name, inspection.builds.get(table.plan.name)
    if build is None or len(table.words) <= SYSTICK:
        return None
    from gemel.m_profile.code.known_registers import SYST_CSR, VTOR

    settings = inspection.core_settings.get(name, ())
    ticks = [each for each in settings if each.store.target == SYST_CSR]
    if not ticks:
        return None
    handler = table.words[SYSTICK]
    if handler and not _is_endless_loop(build, handler & ~1):
        return None
    own, layout, core = table.placed.vector_address, inspection.layout, table.core.name
    if any(
        each.store.target == VTOR
        and (each.store.value is None or distance(layout, core, own, each.store.value))
        for each in settings
    ):
        return None
    code = [bytes(segment.data) for segment in build.stored if segment.executable]
    if any(_MASK in each for each in code) and not any(_UNMASK in each for each in code):
        return None
    used = [each for each in ticks if _is_used(build, each)]
    return next((each for each in used if _bits(each) == _ENABLE_AND_TICKINT), None) or _in_steps(used)


def _is_endless_loop(build: Build, address: int) -> bool:
    segment = build.segment_at_run(address)
    return segment is not None and bool(_LOOP.match(segment.data, address - segment.run_address))


def _bits(setting: Setting) -> int:
    """Of the two bits those that a store is known to set."""
    store = setting.store
    bits = store.value if store.value is not None else store.changed.ones if store.changed else 0
    return bits & _ENABLE_AND_TICKINT


def _in_steps(settings: list[Setting]) -> Setting | None:
    """The last of the stores that each set a bit of what they read, if together they set both."""
    steps = [each for each in settings if each.store.value is None and _bits(each)]
    bits = 0
    for each in steps:
        bits |= _bits(each)
    return steps[-1] if bits == _ENABLE_AND_TICKINT else None


def _is_used(build: Build, setting: Setting) -> bool:
    from gemel.inspection.code.address_users import is_reached

    function = build.function_at(setting.store.at)
    return function is None or is_reached(build, function[0])

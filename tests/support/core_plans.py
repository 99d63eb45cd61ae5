"""A core's plan without an image, for parts of the rehearsal that need no emulator."""

from __future__ import annotations

from typing import Any

from gemel.rehearsal.plan import CorePlan
from gemel.structs import replace

_PLAN = CorePlan(
    name="station",
    primary=True,
    architecture="armv8-m.main",
    extensions=("fp", "mpu", "security"),
    emulated_as=11,
    lacks=(),
    interrupts=96,
    windows=(),
    devices=(),
    executable=(),
    loadable=(),
    closed=(),
    guarded=(),
    stack_limit=None,
    own_ram=(),
    vectors=0,
    release=None,
)


def core_plan(**changed: Any) -> CorePlan:
    """A core with nothing mapped, with these fields changed."""
    return replace(_PLAN, **changed)

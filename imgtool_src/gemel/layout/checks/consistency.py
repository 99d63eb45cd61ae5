"""What the parts of a layout must say about each other, by subject; every name in it exists already.

Each check is a generator over the whole layout and stands alone: none relies on another having passed.
"""

from __future__ import annotations

from collections.abc import Iterator

from gemel.layout.checks.areas import area_faults, build_faults, record_faults
from gemel.layout.checks.cores import contract_faults, core_faults
from gemel.layout.checks.memories import memory_faults
from gemel.layout.checks.rehearsal import rehearsal_faults
from gemel.layout.checks.security import security_faults
from gemel.layout.checks.values import value_faults
from gemel.layout.kinds import LayoutFault
from gemel.layout.model import Layout


def faults_between(layout: Layout) -> Iterator[LayoutFault]:
    """Every fault between the parts of ``layout``."""
    yield from memory_faults(layout)
    yield from core_faults(layout)
    yield from area_faults(layout)
    yield from security_faults(layout)
    yield from build_faults(layout)
    yield from contract_faults(layout)
    yield from record_faults(layout)
    yield from value_faults(layout)
    yield from rehearsal_faults(layout)

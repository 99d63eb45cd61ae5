"""Two images compared."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.comparing.changes import Comparison
from gemel.comparing.gather import comparison_of
from gemel.errors import UsageProblem
from gemel.image.image import Image
from gemel.inspection.inspection import Inspection
from gemel.layout.reader import ReadLayout
from gemel.workflows.describing import keys_of

if TYPE_CHECKING:
    from gemel.seals.keys.keys import PublicKey


def compare(
    old: Image,
    new: Image,
    layout: ReadLayout | None = None,
    *,
    old_builds: Mapping[str, Build] | None = None,
    new_builds: Mapping[str, Build] | None = None,
    options: Sequence[str] = (),
    old_layout: ReadLayout | None = None,
    trusted: Sequence[PublicKey] | None = None,
) -> Comparison:
    """What changed from ``old`` to ``new``: by the layout, and by symbol where both ELF files are given.

    A build of ``new_builds`` counts for ``old`` too where the record of ``old`` has its build id and no other build is
    given for it.  ``options`` are those of the command line that the result names.  ``old_layout`` is the layout that
    ``old`` was joined with, where that is another one.  Seals are verified with the ``trusted`` keys (None:
    those of ``layout``).  Raises UsageProblem for builds or ``old_layout`` without a layout.
    """
    if layout is None:
        refuse_builds([*(old_builds or ()), *(new_builds or ()), *([old_layout.name] if old_layout else [])])
    keys = (keys_of(layout)[0] if layout else ()) if trusted is None else tuple(trusted)
    of_new = new_builds or {}
    of_old = _still_the_same(old_layout or layout, old, of_new) | dict(old_builds or {})
    return comparison_of(layout, old, new, of_old, of_new, options, old_layout, keys)


def _still_the_same(layout: ReadLayout | None, old: Image, builds: Mapping[str, Build]) -> dict[str, Build]:
    """Those of ``builds`` whose build ids the record of an older image has."""
    if layout is None or not builds:
        return {}
    record = Inspection(layout, old.data).record
    named = {entry.name: entry.build_id for entry in record.builds if entry.build_id} if record else {}
    return {name: each for name, each in builds.items() if each.build_id and each.build_id == named.get(name)}


def refuse_builds(given: Sequence[str]) -> None:
    """Raise UsageProblem for builds where no layout says where they go."""
    if given:
        step = "give LAYOUT first, which says where each goes"
        raise UsageProblem("builds are compared by a layout", found=" ".join(given), next_step=step)

"""A rehearsal: of its own, or on the way of a check that requires it or whose layout requires it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.errors import UsageProblem
from gemel.image.image import Image
from gemel.layout.reader import ReadLayout

if TYPE_CHECKING:
    from gemel.rehearsal.result import Rehearsal


def rehearse(
    layout: ReadLayout,
    image: Image,
    builds: Mapping[str, Build] | None = None,
    *,
    budget: int | None = None,
    watches: Sequence[str] = (),
    isolate: bool = True,
    exact: bool = True,
    interleavings: int = 0,
) -> Rehearsal:
    """Run the reset code of both cores from the image's own bytes in the device that the layout describes.

    ``builds`` give functions, source lines and what was copied.  ``budget`` is in instructions a core (None:
    the layout's, else 20 million); ``watches`` are ``reads`` (of RAM that nobody wrote) and ``alignment``;
    ``isolate`` emulates in a process of its own, so that a crash of the emulator is a finding and not the end
    of yours; ``exact`` follows calls, by a second run; ``interleavings`` tries so many other orders
    of the cores' instructions, and the result is the worst.  Two calls with the same
    arguments give equal results.  Raises UsageProblem for a budget below 1, ExtraMissing without the emulator,
    GemelError for a device that it cannot map or an image without a start.
    """
    from gemel.rehearsal.session import RehearsalOptions
    from gemel.rehearsal.session import rehearse as run

    if budget is not None and budget < 1:
        what, expected = "no instructions to rehearse", "at least 1, or None"
        raise UsageProblem(what, where="budget", found=str(budget), expected=expected)
    given = builds or {}
    sources = {name: build.source for name, build in given.items() if build.source is not None}
    options = RehearsalOptions(budget, tuple(watches), isolate, exact, interleavings)
    return run(layout, image.data, given, options, sources)


def due_rehearsal(
    layout: ReadLayout, image: Image, builds: Mapping[str, Build], wanted: bool
) -> Rehearsal | None:
    """The rehearsal of ``image`` if it is ``wanted`` or the layout requires it, else None."""
    plan = layout.layout.rehearsal
    return rehearse(layout, image, builds) if wanted or (plan and plan.required) else None

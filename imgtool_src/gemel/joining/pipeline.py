"""The passes of a join, in order, and what holds after each.

    place      every byte of every build is in its own area; no build touches another
    fill       builds and checksummed ranges have no holes; their ends are whole write units
    stamp      every stamp and checksum holds its value, each computed after what it reads
    record     the record describes exactly these bytes
    seal       keys hold for the record (``sealing``: a pass of its own, for who has keys)

An image is checked before it is sealed and before it is written to files (``check``).
"""

from __future__ import annotations

from collections.abc import Mapping

from gemel.builds.build import Build
from gemel.errors import JoinRefused, Problem, UsageProblem
from gemel.image.sparse import SparseBytes
from gemel.joining.merging import fill, merge_builds, spans_to_fill
from gemel.joining.stamps import StampSources
from gemel.joining.values import write_values
from gemel.layout.model import Layout, StampValue
from gemel.layout.reader import ReadLayout
from gemel.placement.placed import PlacedBuild, Version
from gemel.placement.places import SymbolPlaces, is_same_code, reset_handler, starting_plan
from gemel.placement.placing import Placement, place_all
from gemel.record.record import Record
from gemel.structs import Struct


class Joined(Struct):
    """The result of a join: the image, where each build is in it, and the record, if one is required."""

    image: SparseBytes
    placements: Mapping[str, Placement]
    placed: Mapping[str, PlacedBuild]
    record: Record | None
    entry: int | None


def join(
    read: ReadLayout, builds: Mapping[str, Build], version: Version | None = None, rollback: int | None = None
) -> Joined:
    """One image from ``builds`` (by name, every build of the layout) as ``read`` says.

    ``version`` and ``rollback`` stand in for the layout's.  Raises UsageProblem for builds or a version
    that are missing, JoinRefused with everything that keeps the builds apart or a value from being had,
    LayoutError for values that cannot be written where they should go or that need each other.
    """
    layout = read.layout
    version = version or (Version.of(layout.version) if layout.version else None)
    _refuse_missing(layout, builds, version)
    rollback = layout.rollback if rollback is None else rollback

    placements = place_all(layout, builds)
    image, problems = merge_builds(layout, placements)
    if problems or not all(each.placed and not each.problems for each in placements.values()):
        from gemel.placement.elsewhere import problems_of

        problems = problems_of(layout, placements) + problems
    if problems:
        raise JoinRefused(problems)
    placed = {name: each.placed for name, each in placements.items() if each.placed}

    fill(layout, image, spans_to_fill(layout, image, placed))
    sources = StampSources(layout, image, placed, version, rollback)
    record = write_values(read, sources, SymbolPlaces(placements))
    return Joined(image, placements, placed, record, _entry(layout, image, builds))


def _refuse_missing(layout: Layout, builds: Mapping[str, Build], version: Version | None) -> None:
    problems = []
    for name in layout.builds:
        if name not in builds:
            problems.append(
                Problem(
                    f"build {name} is missing",
                    where=f"build {name}",
                    found="no file",
                    expected="a file",
                    next_step=f"give it as {name}=FILE, or add path to [build.{name}]",
                )
            )
    for name in builds:
        if name not in layout.builds:
            expected = f"one of {', '.join(layout.builds)}"
            problems.append(Problem("the layout has no such build", found=name, expected=expected))
    needing = [f"stamp {stamp.name}" for stamp in layout.stamps if _is_version(stamp.value)]
    needing += ["the record"] if layout.record else []
    if needing and version is None:
        hint = "give --version X.Y.Z, or version in the layout"
        what = f"{' and '.join(needing)} need{'' if needing[1:] else 's'} a version"
        problems.append(Problem(what, where="version", found="none", expected="X.Y.Z", next_step=hint))
    if problems:
        raise UsageProblem(problems)


def _is_version(value: int | str | StampValue) -> bool:
    return isinstance(value, StampValue) and value.version is not None


def _entry(layout: Layout, image: SparseBytes, builds: Mapping[str, Build]) -> int | None:
    """The entry point of the build that the primary starts with, if it is its reset handler; else none.

    It stands in files only, where no digest covers it, so nothing else is named there.
    """
    plan, handler = starting_plan(layout), reset_handler(layout, image)
    entry = builds[plan.name].entry if plan else None
    if entry is None or handler is None or not is_same_code(layout, entry, handler):
        return None
    return entry

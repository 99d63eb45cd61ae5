"""``rehearse``: from layout, image and builds to a rehearsal."""

from __future__ import annotations

from collections.abc import Mapping

from gemel.builds.build import Build
from gemel.builds.source import ByteSource
from gemel.errors import ExtraMissing, Problem
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.layout.reader import ReadLayout
from gemel.rehearsal.isolation import EmulatorEnded, EmulatorMissing, run_apart
from gemel.rehearsal.plan import DevicePlan
from gemel.rehearsal.result import Rehearsal
from gemel.rehearsal.setup.planning import plan_of
from gemel.rehearsal.verdict.code_names import CodeNames
from gemel.rehearsal.verdict.judging import ended_outside, rehearsal_of
from gemel.structs import Struct, replace


class RehearsalOptions(Struct):
    """How to rehearse.

    ``budget`` (instructions a core; None: the layout's, else 20 million), ``watches`` (names of
    ``fine_watches.WATCHES``), ``apart`` (in a process of its own, so that a crash of the emulator is a
    finding; without it a crash is yours), ``exact`` (a second run that follows calls), ``interleavings`` (so
    many other orders of the cores are tried too; the result is the worst).
    """

    budget: int | None = None
    watches: tuple[str, ...] = ()
    apart: bool = True
    exact: bool = True
    interleavings: int = 0


def rehearse(
    read: ReadLayout,
    image: SparseBytes,
    builds: Mapping[str, Build] | None = None,
    options: RehearsalOptions | None = None,
    sources: Mapping[str, ByteSource] | None = None,
) -> Rehearsal:
    """Run the reset code of both cores from the bytes of ``image`` in the device that ``read`` describes.

    ``builds`` (by name) give functions and what was copied, ``sources`` (the same builds' ELF files) source
    lines.  Two calls with the same arguments give equal results.  Raises ExtraMissing without the emulator,
    CannotRehearse (a GemelError) for a device that it cannot map or an image without a start.
    """
    options = options or RehearsalOptions()
    subject = Inspection(read, image, builds or {})
    plan = plan_of(subject, options.budget, options.watches, options.exact)
    names = CodeNames(subject, sources or {})
    result = _rehearsed(subject, plan, names, options.apart)
    for number in range(1, options.interleavings + 1):
        other = _rehearsed(subject, replace(plan, interleaving=number), names, options.apart)
        if result.passes and not other.passes:
            note = f"found in order {number} of the cores' instructions only; the usual order has nothing: a race"
            result = replace(other, notes=(*other.notes, note))
        elif result.passes and other.texts != result.texts:
            note = f"text differs in order {number} of the cores' instructions"
            result = replace(result, notes=(*result.notes, note))
    if options.interleavings:
        note = f"{options.interleavings + 1} orders of the cores' instructions were tried"
        result = replace(result, notes=(*result.notes, note))
    return result


def _rehearsed(subject: Inspection, plan: DevicePlan, names: CodeNames, apart: bool) -> Rehearsal:
    try:
        if apart:
            run = run_apart(plan)
        else:
            from gemel.rehearsal.emulator.runner import run_plan

            run = run_plan(plan)
    except EmulatorEnded as error:
        return ended_outside(subject, plan, str(error))
    except (ImportError, EmulatorMissing) as error:
        raise ExtraMissing(extra_problem()) from error
    return rehearsal_of(subject, plan, run, names)


def extra_problem() -> Problem:
    """What to install for a rehearsal."""
    expected, hint = "the emulator unicorn", "pip install 'gemel[rehearse]'"
    return Problem(
        "a rehearsal needs an emulator that is not installed",
        found="no module unicorn",
        expected=expected,
        next_step=hint,
    )

"""Registers that release a core, or start it again, as code writes them: proposed where a run with them shows it."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from gemel.layout.rehearsal_model import ALL_BITS
from gemel.rehearsal.emulator.device_run import run_device
from gemel.rehearsal.emulator.registers.device_registers import DEVICE_BLOCK
from gemel.rehearsal.plan import DevicePlan, ReleasePlan
from gemel.rehearsal.raw_run import RawRun
from gemel.spans import format_address
from gemel.structs import replace

TRIAL, SHORT_TRIAL = 2_000_000, 100_000
"""Instructions of a run that tries a release, and after the run's own of one that tries a restart."""


def release_offers(plan: DevicePlan, run: RawRun) -> Iterator[tuple[str, str]]:
    """The cores of which the layout does not say how they are released, with lines that say it, if writes show them."""
    for core in plan.cores:
        if not (core.primary or core.release or core.vectors is None):
            for vector, control, value in _written_next(run, core.vectors):
                if release := _that_releases(plan, core.name, vector, control, value):
                    yield core.name, _lines(core.name, release)
                    break


def restart_notes(plan: DevicePlan, run: RawRun) -> Iterator[str]:
    """Notes on bits that seem to restart cores, in a run that did not reach its goals."""
    for core in plan.cores if run.ended != "goals" else ():
        if core.release is not None:
            yield from _restart_note(plan, run, core.name, core.release)


def _written_next(run: RawRun, vectors: int) -> Iterator[tuple[int, int, int]]:
    """Each register that takes the vector address, the one near it that is written next, and the last value of that."""
    for number, (core, at, value) in enumerate(run.writes):
        near = [
            (to, word)
            for by, to, word in run.writes[number:]
            if by == core and 0 < abs(to - at) < DEVICE_BLOCK
        ]
        if value == vectors and near:
            yield at, near[0][0], [word for to, word in near if to == near[0][0]][-1]


def _that_releases(plan: DevicePlan, core: str, vector: int, control: int, value: int) -> ReleasePlan | None:
    """The release by these registers that starts the core: by the whole value, or the bits that code changes there."""
    bits = ALL_BITS
    for _ in range(2):
        release = ReleasePlan(vector, control, bits, value & bits, 0, 0, None)
        trial = _run_with(plan, core, release, TRIAL)
        if any(each.kind == "released" and each.words["of"] == core for each in trial.events):
            return release
        held = ~value & ALL_BITS  # what the register reads until the release
        bits = next((word ^ held for _, at, word in reversed(trial.writes) if at == control), 0)
    return None


def _lines(core: str, release: ReleasePlan) -> str:
    """What to add to the layout."""
    mask = f"release_mask = 0x{release.release_mask:X}\n" if release.release_mask != ALL_BITS else ""
    return (
        f"add to the layout:\n[core.{core}.release]\nvector_register = {format_address(release.vector_register)}\n"
        f"control_register = {format_address(release.control_register)}\n{mask}"
        f"release_value = 0x{release.release_value:X} # then core {core} starts"
    )


def _run_with(plan: DevicePlan, core: str, release: ReleasePlan, budget: int) -> RawRun:
    cores = tuple(replace(each, release=release) if each.name == core else each for each in plan.cores)
    return run_device(replace(plan, cores=cores, budget=min(plan.budget, budget)), again=True)


def _restart_note(plan: DevicePlan, run: RawRun, core: str, release: ReleasePlan) -> Iterator[str]:
    """Where code sets bits of a control register after the release and clears them, and that would restart the core."""
    values = [value for _, at, value in run.writes if at == release.control_register & ~3]
    started = [number for number, value in enumerate(values) if release.releases(value)]
    later = values[started[0] :] if started else []
    free = ~(release.release_mask | release.key_mask)
    bits = 0
    for value, following in pairwise(later):
        bits |= value & ~following & ~later[0] & free
    if not bits:
        return
    changed = replace(release, release_mask=release.release_mask | bits)
    trial = _run_with(plan, core, changed, run.time + SHORT_TRIAL)
    times = sum(each.kind == "released" and each.words["of"] == core for each in trial.events)
    if times > 1:
        yield (
            f"code sets bits 0x{bits:X} of {format_address(release.control_register)} after the release of {core} and "
            f"clears them, which does not restart it; if it is to, set release_mask = 0x{changed.release_mask:X} in "
            f"[core.{core}.release] (then it starts {times} times)"
        )

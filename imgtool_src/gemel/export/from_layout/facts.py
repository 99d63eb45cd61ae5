"""What the exports of a layout say, as names and numbers of one core's view: once for every language."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from gemel.checksums.in_layout import checksum_size
from gemel.errors import Problem, UsageProblem
from gemel.inspection.cores.regions import ID_SYMBOL, identifier, regions_id
from gemel.layout.addresses import seen_by
from gemel.layout.model import AreaPlace, Layout
from gemel.placement.placed import has_vectors
from gemel.structs import NamedTuple


class Number(NamedTuple):
    """A constant: its name in lower case, its value and what it is."""

    name: str
    value: int
    meaning: str


def refuse_same_identifiers(layout: Layout) -> None:
    """Raise one UsageProblem for all names of a kind that differ in nothing but case and ``-`` or ``_``."""
    problems = []
    kinds: dict[str, Iterable[str]] = {
        "area": layout.areas,
        "memory": layout.memories,
        "build": layout.builds,
        "core": layout.cores,
        "checksum": [checksum.name for checksum in layout.checksums],
    }
    for kind, names in kinds.items():
        known: dict[str, str] = {}
        for name in names:
            other = known.setdefault(identifier(name).upper(), name)
            if other != name:
                problems.append(
                    Problem(
                        "two names of the layout are one identifier in what is exported",
                        where=f"{kind} {other} and {kind} {name}",
                        found=identifier(name).upper(),
                        expected="names that differ in more than case and - or _",
                        next_step="rename one of them",
                    )
                )
    if problems:
        raise UsageProblem(problems)


def numbers(layout: Layout, core: str) -> Iterator[Number]:
    """Every constant of a core's view: areas, memories, vectors, interrupts, stack, release registers, checksums."""
    refuse_same_identifiers(layout)
    yield Number(ID_SYMBOL, regions_id(layout, core), f"the regions of core {core} by four bytes")
    for area in layout.areas.values():
        name = identifier(area.name)
        start = seen_by(layout, layout.span_of(area.name).start, core)
        yield Number(f"{name}_start", start, f"area {area.name}, purpose {area.purpose}")
        yield Number(f"{name}_size", area.size, "bytes")
    for memory in layout.memories.values():
        if memory.holds_image:
            name = identifier(memory.name)
            yield Number(
                f"{name}_write_unit", memory.write_unit, f"bytes of {memory.name} programmed at once"
            )
            if memory.erase_block:
                yield Number(f"{name}_erase_block", memory.erase_block, "bytes erased at once")
            yield Number(f"{name}_erased_byte", memory.erased_byte, "what an erased byte reads")
    for plan in layout.builds.values():
        if has_vectors(layout, plan.name):
            start = layout.span_of(plan.runs_in or plan.stored_in).start
            own = seen_by(layout, start + plan.vector_offset, plan.core)
            words = f"vector table of build {plan.name}, as its own core {plan.core} sees it"
            yield Number(f"{identifier(plan.name)}_vectors", own, words)
    for each in layout.cores.values():
        words = (
            f"external interrupts of core {each.name}, after the 16 words that every vector table begins with"
        )
        yield Number(f"{identifier(each.name)}_interrupts", each.interrupts, words)
    if stack := next(iter(layout.cores[core].ram), None):
        end = seen_by(layout, layout.span_of(stack).start, core) + layout.areas[stack].size
        yield Number(
            f"{identifier(core)}_stack_top", end, f"end of area {stack}, for a stack that grows down"
        )
    yield from _releases(layout)
    for checksum in layout.checksums:
        if isinstance(checksum.at, int | AreaPlace):
            at = (
                checksum.at
                if isinstance(checksum.at, int)
                else layout.span_of(checksum.at.area).start + checksum.at.offset
            )
            words = f"where checksum {checksum.name} is, {checksum_size(checksum)} bytes"
            yield Number(f"{identifier(checksum.name)}_at", seen_by(layout, at, core), words)


def _releases(layout: Layout) -> Iterator[Number]:
    for core in layout.secondaries():
        if core.release is None:
            continue
        release, name = core.release, f"{identifier(core.name)}_release"
        yield Number(
            f"{name}_vector_register", release.vector_register, f"receives the vectors of {core.name}"
        )
        yield Number(f"{name}_control_register", release.control_register, f"lets core {core.name} run")
        yield Number(f"{name}_mask", release.release_mask, "bits of the control register that matter")
        yield Number(f"{name}_value", release.release_value, "what these must read for the core to run")
        if release.key_mask:
            yield Number(f"{name}_key_mask", release.key_mask, "bits that hold the unlock key")
            yield Number(f"{name}_key_value", release.key_value, "the unlock key")


def claims(layout: Layout, found: Iterable[Number]) -> Iterator[str]:
    """What must hold of the numbers, in C and in Rust: areas neither wrap around nor begin within a write unit."""
    names = {number.name for number in found}
    for area in layout.areas.values():
        name = identifier(area.name).upper()
        yield f"{name}_SIZE > 0 && {name}_START + ({name}_SIZE - 1) >= {name}_START"
        unit = f"{identifier(area.memory)}_write_unit"
        if unit in names:
            yield f"{name}_START % {unit.upper()} == 0"

"""The templates of what is exported from a layout: each has the name of the file that it becomes.

A value is escaped for a comment of any language where a template puts it in, so that none can be forgotten; what gdb
takes as a string goes through the filter ``quoted``.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from gemel.checksums.in_layout import checksum_size
from gemel.errors import Problem, UsageProblem
from gemel.inspection.cores.regions import ID_SYMBOL, identifier, regions_id, regions_of
from gemel.layout.addresses import seen_by, starts_of
from gemel.layout.model import AreaPlace, Layout
from gemel.layout.reader import ReadLayout
from gemel.placement.placed import has_vectors
from gemel.structs import NamedTuple
from gemel.text.escaping import on_one_line
from gemel.text.templates import environment


class _Escaped(str):
    """Text that is escaped for its place already."""


def from_layout(template: str, read: ReadLayout, core: str) -> str:
    """The file ``template`` of a layout, by the view of ``core``.

    Raises UsageProblem where two names of the layout would become one identifier of what is made.
    """
    made = environment(__package__, _in_comment, autoescape=False)
    made.filters.update(
        hex="{:#010x}".format, quoted=_quoted, identifier=lambda name: _identifier(read, name)
    )
    return made.get_template(template).render(
        file=read.name,
        layout=read.layout,
        digest=read.digest.hex(),
        core=core,
        padded=_padded,
        regions=regions_of(read.layout, core),
        numbers=lambda: list(numbers(read.layout, core)),
        claims=lambda found: claims(read.layout, found),
        has_vectors=lambda build: has_vectors(read.layout, build),
        starts_of=lambda memory: starts_of(memory, core),
        seen=lambda address: seen_by(read.layout, address, core),
    )


def _identifier(read: ReadLayout, name: str) -> str:
    refuse_same_identifiers(read.layout)
    return identifier(name)


def _padded(form: str, values: Iterable[object]) -> list[tuple[object, str]]:
    """Each value with its text, all texts as wide as the widest."""
    texts = {value: form.format(value) for value in values}
    width = max(map(len, texts.values()), default=0)
    return [(value, text.ljust(width)) for value, text in texts.items()]


def _in_comment(value: object) -> object:
    """On one line, in ASCII, without what begins or ends a comment."""
    if not isinstance(value, str) or isinstance(value, _Escaped):
        return value
    return on_one_line(value, only_ascii=True).replace("*/", "* /").replace("/*", "/ *")


def _quoted(file: str) -> str:
    """A file's name for gdb: in quotes, on one line."""
    escaped = on_one_line(file).replace("\\", "\\\\").replace('"', '\\"')
    return _Escaped(f'"{escaped}"')


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

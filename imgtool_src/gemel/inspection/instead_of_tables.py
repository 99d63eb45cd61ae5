"""What is where a vector table should be, if it is none."""

from __future__ import annotations

import struct
import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.files.contents import ELF_START
from gemel.layout.addresses import locate
from gemel.layout.model import BuildPlan, Layout
from gemel.m_profile.vector_tables import FIRST_INTERRUPT, alignment_of
from gemel.placement.placed import PlacedBuild
from gemel.spans import Span
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.builds.elf.symbols import SymbolTable


def vector_builds(layout: Layout) -> list[BuildPlan]:
    """The builds that have a vector table: those stored in an area of purpose code."""
    return [plan for plan in layout.builds.values() if layout.areas[plan.stored_in].purpose == "code"]


class Instead(NamedTuple):
    """What is where a vector table should be, and what to do about it; ``table`` is where the table is, if seen."""

    what: str
    next_step: str
    table: int | None = None


NOTE_HEAD = struct.Struct("<III4s")
"""Sizes of name and description, type and name of a build id note (gABI, "Note Section")."""


MAX_WORDS = 1 << 16
"""Words after its place in the layout in which a table is looked for: further on nobody puts one by mistake."""


SYSTEM_HANDLERS = (4, 5, 6, 11, 12, 14, 15)
"""Words of a table, after those of Reset, NMI and HardFault, that are a handler or zero on every core."""


def instead_of_table(
    layout: Layout,
    plan: BuildPlan,
    bytes_of: Callable[[Span], bytes],
    build: Build | None,
    placed: PlacedBuild | None,
) -> Instead | None:
    """What a linker has put where the table should be: a build id note, something else before it, or code.

    None if it is there, or nothing says what is.
    """
    start = layout.table_start(plan)
    name_size, size, kind, name = NOTE_HEAD.unpack(bytes_of(Span(start, NOTE_HEAD.size)))
    if (name_size, kind, name) == (4, 3, b"GNU\0") and size <= 64:
        return Instead(
            f"a build id note of {size} bytes",
            "place the note after the vectors in the linker script: .note.gnu.build-id : "
            "{ KEEP(*(.note.gnu.build-id)) } after the section of the vectors",
        )
    has_code = build is None or build.symbols is None or any(each.executable for each in build.stored)
    if not has_code and not _could_be_table(layout, plan, bytes_of(Span(start, 16))):
        return Instead(
            "data: the build holds no code",
            f'give area {plan.stored_in} the purpose "data" in the layout, or the build the code that it lacks',
        )
    if placed:
        data = bytes_of(Span(start, 4 * FIRST_INTERRUPT))
        if found := (
            _exchanged(layout, plan, data, placed, build)
            or _table_later(layout, plan, bytes_of, placed, start, build)
            or _without_stack(data, placed, build)
            or _in_other_order(layout, plan, data, placed)
        ):
            return found
    if build is None or build.symbols is None or placed is None:
        return None if _could_be_table(layout, plan, bytes_of(Span(start, 16))) else NO_TABLE
    return _code_there(build, build.symbols, placed.vector_address)


def _code_there(build: Build, symbols: SymbolTable, address: int) -> Instead | None:
    """Code that is where the table should be, and the section of vectors that is not allocated, if there is one."""
    if build.read_at_run(address, 4) is None:
        return None
    number = next((each for each, span in symbols.code_sections.items() if span.holds(address)), None)
    mark = None if number is None else symbols.mark_at(number, address)
    if mark is None or not mark[1].startswith("$t"):
        return None
    function = symbols.function_at(address)
    objects = [each for each in symbols.objects_in(Span(address, 1)) if each.kind == "object"]
    lost = (
        {each.number: each.name for each in build.sections.all() if not each.allocated}
        if build.sections
        else {}
    )
    if function is None or any(each.section_index not in lost for each in objects):
        return None
    if objects:
        name = lost[objects[0].section_index]
        return Instead(
            f"code, {function[0].name}",
            f"let section {name}, which holds {objects[0].name} and is not allocated, be stored: "
            f'in assembly, .section {name}, "a"; in a linker script, without (INFO) or (COPY)',
        )
    return Instead(
        f"code, {function[0].name}",
        "keep the vectors, which nothing refers to, first in the linker script: KEEP(*(.vectors)), by the name of "
        "their section",
    )


def _exchanged(
    layout: Layout, plan: BuildPlan, data: bytes, placed: PlacedBuild, build: Build | None
) -> Instead | None:
    """A table that has its reset handler in word 0, and its stack pointer in word 1."""
    words = struct.unpack(f"<{FIRST_INTERRUPT}I", data)
    reset, stack, *others = words
    # One that begins a word later has 0 where this one has SVCall; its reset handler may be in front of it too.
    if (
        not _begins_with(build, words, 11)
        or others[0] == reset
        or not starts_core(
            layout, plan, (stack, reset, *others), 0, Span(placed.run_start, placed.stored.size)
        )
    ):
        return None
    return Instead(
        "a table whose words 0 and 1 are exchanged",
        "put the initial stack pointer into word 0, and the reset handler into word 1",
    )


def _without_stack(data: bytes, placed: PlacedBuild, build: Build | None) -> Instead | None:
    """A table that begins with its reset handler, so that SVCall's is in word 10."""
    words = struct.unpack(f"<{FIRST_INTERRUPT}I", data)
    runs = Span(placed.run_start, placed.stored.size)
    if not _begins_with(build, words, 10) or not all(word & 1 and runs.holds(word) for word in words[:3]):
        return None
    return Instead(
        "a table without its first word",
        "put the initial stack pointer into the table, before the reset handler",
    )


def _begins_with(build: Build | None, words: Sequence[int], svcall: int) -> bool:
    """Whether word 0 is the reset handler: the file's entry point, or SVCall's is in its word, after reserved ones."""
    entry = build.entry if build else None
    if entry is None:
        return bool(words[svcall]) and not any(words[svcall - 3 : svcall])
    return words[0] | 1 == entry | 1


def _in_other_order(layout: Layout, plan: BuildPlan, data: bytes, placed: PlacedBuild) -> Instead | None:
    """A table in place by which a core could start if its bytes were in another order."""
    runs = Span(placed.run_start, placed.stored.size)
    if starts_core(layout, plan, struct.unpack("<4I", data[:16]), 0, runs, either=True):
        return None
    from gemel.inspection.byte_orders import ORDERS

    for order in ORDERS:
        if starts_core(layout, plan, struct.unpack("<4I", order.of(data[:16])), 0, runs):
            what = f"a table in another order: {order.what}"
            return Instead(what, order.next_step(f"file of build {plan.name}"))
    return None


def _table_later(
    layout: Layout,
    plan: BuildPlan,
    bytes_of: Callable[[Span], bytes],
    placed: PlacedBuild,
    start: int,
    build: Build | None,
) -> Instead | None:
    """The build's only vector table, if it is not where the layout has it but further on, at any word.

    Where the layout has it after the start of the build, it may be before that place too.
    """
    runs = Span(placed.run_start, placed.stored.size)
    declared, rest = divmod(start - placed.stored.start, 4)
    if sys.byteorder != "little" or not -MAX_WORDS <= declared < placed.stored.size // 4 - 4:
        return None
    head = struct.unpack("<4I", bytes_of(Span(start - rest, 16)))
    stack = locate(layout, (head[0] & ~3) - 1, plan.core)
    is_stack = stack is not None and stack.memory.kind == "ram"
    if starts_core(layout, plan, head, 0, runs, either=True) and (is_stack or not plan.vector_offset):
        return None
    data = bytes_of(
        Span(placed.stored.start, min(placed.stored.size, 4 * (declared + MAX_WORDS + FIRST_INTERRUPT + 1)))
    )
    words = memoryview(data[: len(data) & ~3]).cast("I")
    found = [
        index
        for index in range(min(len(words) - 4, declared + MAX_WORDS + 1))
        if words[index + 1] & words[index + 2] & words[index + 3] & 1
        and runs.start <= words[index + 1] < runs.end
        and starts_core(layout, plan, words, index, runs)
        and _reads_on(words, index, build, placed.run_start + 4 * index)
    ]
    distance = 4 * (found[0] - declared) if len(found) == 1 else 0
    if not distance or distance < -plan.vector_offset:
        return None
    if distance < 0:
        return Instead(
            f"something else, and the table {-distance:,} bytes before it",
            f"vector_offset = {plan.vector_offset + distance:#x} in [build.{plan.name}], or link the build for it",
            start + distance,
        )
    core = layout.cores[plan.core]
    aligned = distance % alignment_of(core.interrupts, core.vector_alignment) == 0
    offset = f", or give its place in the layout: vector_offset = {plan.vector_offset + distance:#x}"
    header = bytes_of(Span(start, len(ELF_START))) == ELF_START
    is_moved = not aligned and build is not None and build.kind in ("hex", "srec")
    return Instead(
        f"{'the header of the ELF file' if header else 'something else'}, and the table {distance:,} bytes after it",
        ("link with -n (--nmagic), and " if header else "")
        + ("make the file without other addresses (objcopy --change-addresses), or " if is_moved else "")
        + "place the section of the vectors first in the linker script"
        + (f"{offset} in [build.{plan.name}]" if aligned else ""),
        start + distance,
    )


def _reads_on(words: Sequence[int], index: int, build: Build | None, address: int) -> bool:
    """Whether what begins as a table goes on as one: no smaller object, and handlers or nothing in the system's words.

    Where it has the build's entry point, its further words may be anything: some programs have four vectors only.
    """
    if build and build.entry is not None and words[index + 1] | 1 == build.entry | 1:
        return True
    known = build.symbols.object_at(address) if build and build.symbols else None
    if (known and known[0].size - known[1] < 4 * FIRST_INTERRUPT) or index + FIRST_INTERRUPT > len(words):
        return False
    return all(not words[index + each] or words[index + each] & 1 for each in SYSTEM_HANDLERS)


def starts_core(
    layout: Layout, plan: BuildPlan, words: Sequence[int], index: int, runs: Span, *, either: bool = False
) -> bool:
    """Whether a core could start by a table at ``index``: a stack in RAM, and handlers in what it runs.

    ``either``: by its stack pointer or its reset handler.
    """
    located = locate(layout, (words[index] & ~3) - 1, plan.core)
    stack = located is not None and located.memory.kind == "ram"
    handlers = [bool(word & 1) and runs.holds(word) for word in words[index + 1 : index + 4]]
    return stack or handlers[0] if either else stack and all(handlers)


NO_TABLE = Instead(
    "no vector table: no stack pointer in RAM, and no handler in flash",
    "was the image made of this build, and is the area in the layout the one that it is linked for?",
)


def _could_be_table(layout: Layout, plan: BuildPlan, head: bytes) -> bool:
    """Whether any of the first four words is what it should be, of this build or another."""
    stack, *handlers = struct.unpack("<4I", head)
    if (located := locate(layout, (stack & ~3) - 1, plan.core)) and located.memory.kind == "ram":
        return True
    places = [locate(layout, word & ~1, plan.core) for word in handlers if word & 1]
    return any(place and place.memory.kind != "device" for place in places)

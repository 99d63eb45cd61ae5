"""A script for gdb: the memory of the device, the symbols of both builds, and a stop where the secondary starts."""

from __future__ import annotations

from gemel.export.from_layout.facts import refuse_same_identifiers, title
from gemel.inspection.core_regions import identifier
from gemel.layout.addresses import seen_by, starts_of
from gemel.layout.model import Layout
from gemel.layout.reader import ReadLayout
from gemel.placement.placed import has_vectors
from gemel.text.escaping import on_one_line

_RIGHTS = {"flash": "ro", "rom": "ro", "ram": "rw", "device": "rw"}


def gdb_script(read: ReadLayout, core: str) -> str:
    """Commands for gdb, by the view of one core; the ELF files are ``NAME.elf`` in the folder where gdb runs."""
    layout = read.layout
    refuse_same_identifiers(layout)
    lines = [f"# {line}" for line in title(read, "Script for gdb", core)]
    lines += [
        "#",
        "#   (gdb) source gemel.gdb",
        "#",
        "# The symbols of every build are at the addresses where its core runs them. Where each core is an inferior of",
        "# its own, source this in each. stop-at-release, given in a secondary's inferior, stops where it begins;",
        "# secondary-state shows the registers that release it.",
        "set confirm off",
        "",
        "# The device's memories: what is read-only gets hardware breakpoints. All other addresses can be read too.",
        "delete mem",
    ]
    for memory in sorted(layout.memories.values(), key=lambda memory: memory.start):
        lines.append(f"# {memory.name}")
        lines += [
            f"mem {start:#010x} {_end(start + memory.size)} {_RIGHTS[memory.kind]}"
            for start in starts_of(memory, core)
        ]
    lines += ["set mem inaccessible-by-default off", ""]
    for name, plan in layout.builds.items():
        lines += [
            f"# Build {name}, core {plan.core}.",
            f"add-symbol-file {_quoted(plan.path or f'{name}.elf')}",
        ]
    lines += ["", *_release_commands(layout, core)]
    return "\n".join(lines) + "\n"


def _quoted(file: str) -> str:
    """A file's name for gdb: in quotes, on one line."""
    escaped = on_one_line(file).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def _end(end: int) -> str:
    """The end of a region for ``mem``, which writes the end of the address space as 0."""
    return f"{end & 0xFFFF_FFFF:#010x}"


def _release_commands(layout: Layout, core: str) -> list[str]:
    lines = ["define stop-at-release"]
    for plan in layout.builds.values():
        if layout.cores[plan.core].role == "primary" or not has_vectors(layout, plan.name):
            continue
        stored = layout.span_of(plan.stored_in).start + plan.vector_offset
        handler = f"*(unsigned int *) {seen_by(layout, stored + 4, core):#010x} & ~1"
        lines += [
            f"  # The reset handler of build {plan.name}, by its stored vector table.",
            f"  set $reset_of_{identifier(plan.name)} = {handler}",
            f"  thbreak *($reset_of_{identifier(plan.name)})",
        ]
    lines += ["end", "document stop-at-release", "Stop once where a secondary core begins.", "end", ""]
    lines.append("define secondary-state")
    for secondary in layout.secondaries():
        if secondary.release:
            release = secondary.release
            lines += [
                f'  printf "{secondary.name}: vectors %#x, control %#x\\n", '
                f"*(unsigned int *) {release.vector_register:#010x}, "
                f"*(unsigned int *) {release.control_register:#010x}",
                f'  printf "  runs once control & {release.release_mask:#x} is {release.release_value:#x}\\n"',
            ]
    return [
        *lines,
        "end",
        "document secondary-state",
        "Show the registers that release each secondary core.",
        "end",
    ]

"""The constants of a layout for C and for Rust."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.export.from_layout.facts import Number, numbers, title
from gemel.inspection.core_regions import identifier
from gemel.layout.model import Layout
from gemel.layout.reader import ReadLayout


def c_header(read: ReadLayout, core: str) -> str:
    """Macros of C99, for assembler sources too, and checks that a compiler makes, by the view of one core."""
    guard = f"LAYOUT_{identifier(core).upper()}_H"
    found = list(numbers(read.layout, core))
    width = max(len(number.name) for number in found)
    lines = ["/*", *(f" * {line}" for line in title(read, "Addresses and sizes", core)), " */"]
    lines += [f"#ifndef {guard}", f"#define {guard}", ""]
    lines += [
        "/* An assembler takes no suffix. */",
        "#ifdef __ASSEMBLER__",
        "#define LAYOUT_NUMBER(value) value",
        "#else",
        "#define LAYOUT_NUMBER(value) value##u",
        "#endif",
        "",
    ]
    lines += [
        f"#define {number.name.upper():<{width}} LAYOUT_NUMBER({number.value:#010x}) /* {number.meaning} */"
        for number in found
    ]
    lines += [
        "",
        f'#define LAYOUT_SHA256 "{read.digest.hex()}"',
        "",
        "/* A size of -1 stops the compiler. */",
        "#ifndef __ASSEMBLER__",
    ]
    lines += [
        f"typedef char {guard.lower()}_check_{number}[({claim}) ? 1 : -1];"
        for number, claim in enumerate(_claims(read.layout, found), 1)
    ]
    return "\n".join([*lines, "#endif", "", "#endif", ""])


def rust_constants(read: ReadLayout, core: str) -> str:
    """Constants of Rust and checks that its compiler makes, by the view of one core; a module for ``include!``."""
    found = list(numbers(read.layout, core))
    lines = [f"// {line}" for line in title(read, "Addresses and sizes", core)]
    lines.append("")
    for number in found:
        lines += [f"/// {number.meaning[:1].upper()}{number.meaning[1:]}.", "#[allow(dead_code)]"]
        lines.append(f"pub const {number.name.upper()}: u32 = {number.value:#010x};")
    lines += ["#[allow(dead_code)]", f'pub const LAYOUT_SHA256: &str = "{read.digest.hex()}";', ""]
    lines += [f"const _: () = assert!({claim});" for claim in _claims(read.layout, found)]
    return "\n".join(lines) + "\n"


def _claims(layout: Layout, found: list[Number]) -> Iterator[str]:
    """What must hold of the constants: areas do not wrap around, and begin on whole write units."""
    names = {number.name for number in found}
    for area in layout.areas.values():
        name = identifier(area.name).upper()
        yield f"{name}_SIZE > 0 && {name}_START + ({name}_SIZE - 1) >= {name}_START"
        memory = layout.memories[area.memory]
        if f"{identifier(memory.name)}_write_unit" in names:
            yield f"{name}_START % {identifier(memory.name).upper()}_WRITE_UNIT == 0"

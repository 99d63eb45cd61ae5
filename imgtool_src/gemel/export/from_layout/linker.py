"""The memory of one core as a linker script's fragment, for GNU ld and lld alike."""

from __future__ import annotations

from gemel.export.from_layout.facts import numbers, title
from gemel.inspection.core_regions import ID_SYMBOL, regions_of
from gemel.layout.reader import ReadLayout


def linker_fragment(read: ReadLayout, core: str) -> str:
    """``MEMORY`` and symbols of a core; ``INCLUDE`` it before ``SECTIONS``."""
    regions = regions_of(read.layout, core)
    width = max((len(f"{region.name} ({region.rights})") for region in regions), default=0)
    lines = ["/*", *(f" * {line}" for line in title(read, "Linker fragment", core)), " */", "MEMORY", "{"]
    for region in regions:
        head = f"{region.name} ({region.rights})"
        note = f" /* {region.written} bytes at its end are written by the join */" if region.written else ""
        lines.append(
            f"  {head:<{width}} : ORIGIN = {region.span.start:#010x}, LENGTH = {region.span.size:#x}{note}"
        )
    lines += [
        "}",
        "",
        "/* Which description of the memory a build was linked by; gemel check compares it. */",
    ]
    for number in numbers(read.layout, core):
        if number.name == ID_SYMBOL:
            lines += [
                f"{number.name} = {number.value:#010x};",
                "",
                "/* Defined where a source refers to them. */",
            ]
        else:
            lines.append(f"PROVIDE({number.name} = {number.value:#010x}); /* {number.meaning} */")
    return "\n".join(lines) + "\n"

"""The memories as pictures, device registers as one line each."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.show.as_text.picture import PictureRow, columns_for, picture
from gemel.show.facts.contents import AreaPart, AreaUse, Contents, MemoryUse
from gemel.show.facts.used_bytes import size_of
from gemel.spans import Span, format_address
from gemel.text.numbers import counted, share, short_size
from gemel.text.styled import Line, Signs, Style, Styled, wrapped

_STYLES: dict[str, Style] = {"build": "build", "ram claim": "build", "copy": "build", "unknown": "other"}
_LABELS = {"copy": "{} copy"}


def memory_lines(contents: Contents, width: int, signs: Signs) -> list[list[Line]]:
    """One section a memory, then one for the registers and one for bytes outside all memories."""
    drawn = [memory for memory in contents.memories if _drawn(memory)]
    rows = {memory.name: _rows(memory) for memory in drawn}
    columns = columns_for([row for each in rows.values() for row in each], width)
    sections: list[list[Line]] = []
    for memory in drawn:
        lines = list(_heading(contents, memory, width))
        lines += picture(memory.span, rows[memory.name], columns, width, signs)
        if not sections:
            lines.append(legend(signs))
        lines += _largest_lines(memory, width)
        sections.append(lines)
    registers = [memory for memory in contents.memories if not _drawn(memory)]
    sections.append(_register_lines(registers))
    sections.append(list(_outside(contents)))
    return sections


def _largest_lines(memory: MemoryUse, width: int) -> Iterator[Line]:
    """For each area the largest symbols of the given builds."""
    if not any(area.largest for area in memory.areas):
        return
    from gemel.inspection.wording import in_source

    yield (Styled("largest objects and functions", "title"),)
    for area in memory.areas:
        several = len({use.build for use in area.largest}) > 1
        text = ", ".join(
            f"{in_source(use.name)} {counted(use.size, 'byte')}" + (f" of {use.build}" if several else "")
            for use in area.largest
        )
        if text:
            yield from wrapped([Styled(f"  {area.name or 'no area'}", "name"), Styled(f": {text}")], width, 4)


def legend(signs: Signs) -> Line:
    """What the cells mean."""
    free, some, most, full = signs.levels
    words = f"{full} used   {most} over half   {some} under half   {free} free   {signs.no_area} no area"
    return (Styled(words, "dim"),)


def _drawn(memory: MemoryUse) -> bool:
    """Registers are drawn only where bytes or areas are in them."""
    return memory.kind != "device" or memory.used > 0 or any(area.name for area in memory.areas)


def _heading(contents: Contents, memory: MemoryUse, width: int) -> Iterator[Line]:
    """The memory's name, size and use; then, where there is more to say, a line of that."""
    kind = "" if memory.kind in memory.name.split("-") else f" {memory.kind}"
    used = f"{counted(memory.used, 'byte')} used ({share(memory.per_cent)})"
    if not memory.all_known:
        used = f"at least {used}" if memory.used else "use not known"
    words = f": {short_size(memory.span.size)}{kind}, {used}"
    yield from wrapped([Styled(memory.name, "title"), Styled(words)], width, 2)
    more = []
    if memory.kind == "flash":
        more += [f"erase block {short_size(memory.erase_block)}"] if memory.erase_block else []
        more.append(f"write unit {counted(memory.write_unit, 'byte')}")
    if not memory.all_known:
        missing = [build.name for build in contents.builds if build.ram is None]
        more.append(f"what {' and '.join(missing)} {_verb(missing)} is not known without the ELF")
    more += [f"also at {format_address(alias)}" for alias in memory.aliases]
    more += [f"{view.core} sees it at {format_address(view.start)}" for view in memory.views]
    if more:
        yield from wrapped([Styled("  " + "; ".join(more), "dim")], width, 2)


def _verb(names: list[str]) -> str:
    return "claims" if len(names) == 1 else "claim"


def _rows(memory: MemoryUse) -> list[PictureRow]:
    rows: list[PictureRow] = []
    for area in memory.areas:
        rows.append(_area_row(memory, area))
        alone = len(area.parts) == 1 and area.parts[0].name == area.name
        rows += [] if alone else [_part_row(area, part) for part in area.parts]
    return rows


def _area_row(memory: MemoryUse, area: AreaUse) -> PictureRow:
    taken = tuple(span for part in area.parts for span in part.spans)
    if area.name is None and not area.used:
        return PictureRow("no area", area.span, (), area.span.size, area=False)
    known = memory.all_known or area.used > 0
    styles = {_STYLES.get(part.kind, "record") for part in area.parts}
    return PictureRow(
        label=area.name or "no area",
        span=area.span,
        taken=taken,
        size=area.span.size,
        used=area.used if known else None,
        per_cent=area.per_cent if known else None,
        area=area.name is not None,
        style=styles.pop() if len(styles) == 1 else "build",
    )


def _part_row(area: AreaUse, part: AreaPart) -> PictureRow:
    return PictureRow(
        label=_LABELS.get(part.kind, "{}").format(part.name),
        span=Span.from_bounds(part.spans[0].start, part.spans[-1].end),
        taken=part.spans,
        size=part.size,
        part_of=area.span,
        style=_STYLES.get(part.kind, "record"),
    )


def _register_lines(memories: list[MemoryUse]) -> list[Line]:
    if not memories:
        return []
    label = max(len(memory.name) for memory in memories)
    lines: list[Line] = [(Styled("device registers", "title"),)]
    lines += [(Styled(f"  {memory.name:<{label}}  {memory.span}"),) for memory in memories]
    return lines


def _outside(contents: Contents) -> Iterator[Line]:
    if not contents.outside:
        return
    yield (Styled("outside every memory of the layout", "title"),)
    for span in contents.outside[:8]:
        yield (Styled(f"  {span}, {counted(span.size, 'byte')}", "bad"),)
    if len(contents.outside) > 8:
        rest = contents.outside[8:]
        yield (Styled(f"  and {counted(len(rest), 'run')} more, {counted(size_of(rest), 'byte')}"),)

"""A comparison as text for a terminal: breaks first, then proofs, bytes, builds; the verdict last."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from gemel.checking.identity_forms import identity_rows
from gemel.comparing.changes import (
    BuildChange,
    Comparison,
    SectionChange,
    SharedBreak,
    SymbolChange,
    VectorChange,
)
from gemel.spans import Span, format_address, format_size
from gemel.text.numbers import counted, share
from gemel.text.wrapping import first_of, labelled_lines, wrapped

MAX_LISTED = 20
"""Lines of one list; what is left out is counted, and JSON holds all."""

MAX_SPANS = 4


def text_of(comparison: Comparison, width: int, everything: bool = False) -> list[str]:
    """The lines, ``width`` columns wide where words allow it; ``everything`` lists all that differs."""
    most = None if everything else MAX_LISTED
    parts = [
        _sides(comparison, width),
        *(_break(each, width) for each in comparison.shared_breaks),
        _proofs(comparison, width),
        _bytes(comparison, width, most),
        *(_build(build, comparison, width, most) for build in comparison.builds),
        [line for text in comparison.not_compared for line in wrapped(text, width, "not compared: ")],
        _padded(comparison, width),
        wrapped(verdict(comparison), width),
    ]
    lines: list[str] = []
    for part in (part for part in parts if part):
        lines += [*([""] if lines else []), *part]
    return lines


def verdict(comparison: Comparison) -> str:
    """What the comparison comes to, in one sentence."""
    if comparison.same:
        return "SAME: a device holds the same bytes after either image"
    size = sum(memory.bytes_changed for memory in comparison.memories)
    words = f"DIFFERENT: {counted(size, 'byte')}"
    blocks = sum(memory.changed for memory in comparison.memories)
    if all(memory.unit_known for memory in comparison.memories):
        words += f" in {counted(blocks, 'erase block')}"
    if comparison.breaks:
        breaks = counted(len(comparison.shared_breaks), "contract break")
        words += f"; {breaks}: an old and a new core must not run together"
    if comparison.rollback == "falls":
        words += "; the rollback counter falls: devices with rollback protection refuse the new image"
    return words


def _padded(comparison: Comparison, width: int) -> list[str]:
    """Why two images with the same bytes have two content digests."""
    if not comparison.same or comparison.old.image.content_sha256 == comparison.new.image.content_sha256:
        return []
    return wrapped("content digests differ: one file also holds erased bytes", width)


def _sides(comparison: Comparison, width: int) -> list[str]:
    """Each image's identity, then what both were compared by."""
    old, new = list(identity_rows(comparison.old)), list(identity_rows(comparison.new))
    common = [row for row in old if row[0] in ("layout", "tool") and row in new]
    lines: list[str] = []
    for word, ((_, heading), *rows) in (("old", old), ("new", new)):
        lines += wrapped(heading, width, f"{word}  ", 2)
        lines += labelled_lines([row for row in rows if row not in common], width)
    return [*lines, *labelled_lines(common, width)]


def _break(each: SharedBreak, width: int) -> list[str]:
    return [*wrapped(each.what, width, "BREAK  "), *(f"  {line}" for line in each.lines)]


def _proofs(comparison: Comparison, width: int) -> list[str]:
    lines: list[str] = []
    for change in comparison.fields:
        text = f"{change.field}: {_short(change.old) or 'none'} -> {_short(change.new) or 'none'}"
        lines += wrapped(text, width, "  ", 2)
    if comparison.rollback == "falls":
        lines.append("  the rollback counter FALLS")
    for signer in comparison.signers:
        lines += wrapped(
            f"signer {signer.change}: {signer.algorithm} key {signer.key.hex()[:16]}...", width, "  ", 2
        )
    return ["record and seal", *lines] if lines else []


def _short(value: str) -> str:
    return f"{value[:16]}..." if len(value) > 40 and " " not in value else value


def _bytes(comparison: Comparison, width: int, most: int | None) -> list[str]:
    lines: list[str] = []
    for memory in comparison.memories:
        if not memory.changed:
            continue
        name = f"memory {memory.memory}" if memory.memory else "file"
        per_cent = share(100 * memory.changed / memory.blocks)
        blocks = (
            counted(memory.changed, "erase block")
            if memory.unit_known
            else f"{counted(memory.changed, 'block')} of {memory.unit:,} bytes"
        )
        text = (
            f"{name}: {blocks} of {memory.blocks} to program ({per_cent}), "
            f"{counted(memory.bytes_changed, 'byte')} {_differ(memory.bytes_changed)}: {_spans(memory.spans, most)}"
        )
        lines += wrapped(text, width, "  ", 2)
    elsewhere = "outside all areas" if comparison.new.layout else ""
    for area in comparison.areas:
        name = f"area {area.area}" if area.area else elsewhere or str(area.span)
        where = f"{format_address(area.first)}..{format_address(area.last)}"
        count = f"{area.bytes_changed:,} of {format_size(area.span.size)}"
        text = f"{name}: {count} {_differ(area.bytes_changed)}, in {where}"
        lines += wrapped(text, width, "  ", 2)
    return ["bytes", *lines] if lines else []


def _differ(count: int) -> str:
    return "differs" if count == 1 else "differ"


def _spans(spans: Sequence[Span], most: int | None) -> str:
    return first_of(spans, len(spans) if most is None else MAX_SPANS)


def _build(build: BuildChange, comparison: Comparison, width: int, most: int | None) -> list[str]:
    vectors = [each for each in comparison.vectors if each.build == build.build]
    lines = wrapped(f"{build.build}: {stored_words(build)}", width, "build ", 2)
    if build.same_bytes and not (build.sections or build.symbols or build.moved or vectors):
        return lines
    if build.not_compared:
        lines += wrapped(f"sections and symbols not compared: {build.not_compared}", width, "  ", 2)
    for section in build.sections:
        sizes = f", {_sizes(section.old_size, section.new_size)}"
        if section.change == "moved" or section.old_size == section.new_size:
            sizes = ""
        lines += wrapped(f"section {section.name} {section_words(section)}{sizes}", width, "  ", 2)
    lines += _listed([_symbol(symbol) for symbol in build.symbols], width, most)
    if build.moved:
        lines += wrapped(moved_words(build), width, "  ", 2)
    lines += _listed([_vector(vector) for vector in vectors], width, most)
    return lines


def _listed(texts: Sequence[str], width: int, most: int | None) -> Iterator[str]:
    shown = texts if most is None else texts[:most]
    for text in shown:
        yield from wrapped(text, width, "  ", 2)
    if len(shown) < len(texts):
        yield f"  and {len(texts) - len(shown):,} more: --all lists them"


def moved_words(build: BuildChange) -> str:
    """How many symbols only moved, and by how much; one sentence however many they are."""
    groups = ", ".join(f"{group.count} by {group.distance:+,}" for group in build.moved[:MAX_SPANS])
    more = len(build.moved) - MAX_SPANS
    total = sum(group.count for group in build.moved)
    tail = f" and {more} other distances" if more > 0 else ""
    return f"only moved: {counted(total, 'symbol')} ({groups}{tail})"


def stored_words(build: BuildChange) -> str:
    """What became of a build's stored bytes: the same, of another size, moved, added, removed."""
    old, new = build.old_stored, build.new_stored
    if old is None or new is None:
        return "in neither image" if old is new else "added" if old is None else "removed"
    words = "the same bytes" if build.same_bytes else _sizes(old.size, new.size)
    return words if old.start == new.start else f"{words}, moved from {old} to {new}"


def _sizes(old: int, new: int) -> str:
    if old == new:
        return f"still {new:,} bytes, not all the same"
    return f"{old:,} -> {new:,} bytes ({new - old:+,})"


def section_words(section: SectionChange) -> str:
    """What became of a section."""
    if section.change != "changed":
        return section.change
    return "has other bytes" if section.old_size == section.new_size else "has another size"


def _symbol(symbol: SymbolChange) -> str:
    sizes = (
        f"{symbol.new_size:,} bytes"
        if symbol.change == "changed"
        else _sizes(symbol.old_size, symbol.new_size)
    )
    if symbol.change in ("added", "removed"):
        sizes = f"{max(symbol.old_size, symbol.new_size):,} bytes"
    return f"{symbol.change} {symbol.kind} {symbol.name}, {sizes}"


def _vector(vector: VectorChange) -> str:
    number = str(vector.first) if vector.first == vector.last else f"{vector.first}-{vector.last}"
    old, new = (
        f"{format_address(word)} ({symbol})" if symbol else format_address(word)
        for word, symbol in ((vector.old, vector.old_symbol), (vector.new, vector.new_symbol))
    )
    return f"vector {number} {vector.name}: {old} -> {new}"

"""Answers as text for a terminal."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.lookup.build_names import name_text
from gemel.lookup.facts import AddressFacts, Answer, Hit, SeenAt, SymbolDefinition, SymbolFacts, View
from gemel.spans import format_address, format_size
from gemel.text.demangled import demangled
from gemel.text.wrapping import wrapped

HEX_DIGITS = 8
"""Digits of an address without 0x in front: fewer are read as a decimal number."""

MIN_ADDRESS_DIGITS = 4
"""Digits from which on a decimal number may have been meant as an address without 0x."""


def text_of(answer: Answer, width: int) -> list[str]:
    """The lines of one answer, ``width`` columns wide where words allow it."""
    lines = _address_lines(answer) if isinstance(answer, AddressFacts) else _symbol_lines(answer)
    return [line for head, text in lines for line in wrapped(text, width, head, 2)]


def _address_lines(facts: AddressFacts) -> Iterator[tuple[str, str]]:
    decimal = facts.query.isdigit() and len(facts.query) < HEX_DIGITS
    yield "", format_address(facts.address) + (f", {facts.query} in decimal" if decimal else "")
    if decimal and len(facts.query) >= MIN_ADDRESS_DIGITS:
        yield "  ", f"write 0x{facts.query} if these digits are hexadecimal"
    column = max(len(view.core) for view in facts.views)
    previous: View | None = None
    for view in facts.views:
        head = f"  {view.core:<{column}}  "
        if previous is not None and _same(previous, view):
            yield head, "the same"
            continue
        previous = view
        yield head, _place(view, facts.meaning)
        for hit in view.hits:
            yield " " * len(head), _hit(hit, view)


def _same(first: View, second: View) -> bool:
    return (first.memory, first.area, first.hits) == (second.memory, second.area, second.hits)


def _place(view: View, meaning: str) -> str:
    if not view.memory:
        return "by its own ELF file" if view.hits else meaning or "outside all memories"
    words = [
        f"memory {view.memory}{'' if view.kind in view.memory.lower() else f' ({view.kind})'}",
        f"area {view.area}" if view.area else "outside all areas",
    ]
    if view.also_at:
        words.append(f"also at {', '.join(map(format_address, view.also_at))}")
    if view.word is not None:
        words.append(f"the image's word there is {format_address(view.word)}")
    if meaning:
        words.append(meaning)
    return ", ".join(words)


def _hit(hit: Hit, view: View) -> str:
    name = name_text(demangled(hit.symbol), hit.offset, hit.source) if hit.symbol else "no symbol"
    size = f" ({format_size(hit.size)})" if hit.size else ""
    section = f", section {hit.section}" if hit.section else ""
    if hit.use == "stored":
        run = format_address(hit.run_address)
        return f"build {hit.build}: stored bytes of {name}{size}{section}; core {hit.core} uses them at {run}"
    at = (
        ""
        if hit.run_address == view.address
        else f"; core {hit.core} finds it at {format_address(hit.run_address)}"
    )
    return f"build {hit.build}: {name}{size}{section}{at}"


def _symbol_lines(facts: SymbolFacts) -> Iterator[tuple[str, str]]:
    yield "", facts.query
    column = max(
        [len(use.core) for use in facts.uses] + [len(seen.core) for use in facts.uses for seen in use.seen]
    )
    for use in facts.uses:
        yield f"  {use.core:<{column}}  ", f"{format_address(use.run_address)}, {_definition(use)}"
        for seen in use.seen:
            yield f"  {seen.core:<{column}}  ", _seen(seen, use)
        if use.stored_at is not None and use.stored_at != use.run_address:
            yield f"  {'':<{column}}  ", f"its bytes are stored at {format_address(use.stored_at)}"


def _seen(seen: SeenAt, use: SymbolDefinition) -> str:
    if seen.address is None:
        return "does not see it"
    return (
        "sees it there" if seen.address == use.run_address else f"sees it at {format_address(seen.address)}"
    )


def _definition(use: SymbolDefinition) -> str:
    words = [f"{use.binding} {use.kind} of build {use.build}"]
    words += [format_size(use.size)] if use.size else []
    words += [f"section {use.section}"] if use.section else []
    return ", ".join([*words, use.source] if use.source else words)

"""The reference of the layout language, made from the model's own declarations."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import chain

from gemel.layout.kinds import REQUIRED, Key, ValueType
from gemel.layout.model import Layout
from gemel.layout.tables import Either, ListOf, MapOf, Table
from gemel.structs import NamedTuple
from gemel.text.templates import template_text
from gemel.text.wrapping import wrapped

WIDTH = 80
"""Columns of the reference."""


SCHEMA_FILE = "gemel.schema.json"
"""What a layout's first line names for editors."""


class Example(NamedTuple):
    """A description of a device: what it is, and lines of the layout, first the heading of the table that they show."""

    title: str
    text: str

    def shows(self, heading: str) -> bool:
        """Whether it is of the table with that heading, which has NAME for a name."""
        return self.text.partition("\n")[0].rpartition(".")[2] == heading.rpartition(".")[2]


def device_examples() -> list[Example]:
    """One for each kind of device that start-up code commonly waits for.

    ``tests/rehearse/test_device_examples.py`` reads each of them and runs a program that uses the device.
    """
    blocks = template_text("gemel.layout", "device_examples.toml").rstrip().split("\n\n")
    return [
        Example(title.removeprefix("# "), text)
        for title, _, text in (each.partition("\n") for each in blocks)
    ]


def layout_reference() -> str:
    """Every table and key as text: what it takes, what it means, and its default."""
    return reference(
        "The layout language, format 1",
        Table(Layout),
        device_examples(),
        editors("layout", "schema", SCHEMA_FILE),
    )


def editors(what: str, export: str, file: str) -> str:
    """How editors of TOML come to know the keys of ``what``: a comment in it, and an export next to it."""
    return (
        f"Editors of TOML complete and check a {what} that begins with the line #:schema ./{file} once "
        f"gemel export {export} -o {file} has written that file next to it."
    )


def reference(heading: str, whole: Table, examples: Sequence[Example] = (), before: str = "") -> str:
    """Every table and key of ``whole``, a file's, each table with its examples, after ``before``."""
    lines = [heading, "", *([*wrapped(before, WIDTH), ""] if before else [])]
    for title, table in _tables("", whole):
        lines += [title, "-" * len(title)]
        for name, (_, key) in table.keys.items():
            lines += _key_lines(name, key, table.exactly_one)
        for example in examples:
            if example.shows(title):
                lines += ["", *wrapped(f"Example: {example.title}", WIDTH, "  ")]
                lines += [f"    {line}" for line in example.text.splitlines()]
        lines.append("")
    return "\n".join(lines)


def tables_with(whole: Table, name: str) -> list[str]:
    """The heads of those tables of ``whole`` that have a key ``name``, each with that key."""
    lines = []
    for title, table in _tables("", whole):
        if name in table.keys:
            lines += [title, *_key_lines(name, table.keys[name][1], table.exactly_one), ""]
    return lines


def _tables(title: str, table: Table) -> Iterator[tuple[str, Table]]:
    """The table and all below it, each with its header as the file writes it; each model once."""
    seen: set[type] = set()
    waiting = [(title, table)]
    while waiting:
        header, current = waiting.pop(0)
        if current.model in seen:
            continue
        seen.add(current.model)
        yield header or "top of the file", current
        inner = [_inner(header.strip("[]"), name, key.kind) for name, (_, key) in current.keys.items()]
        waiting = [*chain.from_iterable(inner), *waiting]


def _inner(parent: str, name: str, kind: ValueType) -> list[tuple[str, Table]]:
    path = f"{parent}.{name}" if parent else name
    if isinstance(kind, Table):
        return [(f"[{path}]", kind)]
    if isinstance(kind, MapOf) and isinstance(kind.item, Table):
        return [(f"[{path}.NAME]", kind.item)]
    if isinstance(kind, ListOf) and isinstance(kind.item, Table):
        return [(f"[[{path}]]", kind.item)]
    choices = kind.item if isinstance(kind, ListOf) else kind
    if isinstance(choices, Either):
        tables = [each for each in choices.kinds if isinstance(each, Table)]
        return [(f"{path} = {{ {next(iter(each.keys))} ... }}", each) for each in tables]
    return []


def _key_lines(name: str, key: Key, one_of_all: bool) -> list[str]:
    if one_of_all:
        default = "one of these"
    elif key.default is REQUIRED:
        default = "required"
    elif key.default in (None, (), {}) or not isinstance(key.default, int | str | bool):
        default = "optional"
    else:
        default = f"default {_as_written(key.default, key.kind)}"
    head = f"{f'  {name:<17} {default};':<39} {key.meaning}"
    return [*wrapped(head, WIDTH, indent=40), *wrapped(key.kind.label, WIDTH, " " * 20)]


def _as_written(default: int | str | bool, kind: ValueType) -> str:
    if isinstance(default, bool):
        return "true" if default else "false"
    if isinstance(default, str):
        return f'"{default}"'
    return f"0x{default:X}" if kind.hexadecimal and default > 0xF else f"{default:_}"

"""The templates of what is exported from a layout: each has the name of the file that it becomes.

A value is escaped for a comment of any language where a template puts it in, so that none can be forgotten; what gdb
takes as a string goes through the filter ``quoted``.
"""

from __future__ import annotations

from collections.abc import Iterable

from gemel.export.from_layout.facts import claims, numbers, refuse_same_identifiers
from gemel.inspection.cores.regions import identifier, regions_of
from gemel.layout.addresses import seen_by, starts_of
from gemel.layout.reader import ReadLayout
from gemel.placement.placed import has_vectors
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

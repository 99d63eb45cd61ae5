"""Where findings are, for a SARIF log: addresses in the device's memories and areas, lines of the layout.

``run.addresses`` (SARIF 2.1.0, section 3.14, property ``addresses``; 3.32, address object) holds every memory
of the layout that has a place of its own, then every area as a child of its memory.  An address of a finding
points at the innermost of them as its parent.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from gemel.inspection.wording import place_words
from gemel.layout.kinds import KeyPath
from gemel.layout.model import Layout, Waiver
from gemel.layout.positions import lines_of
from gemel.layout.reader import ReadLayout
from gemel.spans import Span


class Addresses:
    """The cached addresses of one run: memories, then areas."""

    def __init__(self, layout: Layout) -> None:
        """Lay out the objects of ``run.addresses``."""
        self._spans = [memory.span for memory in layout.memories.values()]
        self.objects: list[dict[str, Any]] = [
            {
                "index": index,
                "absoluteAddress": memory.start,
                "length": memory.size,
                "kind": "segment",
                "name": memory.name,
                "fullyQualifiedName": memory.words,
            }
            for index, memory in enumerate(layout.memories.values())
        ]
        memories = list(layout.memories)
        for area in layout.areas.values():
            span = layout.span_of(area.name)
            self._spans.append(span)
            self.objects.append(
                {
                    "index": len(self.objects),
                    "absoluteAddress": span.start,
                    "length": span.size,
                    "offsetFromParent": area.offset,
                    "kind": "section",
                    "name": area.name,
                    "fullyQualifiedName": f"{area.memory}/{area.name} ({area.purpose})",
                    "parentIndex": memories.index(area.memory),
                }
            )

    def of(self, span: Span) -> dict[str, Any]:
        """The address object of ``span``, in the last (innermost) memory or area that covers it whole."""
        address: dict[str, Any] = {
            "absoluteAddress": span.start,
            "length": span.size,
            "fullyQualifiedName": place_words(span),
        }
        if parents := [index for index, outer in enumerate(self._spans) if outer.covers(span)]:
            address["parentIndex"] = parents[-1]
            address["offsetFromParent"] = span.start - self._spans[parents[-1]].start
        return address


class LayoutLines:
    """Lines of the layout file at which what findings name is declared."""

    def __init__(self, read: ReadLayout, names: Iterable[str]) -> None:
        """Look up every declaration of ``names`` and every waiver, in one walk over the text."""
        layout = read.layout
        declared = {name: _declarations(layout, name) for name in dict.fromkeys(names)}
        waivers: list[KeyPath] = [("rules", "waive", index) for index in range(len(layout.rules.waive))]
        paths = [path for found in declared.values() for path in found] + waivers
        lines = dict(zip(paths, lines_of(read.text, paths), strict=True))
        self._declared = {
            name: [(f"{path[0]} {name}", lines[path]) for path in found] for name, found in declared.items()
        }
        self._waivers = {
            waiver: lines[path] for waiver, path in zip(layout.rules.waive, waivers, strict=True)
        }

    def of(self, name: str) -> list[tuple[str, int]]:
        """``("area sampler-code", 61)`` for each declaration of ``name``."""
        return self._declared.get(name, [])

    def first_of(self, names: Iterable[str]) -> int:
        """The line at which the first of ``names`` is declared that has a declaration; 1 where none has.

        A build goes before what else has its name, such as its core.
        """
        found = [sorted(self.of(name), key=lambda pair: not pair[0].startswith("build ")) for name in names]
        return next((line for pairs in found for _, line in pairs), 1)

    def of_waiver(self, waiver: Waiver) -> int:
        """The line of a waiver of this layout; of two that are equal the last one's."""
        return self._waivers[waiver]


def _declarations(layout: Layout, name: str) -> list[KeyPath]:
    tables: dict[str, dict[str, Any]] = {
        "memory": layout.memories,
        "core": layout.cores,
        "area": layout.areas,
        "build": layout.builds,
        "contract": layout.contracts,
    }
    found: list[KeyPath] = [(table, name) for table, entries in tables.items() if name in entries]
    found += [("stamp", index) for index, stamp in enumerate(layout.stamps) if stamp.name == name]
    found += [("checksum", index) for index, each in enumerate(layout.checksums) if each.name == name]
    return found

"""Bytes of an image in another order or at another place: what is said of them, and what says so of the whole image."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gemel.inspection.inspection import Inspection
from gemel.spans import Span
from gemel.structs import NamedTuple

if TYPE_CHECKING:
    from gemel.inspection.altered.text_conversions import Conversion


WINDOW = 256
"""Bytes from the first deviation on that are looked for."""

FURTHEST = 4096
"""How far from their place bytes are looked for."""


class Disorder(NamedTuple):
    """Where the order is lost, how, what is found there, and what to do."""

    where: str
    what: str
    found: str
    expected: str
    span: Span
    next_step: str


def as_text(inspection: Inspection) -> Disorder | None:
    """By what a conversion of text leaves of a build's bytes, or of any code, where these are not as they should be."""
    from gemel.inspection.altered.text_conversions import conversion

    found = conversion(inspection)
    return conversion_of(inspection, found) if found else None


def by_line(inspection: Inspection) -> Disorder | None:
    """By address or data lines that read the same all over."""
    from gemel.inspection.altered.stuck_lines import stuck_line

    found = stuck_line(inspection)
    return found and Disorder(
        "the image",
        found[0],
        found[1],
        "the bytes of the builds",
        inspection.image.bounds() or Span(0, 1),
        "read or transfer the image again: a contact of the programmer, its socket or its cable may be open",
    )


def conversion_of(inspection: Inspection, found: Conversion) -> Disorder:
    """What is said of a file that was converted as text."""
    return Disorder(
        "the image",
        f"the image {found.what}",
        found.found,
        "any byte anywhere, as in a binary",
        inspection.image.bounds() or Span(0, 1),
        "transfer the file again as binary; in git, mark it as binary in .gitattributes",
    )


def shifted(distance: int, found: str) -> tuple[str, str, str]:
    """What is said of bytes at a distance from their place: what is wrong, what was found, the next step."""
    side = "higher" if distance > 0 else "lower"
    amount = f"{abs(distance):,}" if abs(distance) < 4096 else f"0x{abs(distance):X}"
    return (
        f"all bytes are {amount} too {side.removesuffix('er')}",
        found,
        f"move them {amount} bytes {'down' if distance > 0 else 'up'}: was the binary read at the right address "
        "(--at), or a header added or removed?",
    )

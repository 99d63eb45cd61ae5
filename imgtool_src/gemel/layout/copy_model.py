"""Who copies a build to where it runs, and by which constants in its code."""

from __future__ import annotations

from gemel.layout.kinds import Size, Text, key
from gemel.layout.tables import NAME
from gemel.structs import Struct


class CopiedBy(Struct, kw_only=True):
    """The constants by which the primary copies a build; at least one of the three symbols.

    Each names a 32-bit constant in the stored bytes of ``build``, or an absolute symbol of its linker
    script whose value is meant.
    """

    build: str = key(NAME, "the primary's build that copies it")
    source: str | None = key(Text(512), "symbol of the constant with the address it is stored at", None)
    destination: str | None = key(Text(512), "symbol of the constant with the address it is copied to", None)
    length: str | None = key(Text(512), "symbol of the constant with the length copied", None)
    unit: int = key(Size(), "bytes that the length counts by: 4 for words", 1)

    @property
    def symbols(self) -> tuple[tuple[str, str], ...]:
        """Key and symbol of each constant that is named."""
        named = (("source", self.source), ("destination", self.destination), ("length", self.length))
        return tuple((key_name, symbol) for key_name, symbol in named if symbol)

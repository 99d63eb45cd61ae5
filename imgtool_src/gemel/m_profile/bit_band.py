"""The bit-band aliases of Armv7-M: a word at each address there is one bit of RAM or of a device register.

Of each region the first MiB has an alias of 32 MiB: 0x2000_0000 at 0x2200_0000 and 0x4000_0000 at 0x4200_0000
(Armv7-M, optional in the core; from memory).
"""

from __future__ import annotations

from gemel.spans import Span

ARCHITECTURES = ("armv7-m", "armv7e-m")
"""Those whose cores may have bit-band regions."""

ALIASES = ((0x2200_0000, 0x2000_0000), (0x4200_0000, 0x4000_0000))
"""Where each alias starts, and the region that it is of."""

ALIAS_SIZE = 32 << 20


def of_bit_band_alias(architecture: str, span: Span) -> Span | None:
    """The bytes whose bits a span of an alias stands for; None if it is in none."""
    for alias, region in ALIASES if architecture in ARCHITECTURES else ():
        if Span(alias, ALIAS_SIZE).covers(span) and span.size:
            return Span.from_bounds(region + (span.start - alias >> 5), region + (span.last - alias >> 5) + 1)
    return None


def alias_of(architecture: str, span: Span) -> Span | None:
    """The words of an alias that stand for the bits of a span, as far as it is in a region; None if it is in none."""
    for alias, region in ALIASES if architecture in ARCHITECTURES else ():
        bits = span.intersection(Span(region, ALIAS_SIZE >> 5))
        if bits.size:
            return Span(alias + (bits.start - region << 5), bits.size << 5)
    return None


def aliases_of_bits(address: int) -> tuple[Span, ...]:
    """The words of an alias that stand for the bits of a word, whatever the core; none outside of the regions."""
    return tuple(
        Span(alias + (address - region << 5), 4 * 32)
        for alias, region in ALIASES
        if region <= address < region + (ALIAS_SIZE >> 5)
    )

"""What ``join`` and ``sign`` say about a seal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gemel.text.wrapping import wrapped

if TYPE_CHECKING:
    from gemel.layout.model import Layout
    from gemel.seals.seal import Seal

NOT_SEALED = (
    "NOT SEALED: nothing shows who made this image, and devices that require a seal refuse it;"
    " seal it with: gemel"
)


def unsealed_lines(width: int, command: str = "sign") -> list[str]:
    """What is said of an image without a seal, ``width`` columns wide; ``command`` is the one that seals it."""
    return wrapped(f"{NOT_SEALED} {command}", width, indent=2)


def missing_lines(layout: Layout, seal: Seal, width: int) -> list[str]:
    """What is said of a seal that lacks signers, ``width`` columns wide; nothing of one that has all."""
    from gemel.seals.demands import demanded_words, missing_signers

    if layout.seal is None:
        return []
    missing = missing_signers(layout.seal, [signer.algorithm for signer in seal.signers])
    if not missing:
        return []
    words = f"the layout demands {demanded_words(layout.seal)}; missing {', '.join(missing)}"
    return wrapped(f"NOT ENOUGH SIGNERS YET: {words}; add them with: gemel sign --add", width, indent=2)


def seal_lines(layout: Layout, seal: Seal) -> list[str]:
    """What is noted down of a seal: its size, and each signer's algorithm and key."""
    from gemel.spans import format_size

    area = format_size(layout.span_of(layout.seal.area).size) if layout.seal else ""
    signers = "1 signer" if len(seal.signers) == 1 else f"{len(seal.signers)} signers"
    lines = [f"seal: {signers}, {seal.size:,} bytes of {area}"]
    for signer in seal.signers:
        lines += [f"  {signer.algorithm.name}", f"    key {signer.key_fingerprint.hex()}"]
    return lines

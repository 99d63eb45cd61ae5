"""What ``join`` and ``sign`` say about a seal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gemel.text.escaping import in_shell
from gemel.text.wrapping import wrapped

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from gemel.files.paths import FilePath
    from gemel.layout.model import Layout
    from gemel.seals.seal import Seal

NOT_SEALED = (
    "NOT SEALED: nothing shows who made this image, and devices that require a seal refuse it; seal it with:"
)
KEY = "KEY.pem"
"""What stands for the key in a command that is printed."""


def unsealed_lines(width: int, command: str) -> list[str]:
    """What is said of an image without a seal, ``width`` columns wide; ``command`` is the one that seals it."""
    return [*wrapped(NOT_SEALED, width, indent=2), f"  {command}"]


def sign_command(
    layout: FilePath, outputs: Sequence[FilePath], options: Mapping[str, object], *, add: bool = False
) -> str:
    """The command that signs the first of ``outputs``; ``options`` of the run that made it apply to it too."""
    image = next((each for each in outputs if str(each) != "-"), None)
    given = [word for name, value in options.items() if value is not None for word in (name, value)]
    words = ("gemel", "sign", layout, image or "IMAGE", *given, *(["--add"] if add else []))
    return in_shell(*words, "--key", KEY, "-o", f"SEALED{image.suffix if image else ''}")


def missing_lines(layout: Layout, seal: Seal, width: int, command: str) -> list[str]:
    """What is said of a seal that lacks signers, ``command`` adds them; nothing of one that has all."""
    from gemel.seals.demands import demanded_words, missing_signers

    if layout.seal is None:
        return []
    missing = missing_signers(layout.seal, [signer.algorithm for signer in seal.signers])
    if not missing:
        return []
    words = f"the layout demands {demanded_words(layout.seal)}; missing {', '.join(missing)}"
    lines = wrapped(f"NOT ENOUGH SIGNERS YET: {words}; add them with:", width, indent=2)
    return [*lines, f"  {command}"]


def seal_lines(layout: Layout, seal: Seal) -> list[str]:
    """What is noted down of a seal: its size, and each signer's algorithm and key."""
    from gemel.spans import format_size

    area = format_size(layout.span_of(layout.seal.area).size) if layout.seal else ""
    signers = "1 signer" if len(seal.signers) == 1 else f"{len(seal.signers)} signers"
    lines = [f"seal: {signers}, {seal.size:,} bytes of {area}"]
    for signer in seal.signers:
        lines += [f"  {signer.algorithm.name}", f"    key {signer.key_fingerprint.hex()}"]
    return lines

"""What ``join`` and ``sign`` share: when a seal is due, the check around it, and what is said about it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gemel.cli.keys_at_hand import KeysAtHand
from gemel.errors import JoinRefused, Problem, UsageProblem

if TYPE_CHECKING:
    from gemel.check.rule import Rule
    from gemel.integrity.seal import Seal
    from gemel.layout.model import Layout

SEAL_RULES = "seal-"
"""What the names of the rules about the seal begin with."""

NOT_SEALED = (
    "  NOT SEALED: nobody can tell whose image this is, and no device that demands a seal will take it;\n"
    "  seal it with: gemel sign"
)


def refuse_unsealable(layout: Layout, keys: KeysAtHand, leave_unsealed: bool) -> None:
    """Hold the wish to seal, or not to, against the layout, before anything is asked for or signed.

    Raises JoinRefused where a seal is required and no key is given, UsageProblem for wishes that cannot be,
    SealError where the area is too small for what is known of the keys.
    """
    if keys and leave_unsealed:
        found = "--key and --leave-unsealed"
        raise UsageProblem(Problem("an image is sealed or left unsealed", "", found, "one of them"))
    if keys:
        from gemel.join.sealing import check_sealable

        check_sealable(layout, keys.known_algorithms)
    elif layout.seal and layout.seal.required and not leave_unsealed:
        what = "the layout requires a seal, and no key is given; nothing was written"
        step = "give --key KEY, or --leave-unsealed and seal the image later with gemel sign"
        raise JoinRefused(Problem(what, "seal", "no --key", "a key (required = true in [seal])", step))


def rules_without_seal() -> list[Rule]:
    """Every rule that an image must keep before it has its seal."""
    from gemel.check.registry import all_rules

    return [rule for rule in all_rules() if not rule.name.startswith(SEAL_RULES)]


def seal_lines(layout: Layout, seal: Seal) -> list[str]:
    """What is noted down of a seal: its size, and each signer's algorithm and key."""
    from gemel.spans import format_size

    area = format_size(layout.span_of(layout.seal.area).size) if layout.seal else ""
    signers = "1 signer" if len(seal.signers) == 1 else f"{len(seal.signers)} signers"
    width = max(len(signer.algorithm.name) for signer in seal.signers)
    lines = [f"  seal: {signers}, {seal.size:,} bytes of {area}"]
    for signer in seal.signers:
        lines.append(f"    {signer.algorithm.name:<{width}}  key {signer.key_fingerprint.hex()}")
    return lines

"""What ``join`` and ``sign`` share: when a seal is due, the check around it, and what is said about it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gemel.cli.signing.key_options import KeysAtHand
from gemel.errors import Problem, UsageProblem

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gemel.check.rule import Rule
    from gemel.image.sparse import SparseBytes
    from gemel.layout.model import Layout
    from gemel.seal.keys.keys import Signer
    from gemel.seal.seal import Seal

MORE_KEYS = "give further keys with --key, or --leave-unsealed and collect signatures with gemel sign"
"""What to do where ``join`` has too few keys."""

MORE_SIGNERS = "give them too, keep those that the image has with --add, or say --more-to-come"
"""What to do where ``sign`` has too few signers."""

SUFFICIENT = "seal-signers-sufficient"
"""The rule that a seal breaks as long as further signers are due."""

NOT_SEALED = (
    "  NOT SEALED: nobody can tell whose image this is, and no device that demands\n"
    "  a seal will take it; seal it with: gemel sign"
)


def refuse_unsealable(layout: Layout, keys: KeysAtHand, leave_unsealed: bool) -> None:
    """Hold the wish to seal, or not to, against the layout, before anything is asked for or signed.

    Raises UsageProblem for wishes that cannot be, and where a seal is required and no key is given or too
    few; SealError where the area is too small for what is known of the keys.
    """
    if keys and leave_unsealed:
        found = "--key and --leave-unsealed"
        raise UsageProblem(Problem("an image is sealed or left unsealed", "", found, "one of them"))
    if keys:
        from gemel.seal.demands import demanded_words, least_signers
        from gemel.seal.sealing import check_sealable

        plan = check_sealable(layout, keys.known_algorithms)
        if len(keys) < least_signers(plan):
            what, found = "fewer keys than the layout demands signers", f"{len(keys)} --key"
            raise UsageProblem(Problem(what, "seal", found, demanded_words(plan), MORE_KEYS))
    elif layout.seal and layout.seal.required and not leave_unsealed:
        what = "the layout requires a seal, and no key is given"
        step = "give --key KEY, or --leave-unsealed and seal the image later with gemel sign"
        raise UsageProblem(Problem(what, "seal", "no --key", "a key (required = true in [seal])", step))


def sealed_with(layout: Layout, image: SparseBytes, signers: Sequence[Signer]) -> Seal:
    """Seal ``image`` with signers enough for the layout; raises as ``seal`` and ``refuse_too_few``."""
    from gemel.seal.sealing import refuse_too_few, seal, sealed_plan

    refuse_too_few(sealed_plan(layout), [signer.algorithm for signer in signers], MORE_KEYS)
    return seal(layout, image, signers)


def rules_without_seal() -> list[Rule]:
    """Every rule that an image must keep before it has its seal."""
    from gemel.check.registry import all_rules
    from gemel.seal.demands import SEAL_RULES

    return [rule for rule in all_rules() if not rule.name.startswith(SEAL_RULES)]


def rules_of_a_part() -> list[Rule]:
    """Every rule that an image must keep while further signers of its seal are due."""
    from gemel.check.registry import all_rules

    return [rule for rule in all_rules() if rule.name != SUFFICIENT]


def missing_lines(layout: Layout, seal: Seal) -> list[str]:
    """What is said of a seal that lacks signers; nothing of one that has all."""
    from gemel.seal.demands import demanded_words, missing_signers

    if layout.seal is None:
        return []
    missing = missing_signers(layout.seal, [signer.algorithm for signer in seal.signers])
    if not missing:
        return []
    return [
        f"  NOT ENOUGH SIGNERS YET: the layout demands {demanded_words(layout.seal)};",
        f"  missing {', '.join(missing)}; add them with: gemel sign --add",
    ]


def seal_lines(layout: Layout, seal: Seal) -> list[str]:
    """What is noted down of a seal: its size, and each signer's algorithm and key."""
    from gemel.spans import format_size

    area = format_size(layout.span_of(layout.seal.area).size) if layout.seal else ""
    signers = "1 signer" if len(seal.signers) == 1 else f"{len(seal.signers)} signers"
    lines = [f"  seal: {signers}, {seal.size:,} bytes of {area}"]
    for signer in seal.signers:
        lines += [f"    {signer.algorithm.name}", f"      key {signer.key_fingerprint.hex()}"]
    return lines

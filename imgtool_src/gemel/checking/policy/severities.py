"""Changes of a rule's severity that a layout may not make: faults of the layout, reported when it is read.

Who makes an error a warning takes images that break the rule, so a reason is always due and every report
shows the change.  The rules about the seal and the rollback counter stay what they are, and where the layout
requires a seal every rule that guards the image (``Rule.guards``): what they guard against is somebody else's
image, and no reason written into a layout can know that one.
"""

from __future__ import annotations

from collections.abc import Iterator

from gemel.checking.registry import rule_named, rule_names
from gemel.checking.rule import Rule
from gemel.errors import nearest_hint
from gemel.layout.kinds import KeyPath, LayoutFault
from gemel.layout.model import Layout, SeverityChange

KEPT = {
    "seal-": "to take images without a sound seal, set required = false in [seal]",
    "rollback-": "take the image that is new enough, or leave the lower limit out",
}
"""What the names of rules begin with that no layout makes count for less, and what to do instead."""

WEIGHTS = {"note": 0, "warning": 1, "error": 2}


def severity_faults(layout: Layout) -> Iterator[LayoutFault]:
    """Unknown rules, rules named twice, and rules that must stay errors; a check of ``read_layout``."""
    known = rule_names() if layout.rules.severity else []
    seen: set[str] = set()
    for index, change in enumerate(layout.rules.severity):
        path = ("rules", "severity", index)
        if change.rule not in known:
            yield LayoutFault(
                (*path, "rule"),
                "unknown rule",
                found=change.rule,
                expected="the name of a rule",
                next_step=nearest_hint(change.rule, known) or "gemel explain lists all rules",
            )
        elif change.rule in seen:
            yield LayoutFault(
                (*path, "rule"), "a rule with two severities", found=change.rule, expected="each rule once"
            )
        else:
            yield from _lowered(layout, path, change)
        seen.add(change.rule)


def _lowered(layout: Layout, path: KeyPath, change: SeverityChange) -> Iterator[LayoutFault]:
    """The fault of making a rule count for less that must not; without a required seal others are not loaded."""
    hint = next((step for start, step in KEPT.items() if change.rule.startswith(start)), None)
    required = layout.seal is not None and layout.seal.required
    if hint is None and not required:
        return
    rule = rule_named(change.rule)
    if rule is None or not lowers(rule, change) or (hint is None and rule.guards != "image"):
        return
    what = "a rule about the seal or the rollback counter cannot count for less"
    if hint is None:
        what = "a rule that guards the image cannot count for less where a seal is required"
        hint = "take the change out, or set required = false in [seal]"
    yield LayoutFault(
        (*path, "severity"), what, found=change.severity, expected=rule.severity, next_step=hint
    )


def lowers(rule: Rule, change: SeverityChange) -> bool:
    """Whether ``change`` makes findings of ``rule`` count for less than they do by themselves."""
    return WEIGHTS[change.severity] < WEIGHTS[rule.severity]

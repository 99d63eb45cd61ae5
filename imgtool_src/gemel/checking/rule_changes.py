"""What a layout changes of rules, waivers and severities, and what of that is not taken.

What can never be is a fault of the layout, reported when it is read: a waiver that covers nothing, and a change of
severity for which no reason is enough.  Who makes an error a warning takes images that break the rule, so a reason is
always due and every report shows the change.  The rules about the seal and the rollback counter stay what they are,
and where a seal is demanded, by the layout or by the receiver, every rule that guards the image (``Rule.guards``):
what they guard against is somebody else's image, and no reason written into a layout can know that one.  What an
option demands is never waived.  A receiver's policy keeps further rules, all errors unless it names some, and may say
for how long a waiver may still run.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from gemel.checking.registry import rule_named, rule_names
from gemel.errors import nearest_hint
from gemel.layout.kinds import KeyPath, LayoutFault
from gemel.layout.model import Layout, SeverityChange, Waiver

if TYPE_CHECKING:
    import datetime

    from gemel.checking.rule import Rule
    from gemel.inspection.inspection import Inspection

OTHER_PARTIES = (
    "rest",
    "layout",
    "record",
    "version",
    "rollback",
    "product",
    "vendor id",
    "class id",
    "policy",
)
"""What findings about the record concern besides names of the layout."""

OWN_PARTIES = ("rehearsal-passes",)
"""Rules whose findings concern kinds of their own, which are not known without loading them."""

KEPT = {
    "seal-": "to take images without a sound seal, set required = false in [seal]",
    "rollback-": "take the image that is new enough, or leave the lower limit out",
}
"""What the names of rules begin with that no layout makes count for less, and what to do instead."""

WEIGHTS = {"note": 0, "warning": 1, "error": 2}

OPTIONS = {"rollback-not-lower": ("at_least", "previous"), "version-as-asked": ("version", "rollback")}
"""Rules that apply what options of the command line demand, and what of an inspection these are."""


def waiver_faults(layout: Layout) -> Iterator[LayoutFault]:
    """Waivers of rules that do not exist or for places that do not; a check of ``read_layout``."""
    if not layout.rules.waive:
        return
    known = rule_names()
    places = party_names(layout)
    required = layout.seal is not None and layout.seal.required
    for index, waiver in enumerate(layout.rules.waive):
        if waiver.rule not in known:
            hint = nearest_hint(waiver.rule, known) or "gemel explain lists all rules"
            path = ("rules", "waive", index, "rule")
            yield LayoutFault(
                path, "unknown rule", found=waiver.rule, expected="the name of a rule", next_step=hint
            )
        elif waiver.where not in places and waiver.rule not in OWN_PARTIES:
            hint = nearest_hint(waiver.where, places) or "name one of the parties that the finding ends with"
            path = ("rules", "waive", index, "where")
            what = "unknown area, build, core, memory, contract, stamp or checksum"
            expected = "a name that a finding of this rule concerns"
            yield LayoutFault(path, what, found=waiver.where, expected=expected, next_step=hint)
        elif required and guards_image(waiver.rule):
            yield LayoutFault(
                ("rules", "waive", index, "rule"),
                "a rule that guards the image cannot be waived where a seal is required",
                found=waiver.rule,
                expected="no such waiver",
                next_step="take the waiver out, or set required = false in [seal]",
            )


def guards_image(name: str) -> bool:
    """Whether the rule of that name guards the image: then it cannot be waived where a seal is demanded."""
    rule = rule_named(name)
    return rule is not None and rule.guards == "image"


def party_names(layout: Layout) -> list[str]:
    """Every name that a finding with this layout can concern, each once: first those of the layout."""
    from gemel.inspection.wording import copied_elsewhere

    tables = (layout.areas, layout.builds, layout.cores, layout.memories, layout.contracts)
    names = [name for table in tables for name in table]
    names += [stamp.name for stamp in layout.stamps] + [checksum.name for checksum in layout.checksums]
    names += [copied_elsewhere(build)[1] for build in layout.builds]
    return list(dict.fromkeys([*names, *OTHER_PARTIES]))


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


def refused_waiver(rule: Rule, waiver: Waiver, inspection: Inspection, today: datetime.date) -> str:
    """Why this waiver of ``rule``, which has not ended, is not taken; empty if it is."""
    if why := _kept(rule, inspection):
        return f"not taken: {why}"
    read = inspection.receiver.policy
    most = read.policy.waiver_days if read else None
    if read and most is not None and (waiver.until - today).days > most:
        return f"not taken: it runs until {waiver.until}, and {read.name} takes {most} days at most"
    return ""


def refused_change(rule: Rule, change: SeverityChange, inspection: Inspection) -> str:
    """Why this change of the severity of ``rule`` is not taken; empty if it is."""
    return _kept(rule, inspection) if lowers(rule, change) else ""


def _kept(rule: Rule, inspection: Inspection) -> str:
    """Why a rule is kept as it is; empty if the layout may waive it."""
    if rule.guards == "image" and inspection.demands_seal:
        return "the rule guards the image, and a seal is demanded"
    if any(getattr(inspection, name) is not None for name in OPTIONS.get(rule.name, ())):
        return "the rule applies what the command line demands"
    read = inspection.receiver.policy
    if read is None:
        return ""
    kept = read.policy.unwaivable
    if rule.name in kept if kept is not None else rule.severity == "error":
        return f"{read.name} keeps this rule"
    return ""

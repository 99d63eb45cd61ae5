"""Waivers and changed severities that a layout has and the receiver does not take.

Where a seal is demanded, by the layout or by the receiver, what guards the image is neither waived nor made
less severe, and what an option demands never is.  A receiver's policy keeps further rules, all errors unless it
names some, and may say for how long a waiver may still run.
"""

from __future__ import annotations

import datetime

from gemel.checking.policy.severities import lowers
from gemel.checking.rule import Rule
from gemel.inspection.inspection import Inspection
from gemel.layout.model import SeverityChange, Waiver

OPTIONS = {"rollback-not-lower": ("at_least", "previous"), "version-as-asked": ("version", "rollback")}
"""Rules that apply what options of the command line demand, and what of an inspection these are."""


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

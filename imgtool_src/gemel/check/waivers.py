"""Waivers that can never cover anything: faults of the layout, to be told when it is read."""

from __future__ import annotations

import pkgutil
from collections.abc import Iterator

from gemel.check import rules
from gemel.layout.kinds import Fault, nearest_hint
from gemel.layout.model import Layout


def rule_names() -> list[str]:
    """The names of all rules, sorted, without loading any: each is the name of its file."""
    return sorted(module.name.replace("_", "-") for module in pkgutil.iter_modules(rules.__path__))


def waiver_faults(layout: Layout) -> Iterator[Fault]:
    """Waivers of rules that do not exist; a check of ``read_layout``."""
    if not layout.rules.waive:
        return
    known = rule_names()
    for index, waiver in enumerate(layout.rules.waive):
        if waiver.rule not in known:
            hint = nearest_hint(waiver.rule, known) or "gemel explain lists all rules"
            path = ("rules", "waive", index, "rule")
            yield Fault(path, "no rule of this name", waiver.rule, "the name of a rule", hint)

"""All rules, found by themselves: every module of ``gemel.checking.rules`` holds one."""

from __future__ import annotations

import importlib
import pkgutil
from functools import cache

from gemel.checking import rules
from gemel.checking.rule import Rule


@cache
def all_rules() -> tuple[Rule, ...]:
    """Every rule, sorted by name."""
    found = []
    for module in pkgutil.iter_modules(rules.__path__):
        rule = importlib.import_module(f"{rules.__name__}.{module.name}").RULE
        found.append(rule)
    return tuple(sorted(found, key=lambda rule: rule.name))


def rule_named(name: str) -> Rule | None:
    """The rule of that name, or None."""
    return next((rule for rule in all_rules() if rule.name == name), None)

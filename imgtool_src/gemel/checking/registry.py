"""All rules, found by themselves: every module of ``gemel.checking.rules`` holds one.

A team's own rules come from installed packages, by the entry point group ``gemel.rules``: the entry's name is
the rule's, its value the module that holds ``RULE``.  They are code of that package; ``own_rules_only`` keeps
them out, and nothing of them is imported then.
"""

from __future__ import annotations

import importlib
import os
import re
from functools import cache

from gemel.checking import rules
from gemel.checking.rule import Rule, stored
from gemel.errors import GemelError, Problem
from gemel.files.entry_points import EntryPoint, entry_points

GROUP = "gemel.rules"
"""The entry point group of further rules."""

_switched_off: list[str] = []


class RulesUnusable(GemelError):
    """A package brings rules that cannot be imported or break the conventions of rules."""


def own_rules_only(reason: str) -> None:
    """Keep rules of installed packages out of every later check in this process; ``reason`` says who asked."""
    _switched_off.append(reason)


def all_rules() -> tuple[Rule, ...]:
    """Every rule, sorted by name.  Raises RulesUnusable for rules of packages that cannot be used."""
    if _switched_off or not entry_points(GROUP):
        return _own_rules()
    further, problems = _further_rules()
    if problems:
        raise RulesUnusable(problems)
    return tuple(sorted([*_own_rules(), *further], key=lambda rule: rule.name))


def rule_names() -> list[str]:
    """The names of all rules, sorted, without loading any: each is the name of its file or entry point."""
    names = [name.replace("_", "-") for name in _own_modules()]
    further = [] if _switched_off else [each.name for each in entry_points(GROUP)]
    return sorted({*names, *further})


def rule_lines() -> list[tuple[str, str, str]]:
    """Name, severity and ``checks`` of every rule, sorted by name, without importing any of our own."""
    return [(each.name, each.severity, each.checks) for each in all_rules()]


def rule_named(name: str) -> Rule | None:
    """The rule of that name, or None."""
    own = (rule for rule in _own_rules() if rule.name == name)
    return next(own, None) or next((rule for rule in all_rules() if rule.name == name), None)


def convention_faults(rule: Rule, name: str) -> list[str]:
    """What of ``rule``, registered as ``name``, breaks the conventions that hold for every rule.

    For the tests of a team's own rules as for ours; empty where nothing does.
    """
    faults = []
    if rule.name != name:
        faults.append(f"the rule is called {rule.name}, its entry {name}")
    if not re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)+", rule.name):
        faults.append("the name is not lower-case words with hyphens between them")
    if rule.severity not in ("error", "warning", "note"):
        faults.append(f"severity is {rule.severity!r}, not error, warning or note")
    if rule.guards not in ("image", "device"):
        faults.append(f"guards is {rule.guards!r}, not image or device")
    for part in ("checks", "why", "remedy"):
        text = getattr(rule, part)
        if not text or text != text.strip() or not text.endswith(".") or re.search(r"\n|  ", text):
            faults.append(f"{part} is not one paragraph that ends with a full stop")
        elif text[0].isalpha() and not text[0].isupper():
            faults.append(f"{part} does not begin with a capital letter")
    if re.search(r"[.!?] ", rule.checks):
        faults.append("checks is more than one sentence")
    from gemel.checking.conditions import ONLY_WITH

    if rule.only_with and rule.only_with not in ONLY_WITH:
        faults.append(f"only_with is {rule.only_with!r}, not one of {', '.join(ONLY_WITH)}")
    if not rule.absent or rule.absent.endswith("."):
        faults.append("absent is not the part of a line that says why there is nothing to look at")
    known = r"section|clause|chapter|table|requirement|common practice|from memory|second-hand"
    if not re.search(known, rule.source, re.IGNORECASE):
        faults.append("source names no section of a standard, and not common practice or from memory either")
    return faults


@cache
def _own_modules() -> tuple[str, ...]:
    """The names of the modules of rules, from the folder's list; from elsewhere, such as a zip file, by pkgutil.

    pkgutil imports ``inspect``, which takes longer than the rules.
    """
    try:
        files = os.listdir(rules.__path__[0])
    except OSError:
        import pkgutil

        return tuple(each.name for each in pkgutil.iter_modules(rules.__path__))
    return tuple(sorted(file[:-3] for file in files if file.endswith(".py") and file != "__init__.py"))


@cache
def _own_rules() -> tuple[Rule, ...]:
    """Our rules by what is stored of them; one that is not stored yet by its module."""
    from gemel.checking.stored_rules import ROWS

    known = {row.partition(" ")[0]: row for row in ROWS.splitlines()}
    names = [(module, module.replace("_", "-")) for module in _own_modules()]
    return tuple(stored(known[name]) if name in known else imported(module) for module, name in names)


def imported(module: str) -> Rule:
    """The rule of one of our modules."""
    rule: Rule = importlib.import_module(f"{rules.__name__}.{module}").RULE
    return rule


@cache
def _further_rules() -> tuple[tuple[Rule, ...], tuple[Problem, ...]]:
    """The rules of installed packages, and what is wrong with them."""
    found: list[Rule] = []
    problems: list[Problem] = []
    taken = {rule.name for rule in _own_rules()}
    for entry in entry_points(GROUP):
        rule = _loaded(entry)
        if isinstance(rule, Problem):
            problems.append(rule)
            continue
        faults = convention_faults(rule, entry.name)
        if entry.name in taken:
            faults.append("a rule with this name already exists")
        taken.add(entry.name)
        found.append(rule)
        problems += [_problem(entry, fault) for fault in faults]
    return tuple(found), tuple(problems)


def _loaded(entry: EntryPoint) -> Rule | Problem:
    try:
        rule = importlib.import_module(entry.module).RULE
    except Exception as error:  # code of somebody else: whatever it raises is a problem of that package
        return _problem(entry, f"it cannot be imported: {type(error).__name__}: {error}")
    return rule if isinstance(rule, Rule) else _problem(entry, "RULE is not a gemel.Rule")


def _problem(entry: EntryPoint, found: str) -> Problem:
    return Problem(
        f"the rule {entry.name} of an installed package cannot be used",
        where=f"{entry.module} (entry point {GROUP} of {entry.package})",
        found=found,
        expected="a module with RULE, by the conventions of `gemel explain python`",
        next_step=f"correct the package, or uninstall {entry.package}",
    )

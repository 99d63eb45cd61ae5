"""What a rule is, and what it can say about an image."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Literal

from gemel.outcomes import Finding, Outcome
from gemel.structs import Struct

if TYPE_CHECKING:
    from gemel.inspection.inspection import Inspection

Severity = Literal["error", "warning", "note"]
"""error: the image is refused; warning: it works but someone should decide; note: worth knowing."""


GuardedSubject = Literal["image", "device"]
"""image: the bytes are those that were joined, sealed and requested; device: these bytes work on the device."""


class Rule(Struct):
    """One named thing that must hold.

    ``name`` reads as the thing that must hold, in lower case with hyphens.  ``guards`` says what is lost
    where it does not: a rule that guards the image can be neither waived nor made less severe where a seal
    is demanded, since an image that breaks it is one that somebody else may have made.  ``checks`` says in one
    sentence what is looked at; ``why`` what happens on the device when it is broken; ``remedy`` what
    to do; ``source`` a published standard with its section, or ``common practice``, with ``from
    memory`` where the text was not available.  ``check`` yields one outcome for each place that it
    looked at; nothing at all means that there was nothing to look at, and ``absent`` says why.

    ``only_with`` names what a layout must have, or there is nothing to look at (``conditions.ONLY_WITH``); a rule
    ``of_elf`` says of each build what its ELF file shows, so that without builds none is checked.  Such a rule is
    passed over, its module not even imported, where that settles what it would say.
    """

    name: str
    severity: Severity
    guards: GuardedSubject
    checks: str
    why: str
    remedy: str
    source: str
    absent: str
    check: Callable[[Inspection], Iterable[Outcome]]
    only_with: str = ""
    of_elf: bool = False

    def step_after(self, finding: Finding) -> str:
        """What to do next: the finding's own words, else the remedy, written as those are."""
        if finding.next_step:
            return finding.next_step
        text = self.remedy.removesuffix(".")
        return f"{text[0].lower()}{text[1:]}" if text[1:2].islower() else text


class StoredRule(Rule):
    """One of our rules, whose module is imported when a field is read that is not stored."""

    if not TYPE_CHECKING:

        def __getattr__(self, name: str) -> object:
            """Fill in the fields from the rule's own module."""
            if name not in Rule._fields:
                raise AttributeError(name)
            module = f"{__package__}.rules.{self.name.replace('-', '_')}"
            rule = importlib.import_module(module).RULE
            for field, setter in zip(Rule._fields, Rule._setters, strict=True):
                setter(self, getattr(rule, field))
            return getattr(self, name)


STORED = ("name", "severity", "guards", "only_with", "of_elf", "absent", "checks")
"""What ``stored_rules`` has of a rule, in this order; ``absent`` is empty where it is more than a text."""


def stored(row: str) -> Rule:
    """A rule of ours of which only what its row has is known before its module is imported."""
    rule = StoredRule.__new__(StoredRule)
    for name, text in zip(STORED, row.split(" | "), strict=True):
        if text or name != "absent":
            object.__setattr__(rule, name, text == "elf" if name == "of_elf" else text)
    return rule

"""The findings of a rehearsal as rules, so that it is reported in every form that a check has.

Each kind of finding is a rule of its own; where none is an error ``rehearsal-passes`` holds.  They are made for one
rehearsal and in no registry, so no layout can waive them.
"""

from __future__ import annotations

from gemel.checking.rule import Rule
from gemel.checking.rules.rehearsal_passes import RULE, rules_of
from gemel.rehearsal.result import Rehearsal


def rehearsal_rules(rehearsal: Rehearsal) -> list[Rule]:
    """The rules, in the order in which their findings came."""
    rules = rules_of(rehearsal.findings)
    return [RULE, *rules] if rehearsal.passes else rules

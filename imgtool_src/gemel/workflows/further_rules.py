"""Rules that are not in the registry: those of a dump, of a received release folder and of files read back."""

from __future__ import annotations

from gemel.checking.rule import Rule


def further_rules() -> dict[str, Rule]:
    """Each by its name, made without an input: their texts are meant."""
    from gemel.readback.rule import dump_rule
    from gemel.release.read_back.rules import read_back_rules
    from gemel.release.received.folder import ReleaseFolder
    from gemel.release.received.rules import folder_rules

    rules = (dump_rule((), ()), *folder_rules(ReleaseFolder({}), [], {}), *read_back_rules({}, {}))
    return {rule.name: rule for rule in rules}

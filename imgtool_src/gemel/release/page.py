"""What ``gemel explain release`` prints (``page.txt``): the folder, what proves it, its rules, the SUIT envelope."""

from __future__ import annotations

from gemel.checking.rule import Rule
from gemel.text.templates import filled
from gemel.text.wrapping import wrapped


def page() -> str:
    """The page."""
    from gemel.release.read_back.rules import read_back_rules
    from gemel.release.received.folder import ReleaseFolder
    from gemel.release.received.rules import folder_rules

    rules = (*folder_rules(ReleaseFolder({}), [], {}), *read_back_rules({}, {}))
    return filled("gemel.release", "page.txt", {"rules": (line for rule in rules for line in _lines(rule))})


def _lines(rule: Rule) -> list[str]:
    return [rule.name, *wrapped(f"{rule.checks} {rule.why}", 100, "    ")]

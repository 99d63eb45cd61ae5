"""Re-makes ``stored_lines.py`` of the rules: their names, severities and what they check, for ``gemel explain``.

    python tests/check/make_stored_lines.py

Run it after a change to a rule's severity or ``checks``; ``test_registry.py`` compares.
"""

from __future__ import annotations

import sys
from pathlib import Path

from gemel.checking import registry

FILE = Path(registry.__file__).with_name("stored_lines.py")
HEAD = '''"""Name, severity and ``checks`` of each of our rules, so that listing them imports none.

Made from the rules by ``tests/check/make_stored_lines.py``; a test compares.
"""

from __future__ import annotations

LINES: tuple[tuple[str, str, str], ...] = (
'''


def text() -> str:
    """The file as it should be."""
    registry.own_rules_only("the stored lines are of our own rules")
    try:
        rules = registry.all_rules()
    finally:
        registry._switched_off.pop()
    lines = []
    for rule in rules:
        parts = [f"        {_quoted(part)},\n" for part in (rule.name, rule.severity, rule.checks)]
        lines.append(f"    (\n{''.join(parts)}    ),\n")
    return HEAD + "".join(lines) + ")\n"


def _quoted(text: str) -> str:
    import json

    return json.dumps(text, ensure_ascii=False)


if __name__ == "__main__":
    FILE.write_text(text(), encoding="utf-8")
    sys.stdout.write(f"wrote {FILE.name}\n")

"""Re-makes ``stored_rules.py``: what a check and ``gemel explain`` ask of every rule before they import any.

    python tests/check/make_stored_rules.py

Run it after a change to a rule; ``test_registry.py`` compares.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from gemel.checking import registry
from gemel.checking.rule import MOSTLY
from gemel.outcomes import Reason

FILE = Path(registry.__file__).with_name("stored_rules.py")
HEAD = '''"""Fields of our rules that are asked of every one, so that only those are imported that something needs.

Made from the rules by ``tests/check/make_stored_rules.py``; a test compares.
"""

from __future__ import annotations

FIELDS: dict[str, dict[str, str | bool]] = {
'''
STORED = ("severity", "guards", "checks", "absent", "only_with", "of_elf")


def text() -> str:
    """The file as it should be."""
    lines = []
    for module in registry._own_modules():
        rule = registry.imported(module)
        values = {name: value for name in STORED if (value := getattr(rule, name)) != MOSTLY.get(name)}
        if isinstance(rule.absent, Reason):  # more than a text
            del values["absent"]
        parts = [f'        "{name}": {_quoted(value)},\n' for name, value in values.items()]
        lines.append(f'    "{rule.name}": {{\n{"".join(parts)}    }},\n')
    return HEAD + "".join(lines) + "}\n"


def _quoted(value: str | bool) -> str:
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else repr(value)


if __name__ == "__main__":
    FILE.write_text(text(), encoding="utf-8")
    sys.stdout.write(f"wrote {FILE.name}\n")

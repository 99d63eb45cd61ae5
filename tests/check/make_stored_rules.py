"""Re-makes ``stored_rules.py``: what a check and ``gemel explain`` ask of every rule before they import any.

    python tests/check/make_stored_rules.py

Run it after a change to a rule; ``test_registry.py`` compares.
"""

from __future__ import annotations

import sys
from pathlib import Path

from gemel.checking import registry
from gemel.checking.rule import STORED, Rule
from gemel.outcomes import Reason

FILE = Path(registry.__file__).with_name("stored_rules.py")
HEAD = '''"""A row for each of our rules, so that only those are imported that something needs.

Made from the rules by ``tests/check/make_stored_rules.py``; a test compares.
"""

from __future__ import annotations

ROWS = """\\
'''


def text() -> str:
    """The file as it should be."""
    rows = [_row(registry.imported(module)) for module in registry._own_modules()]
    return HEAD + "".join(f"{row}\n" for row in rows) + '"""\n'


def _row(rule: Rule) -> str:
    values = {name: getattr(rule, name) for name in STORED}
    values["of_elf"] = "elf" if rule.of_elf else ""
    values["absent"] = "" if isinstance(rule.absent, Reason) else rule.absent
    return " | ".join(values.values())


if __name__ == "__main__":
    FILE.write_text(text(), encoding="utf-8")
    sys.stdout.write(f"wrote {FILE.name}\n")

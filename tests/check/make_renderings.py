"""Re-makes ``renderings/<rule>.txt``: what every rule says, word for word, of the fixtures that break it.

    python tests/check/make_renderings.py            # all rules
    python tests/check/make_renderings.py RULE ...   # these only

Each rule ``some-rule-name`` has a test module ``rules/test_some_rule_name.py`` that holds two dicts, from
the name of a case to a function without arguments that returns a ``RuleResult``: ``BREAKS``, whose results
are broken and whose renderings are stored, and ``KEEPS``, whose results hold.  ``test_registry.py`` holds
every rule to this and compares the stored renderings with what the rules say now.
"""

from __future__ import annotations

import importlib
import sys
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path
from types import ModuleType

HERE = Path(__file__).parent
if str(HERE.parent) not in sys.path:  # run as a script; pytest has put the tests' folder there
    sys.path[:0] = [str(HERE.parent), str(HERE.parent / "support")]

from small_device import rendering

from gemel.checking.runner import RuleResult

RULES, RENDERINGS = HERE / "rules", HERE / "renderings"


def rules_with_tests() -> list[str]:
    """The names of all rules that have a test module, sorted."""
    return sorted(path.stem.removeprefix("test_").replace("_", "-") for path in RULES.glob("test_*.py"))


def tests_of(rule: str) -> ModuleType:
    """The test module of a rule; raises ModuleNotFoundError if it has none."""
    return importlib.import_module(f"check.rules.test_{rule.replace('-', '_')}")


@cache
def results(rule: str, which: str) -> Mapping[str, RuleResult]:
    """The result of each case of ``BREAKS`` or ``KEEPS`` in the rule's test module, each made once."""
    cases: Mapping[str, Callable[[], RuleResult]] = getattr(tests_of(rule), which)
    return {name: make() for name, make in cases.items()}


def rendering_of(rule: str) -> str:
    """The rendering of all cases that break the rule, each below its name."""
    return "\n".join(f"=== {name}\n{rendering(result)}" for name, result in results(rule, "BREAKS").items())


def stored_rendering(rule: str) -> Path:
    """The file that holds the rule's rendering."""
    return RENDERINGS / f"{rule}.txt"


def main(names: list[str]) -> None:
    """Write the renderings of ``names``, or all, and remove those whose rule has no test any more."""
    RENDERINGS.mkdir(exist_ok=True)
    for rule in names or rules_with_tests():
        stored_rendering(rule).write_text(rendering_of(rule), encoding="utf-8", newline="\n")
    for path in RENDERINGS.glob("*.txt"):
        if path.stem not in rules_with_tests():
            path.unlink()


if __name__ == "__main__":
    main(sys.argv[1:])

"""All programs of the suite, in a fixed order from a fixed seed, and the sample of them that CI runs."""

from __future__ import annotations

from functools import cache
from importlib import import_module
from pathlib import Path
from random import Random

from .cases import V7D, V7E, Case, numbered, spread
from .programs import one_core

SEED = 20
GROUPS = (
    "masking",
    "ticks",
    "nesting",
    "switching",
    "mailboxes",
    "faults",
    "stacks",
    "endings",
    "floats",
    "registers",
    "protection",
    "copies",
    "security",
    "kernels",
    "startup",
    "combinations",
    "idioms",
)
"""The modules of ``programs``: each has FAMILIES, functions from a random source to scenarios."""
ON_V7E = ("combinations", "idioms", "switching", "stacks", "floats", "kernels", "faults", "endings")
"""Those whose programs for one core run on the Armv7E-M board, too."""


@cache
def all_cases() -> tuple[Case, ...]:
    """Every case, no two of one name."""
    cases: list[Case] = []
    for group in GROUPS:
        module = import_module(f"{__package__}.programs.{group}")
        for family in module.FAMILIES:
            cases += spread(group, family, SEED, getattr(module, "MOST", 2))
    for board, family in one_core.FAMILIES_OF:
        cases += spread(board.name, family, SEED, 1, board)
    for group in ON_V7E:
        for family in import_module(f"{__package__}.programs.{group}").FAMILIES:
            for board in (V7E, V7D)[: 1 + (group == "floats")]:
                cases += spread(board.name, one_core.Alone(group, family, board), SEED, 1, board)
    return tuple(numbered(iter(cases)))


def sample(cases: list[Case], count: int) -> list[Case]:
    """Some of the cases, every class among them, always the same ones."""
    random = Random(SEED)
    groups = sorted({case.group for case in cases})
    chosen: list[Case] = []
    while len(chosen) < min(count, len(cases)):
        for group in groups:
            left = [case for case in cases if case.group == group and case not in chosen]
            if left and len(chosen) < count:
                chosen.append(random.choice(left))
    return sorted(chosen, key=cases.index)


def disagreements_known() -> dict[str, str]:
    """Cases that the rehearsal does not get right yet, with the reason: lines of ``known.txt``, ``NAME: REASON``."""
    text = Path(__file__).with_name("known.txt").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if line and not line.startswith("#")]
    return dict(line.split(": ", 1) for line in lines)

"""Random programs of functions and variables, random edits of them, and what these edits change.

A program is many small functions that use some of its variables and call some others, all of them called by ``start``.
What an edit changes is known from the edit alone: code that only calls, points to or reaches what moved is the same.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field, replace

KEPT = 12
"""Functions and variables of a program that no edit removes, so that others can use them."""


@dataclass(frozen=True)
class Function:
    """Its number in the program, the variables and functions that it uses, and a constant."""

    uses: tuple[str, ...]
    calls: tuple[str, ...]
    constant: int
    more: bool = False

    def text(self, name: str) -> str:
        """Its definition in C."""
        lines = [f"{each}[{at}] += x + {at};" for at, each in enumerate(self.uses)]
        lines += [f"x += {each}(x);" for each in self.calls]
        lines += [f"port = x * {self.constant};"]
        lines += ["port = x; port = ~x; port = x + 7;"] if self.more else []
        return f"__attribute__((ONLY)) u32 {name}(u32 x) {{ {' '.join(lines)} return x; }}"


@dataclass(frozen=True)
class Program:
    """Functions and variables in the order of the source; a variable has a size in words and a first value."""

    functions: dict[str, Function] = field(default_factory=dict)
    variables: dict[str, tuple[int, int]] = field(default_factory=dict)

    def text(self) -> str:
        """The source in C; ``start`` calls everything, so that nothing is dropped."""
        lines = ["typedef unsigned u32; volatile u32 port;"]
        lines += [
            f"static volatile u32 {name}[{size}] = {{ {value} }};"
            for name, (size, value) in self.variables.items()
        ]
        lines += [f"u32 {name}(u32 x);" for name in self.functions]
        lines += [each.text(name) for name, each in self.functions.items()]
        calls = " ".join(f"port = {name}(port);" for name in self.functions)
        reads = " ".join(f"port = {name}[1];" for name in self.variables)
        lines.append(f"void start(void) {{ {calls} {reads} for (;;) ; }}")
        return "\n".join(lines) + "\n"


def program(choose: random.Random) -> Program:
    """A program of 30 functions over 24 variables, half of them with a first value."""
    variables = {f"v{at}": (choose.randrange(3, 9), at % 2 and choose.randrange(1, 99)) for at in range(24)}
    functions: dict[str, Function] = {}
    for at in range(30):
        uses = tuple(choose.sample([f"v{each}" for each in range(KEPT)], choose.randrange(3)))
        calls = tuple(
            choose.sample([f"f{each}" for each in range(min(at, KEPT))], min(at, choose.randrange(3)))
        )
        functions[f"f{at}"] = Function(uses, calls, choose.randrange(17, 30))
    return Program(functions, variables)


def with_edits(old: Program, choose: random.Random) -> tuple[Program, dict[str, set[str]]]:
    """The program after a handful of random edits, and for each symbol that changed the words that may say how."""
    functions, variables, changed = dict(old.functions), dict(old.variables), {}
    extra = [name for name in functions if int(name[1:]) >= KEPT]
    choose.shuffle(extra)
    for name in extra[: choose.randrange(1, 4)]:
        functions[name] = replace(functions[name], constant=functions[name].constant + 64)
        changed[name] = {"changed", "grown", "shrunk"}
    for name in extra[4 : 4 + choose.randrange(3)]:
        functions[name] = replace(functions[name], more=True)
        changed[name] = {"grown"}
    for name in extra[8 : 8 + choose.randrange(3)]:
        del functions[name]
        changed[name] = {"removed"}
    for at in range(choose.randrange(3)):
        name = f"new{at}"
        functions = _with(functions, choose, name, Function((f"new_v{at}", "v1"), ("f2",), 21))
        variables = _with(variables, choose, f"new_v{at}", (choose.randrange(3, 9), choose.randrange(2)))
        changed |= {name: {"added"}, f"new_v{at}": {"added"}}
    spare = [name for name in variables if name.startswith("v") and int(name[1:]) >= KEPT]
    choose.shuffle(spare)
    for name in spare[: choose.randrange(3)]:
        del variables[name]
        changed[name] = {"removed"}
    for name in spare[4 : 4 + choose.randrange(3)]:
        size, value = variables[name]
        variables[name] = size + 4, value
        changed[name] = {"grown"}
    for name in [name for name in spare[8:] if variables[name][1]][: choose.randrange(3)]:
        variables[name] = variables[name][0], variables[name][1] + 1
        changed[name] = {"changed"}
    return Program(functions, variables), changed


def _with(entries: dict, choose: random.Random, name: str, value: object) -> dict:
    """The entries with one more somewhere among them."""
    rows = list(entries.items())
    rows.insert(choose.randrange(len(rows)), (name, value))
    return dict(rows)

"""One program of the differential suite: what each core runs and what must come of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from random import Random
from typing import Literal, Protocol

Core = Literal["station", "sampler"]
OTHER: dict[str, Core] = {"station": "sampler", "sampler": "station"}
PLAIN = "void scenario(void) {}\n"
COMPILERS = ("gcc", "gcc", "gcc", "clang")
OPTIMISATIONS = ("-O0", "-Og", "-O1", "-O2", "-O3", "-Os")

LOCK_UP = "lock-up"
"""Where a core ends that took a fault which no handler may take."""
ANYWHERE = "anywhere"
"""Where a core ends that runs through memory that holds no code."""


@dataclass(frozen=True, slots=True)
class Source:
    """One core's program: C that defines ``scenario``, macros, compiler (gcc or clang) and its options."""

    code: str = PLAIN
    defines: tuple[str, ...] = ()
    compiler: str = "gcc"
    options: tuple[str, ...] = ("-O1",)


@dataclass(frozen=True, slots=True)
class Case:
    """Two programs and what the architecture makes of them.

    ``fails`` is the core that does not get to its last line for a reason of its own (None: both do),
    ``ends`` the function that it stays in (or one of several, "a|b"), or LOCK_UP. ``loose`` says why the board's
    emulator does not decide this case, with the section that does; ``texts`` are then what the ports must hold.
    ``layout`` are pieces of the layout to replace.
    """

    name: str
    group: str
    station: Source
    sampler: Source
    fails: Core | None = None
    ends: str = ""
    loose: str = ""
    texts: tuple[tuple[str, str], ...] = ()
    layout: tuple[tuple[str, str], ...] = ()

    def program(self, core: str) -> Source:
        """The program of that core."""
        return self.station if core == "station" else self.sampler


@dataclass(frozen=True, slots=True)
class Scenario:
    """What one core does, whichever it is; a family yields these, and ``spread`` makes cases of them.

    ``partner`` is the other core's program; ``cores`` those that it may run on.
    """

    name: str
    code: str
    fails: bool = False
    ends: str = ""
    partner: str = PLAIN
    defines: tuple[str, ...] = ()
    other_defines: tuple[str, ...] = ()
    cores: tuple[Core, ...] = ("station", "sampler")
    options: tuple[str, ...] = ()
    loose: str = ""
    culprit: Core | None = None
    layout: tuple[tuple[str, str], ...] = ()
    texts: tuple[tuple[str, str], ...] = ()
    times: int = 0


class Family(Protocol):
    """A named function from a random source to scenarios."""

    __name__: str

    def __call__(self, random: Random, /) -> Iterator[Scenario]: ...


def spread(group: str, family: Family, seed: int, most: int = 2) -> Iterator[Case]:
    """Cases of a family: each scenario on cores, compilers and levels that the seed picks."""
    for scenario in family(Random(f"{seed} {group} {family.__name__}")):
        random = Random(f"{seed} {group} {scenario.name}")
        core = random.choice(scenario.cores)
        for number in range(scenario.times or min(most, len(scenario.cores))):
            if number and len(scenario.cores) > 1:
                core = OTHER[core]
            compiler = random.choice(COMPILERS)
            level = random.choice(OPTIMISATIONS)
            yield _case(group, scenario, core, compiler, level)


def _case(group: str, scenario: Scenario, core: Core, compiler: str, level: str) -> Case:
    own = Source(scenario.code, scenario.defines, compiler, (level, *scenario.options))
    partner = Source(scenario.partner, scenario.other_defines, "gcc", (level,))
    pair = {core: own, OTHER[core]: partner}
    return Case(
        name=f"{group}-{scenario.name}-{core}-{compiler}{level}",
        group=group,
        station=pair["station"],
        sampler=pair["sampler"],
        fails=(scenario.culprit or core) if scenario.fails else None,
        ends=scenario.ends or ("default_handler" if scenario.fails else ""),
        loose=scenario.loose,
        layout=scenario.layout,
        texts=scenario.texts,
    )


def numbered(cases: Iterator[Case]) -> list[Case]:
    """The cases, no two of one name."""
    seen: dict[str, int] = {}
    result = []
    for case in cases:
        seen[case.name] = count = seen.get(case.name, 0) + 1
        result.append(case if count == 1 else replace(case, name=f"{case.name}-{count}"))
    return result

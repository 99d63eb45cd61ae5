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
class Board:
    """An emulated board, and what compilers, linker script and layout have to know of it.

    ``cores`` are those that the board has: where it is one, the layout's other core runs in the rehearsal alone.
    ``extensions`` are the layout's, ``hard`` the options for a float unit. ``shift``: an instruction takes two to
    that power of nanoseconds, about a tick of the core's timer. ``serial_data`` is the place of a port's data register.
    """

    name: str
    machine: str
    cores: tuple[Core, ...]
    architecture: str
    shift: int
    flash: int
    ram: int
    ram_size: int
    serial: int
    control: int
    interrupts: int
    serial_data: int = 0
    extensions: tuple[str, ...] = ()
    hard: tuple[str, ...] = ()

    @property
    def compiled_for(self) -> str:
        """The architecture as compilers name it: SVC is an extension to the assembler of Armv6-M."""
        return self.architecture.replace("v6-m", "v6s-m")

    @property
    def ram_of(self) -> dict[Core, range]:
        """Where the stack pointer of each core may be."""
        starts = {"station": self.ram, "sampler": self.ram + self.ram_size}
        return {core: range(starts[core], starts[core] + self.ram_size + 1) for core in self.cores}

    @property
    def defines(self) -> tuple[str, ...]:
        """The macros of `addresses.h`, which has those of the board with two cores itself."""
        if len(self.cores) > 1:
            return ()
        return (
            *(f"FLASH={self.flash:#x}", f"RAM={self.ram:#x}", f"RAM_SIZE={self.ram_size:#x}"),
            *(f"CONTROL={self.control:#x}", f"INTERRUPTS={self.interrupts}"),
        )

    def serial_of(self, core: str) -> int:
        """The serial port of a core."""
        return self.serial + (0 if core == "station" else 0x1000)


TWO_CORES = Board(
    *("two-cores", "mps2-an521", ("station", "sampler"), "armv8-m.main", 5),
    *(0x1000_0000, 0x3800_0000, 0x8000, 0x5020_0000, 0x5002_1114, 96),
    hard=("-march=armv8-m.main+fp", "-mfloat-abi=softfp"),
)
"""Two Armv8-M Mainline cores, the second with a float unit."""
V6 = Board(
    *("v6-m", "microbit", ("station",), "armv6-m", 6),
    *(0, 0x2000_0000, 0x1800, 0x4000_2000, 0x4001_8000, 32, 0x51C),
)
"""One Armv6-M core."""
V7 = Board(
    *("v7-m", "netduino2", ("station",), "armv7-m", 3),
    *(0, 0x2000_0000, 0x8000, 0x4001_1000, 0x4000_4C10, 96, 4, ("mpu",)),
)
"""One Armv7-M core with a memory protection unit."""
V7E = Board(
    *("v7e-m", "netduinoplus2", ("station",), "armv7e-m", 2),
    *(0, 0x2000_0000, 0x8000, 0x4001_1000, 0x4000_4C10, 96, 4, ("fp", "dsp", "mpu")),
    hard=("-mfpu=fpv4-sp-d16", "-mfloat-abi=softfp"),
)
"""One Armv7E-M core with a memory protection unit and a float unit."""
V7D = Board(
    *("v7e-m-double", "mps2-an500", ("station",), "armv7e-m", 5),
    *(0, 0x2000_0000, 0x8000, 0x4000_4000, 0x4000_0004, 32),
    extensions=("fp", "fp-double", "dsp", "mpu"),
    hard=("-mfpu=fpv5-d16", "-mfloat-abi=softfp"),
)
"""One Armv7E-M core with a float unit of double precision."""
BOARDS = (TWO_CORES, V6, V7, V7E, V7D)


@dataclass(frozen=True, slots=True)
class Source:
    """One core's program: C that defines ``scenario``, macros, compiler (gcc or clang) and its options; its board."""

    code: str = PLAIN
    defines: tuple[str, ...] = ()
    compiler: str = "gcc"
    options: tuple[str, ...] = ("-O1",)
    board: Board = TWO_CORES


@dataclass(frozen=True, slots=True)
class Case:
    """Two programs and what the architecture makes of them.

    ``fails`` is the core that does not get to its last line for a reason of its own (None: both do),
    ``ends`` the function that it stays in (or one of several, "a|b"), or LOCK_UP. ``loose`` says why the board's
    emulator does not decide this case, with the section that does; ``texts`` are then what the ports must hold.
    ``layout`` are pieces of the layout to replace; ``goals``: the layout has its goals.
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
    goals: bool = True

    def without_goals(self) -> Case:
        """The case in a layout without goals: a core that is done enables an interrupt that could wake it."""
        station, sampler = (
            replace(each, defines=(*each.defines, "AWAITS_INTERRUPT"))
            for each in (self.station, self.sampler)
        )
        name = f"{self.name}-without-goals"
        return replace(self, name=name, goals=False, station=station, sampler=sampler)

    @property
    def board(self) -> Board:
        """The board that the case runs on."""
        return self.station.board

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


def spread(group: str, family: Family, seed: int, most: int = 2, board: Board = TWO_CORES) -> Iterator[Case]:
    """Cases of a family: each scenario on cores of a board, with compilers and levels that the seed picks."""
    on = "" if board is TWO_CORES else f" {board.name}"
    for scenario in family(Random(f"{seed} {group} {family.__name__}{on}")):
        cores = tuple(core for core in scenario.cores if core in board.cores)
        random = Random(f"{seed} {group} {scenario.name}{on}")
        core = random.choice(cores)
        for number in range(scenario.times or min(most, len(cores))):
            if number and len(cores) > 1:
                core = OTHER[core]
            compiler = random.choice(COMPILERS)
            level = random.choice(OPTIMISATIONS)
            yield _case(group, scenario, board, core, compiler, level)


def _case(group: str, scenario: Scenario, board: Board, core: Core, compiler: str, level: str) -> Case:
    own = Source(scenario.code, scenario.defines, compiler, (level, *scenario.options), board)
    partner = Source(scenario.partner, scenario.other_defines, "gcc", (level,), board)
    pair = {core: own, OTHER[core]: partner}
    return Case(
        name=f"{group}-{scenario.name}{f'-{core}' if board is TWO_CORES else ''}-{compiler}{level}",
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

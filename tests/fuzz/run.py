"""Fuzzing of what decides on trust: ``python tests/fuzz/run.py [--seconds N] [TARGET ...]``.

A target is a module of ``tests/fuzz/targets`` with ``SEEDS`` (sound inputs), ``FOUND`` (inputs that once were faults,
if any) and ``decode(data)``, which returns or raises one of its ``REFUSALS``; anything else is a fault.  Inputs are
mutations of the seeds by a seeded generator, so that a fault is found again by its number; a target with
``explored(seconds, seed)`` gives further ones, for half of its time where it has EXPLORING seconds or more.
"""

from __future__ import annotations

import argparse
import importlib
import random
import sys
import time
from collections.abc import Iterator
from itertools import chain
from pathlib import Path
from types import ModuleType

TESTS = Path(__file__).resolve().parents[1]
TARGETS = sorted(file.stem for file in (TESTS / "fuzz/targets").glob("[a-z]*.py"))
LONGEST = 10.0
"""Seconds that one input may take."""
EXPLORING = 3.0
"""Seconds of a target from which on its own way of finding inputs is worth its start."""


def target_named(name: str) -> ModuleType:
    """The module of a target."""
    return importlib.import_module(f"fuzz.targets.{name}")


def mutated(seeds: list[bytes], generator: random.Random) -> bytes:
    """A seed with one to eight changes: bits, bytes, pieces left out, doubled or taken from another seed."""
    data = bytearray(generator.choice(seeds))
    for _ in range(generator.randint(1, 8)):
        at = generator.randrange(len(data) + 1)
        size = min(len(data) - at, 1 << generator.randrange(8))
        match generator.randrange(6):
            case 0 if size:
                data[at] ^= 1 << generator.randrange(8)
            case 1:
                data[at : at + 1] = bytes((generator.choice((0, 1, 0x7F, 0x80, 0xFE, 0xFF, 10, 34, 92)),))
            case 2:
                del data[at : at + size]
            case 3:
                data[at:at] = data[at : at + size]
            case 4:
                other = generator.choice(seeds)
                start = generator.randrange(len(other) + 1)
                data[at : at + size] = other[start : start + size]
            case _:
                data[at : at + size] = generator.randbytes(size)
    return bytes(data)


def fixed(target: ModuleType, seconds: float, seed: int) -> list[bytes]:
    """The seeds, the inputs that were faults, and what the target's own way of finding inputs finds."""
    given = [*target.SEEDS, *getattr(target, "FOUND", ())]
    if hasattr(target, "explored") and seconds >= EXPLORING:
        given += target.explored(seconds / 2, seed)
    return given


def mutations(target: ModuleType, seed: int) -> Iterator[bytes]:
    """Mutated seeds without end; ``repaired`` refits checksums in every other one."""
    generator = random.Random(seed)
    repaired = getattr(target, "repaired", bytes)
    while True:
        data = mutated(target.SEEDS, generator)
        yield repaired(data) if generator.random() < 0.5 else data


def fuzz(target: ModuleType, seconds: float, seed: int) -> tuple[int, int]:
    """How many inputs were given and how many of them taken; a fault is raised, with its input named."""
    given = taken = 0
    first = fixed(target, seconds, seed)
    target.decode(first[0])
    end = time.monotonic() + (seconds / 2 if hasattr(target, "explored") else seconds)
    for data in chain(first, mutations(target, seed)):
        if given > len(first) and time.monotonic() > end:
            break
        started = time.process_time()
        try:
            target.decode(data)
            taken += 1
        except target.REFUSALS:
            if given < len(target.SEEDS):
                raise
        except Exception as error:
            raise AssertionError(f"{target.__name__}: seed {seed}, input {given}: {data.hex()}") from error
        if time.process_time() - started > LONGEST:
            raise AssertionError(
                f"{target.__name__}: seed {seed}, input {given} takes too long: {data.hex()}"
            )
        given += 1
    return given, taken


def main() -> None:
    """Fuzz the named targets, or all, for the time given in all."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("targets", nargs="*", metavar="TARGET", help=", ".join(TARGETS))
    parser.add_argument("--seconds", type=float, default=30, help="for all targets together")
    parser.add_argument("--seed", type=int, default=random.SystemRandom().randrange(1 << 32))
    options = parser.parse_args()
    names = options.targets or TARGETS
    if unknown := sorted(set(names) - set(TARGETS)):
        parser.error(f"unknown target: {', '.join(unknown)}; known: {', '.join(TARGETS)}")
    for name in names:
        given, taken = fuzz(target_named(name), options.seconds / len(names), options.seed)
        print(f"{name}: {given:,} inputs, {taken:,} taken, seed {options.seed}")


if __name__ == "__main__":
    sys.path[:0] = [str(TESTS), str(TESTS / "support")]
    main()

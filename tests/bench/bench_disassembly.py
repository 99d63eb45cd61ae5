"""Time the search of code for instructions that its core lacks, against capstone over the same bytes.

Run ``python tests/bench/bench_disassembly.py [--rounds 5]``.  The code is that of two builds of about
0.9 MiB, compiled where there is a compiler; all is brought to 1 MiB.  Worst case: a core that lacks nearly
every 32-bit instruction, so that all of them are looked up.  Exits 1 when 1 MiB takes more than 3 s, with
the ELF file or by the image alone, or when a check that did not ask for it is slowed by more than 2 %.
"""

from __future__ import annotations

import argparse
import random
import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path

from big_builds import INTERRUPTS, NAMES, big_builds
from measuring import MIB, verdict

LIMIT, OVERHEAD = 3.0, 0.02
LARGEST, SMALLEST = ("armv8.1-m.main", ("fp-double", "mve-fp", "security")), ("armv6-m", ())


def main() -> int:
    """Measure, print, judge."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--rounds", type=int, default=5)
    rounds = options.parse_args().rounds
    folder, how = big_builds()
    print(f"builds {how}")
    met = []
    for name in NAMES:
        print(name)
        met += _measured(folder / f"{name}.elf", name, rounds)
    met.append(_not_asked(folder, rounds))
    return 0 if all(met) else 1


def _measured(file: Path, name: str, rounds: int) -> list[bool]:
    """Seconds for 1 MiB of one build's code, each way."""
    from gemel.builds.mapped_code import mapped_code
    from gemel.builds.reader import read_build
    from gemel.builds.source import BytesSource

    data = file.read_bytes()
    build = read_build(BytesSource(data, file.name), name=name, file=file.name)
    code = mapped_code(build)
    size = sum(section.size for section in code.sections) if code else 0
    segment = max((each for each in build.stored if each.executable), key=lambda each: len(each.data))
    print(f"  {size or len(segment.data):,} bytes of code")
    met = []
    if size:
        for words, core in (("a large core", LARGEST), ("Armv6-M", SMALLEST)):
            seconds = _median(lambda core=core: _by_symbols(data, file.name, core), rounds)
            met.append(verdict(f"1 MiB with the ELF file, for {words}", seconds * MIB / size, LIMIT, " s"))
    words = [int.from_bytes(segment.data[at : at + 4], "little") for at in range(4, 4 * (16 + INTERRUPTS), 4)]
    entries = [word for word in words if word & 1]
    for told, given in (("followed", entries), ("swept, no vectors", [])):
        seconds = _median(lambda given=given: _alone(segment.data, segment.run_address, given), rounds)
        told = f"1 MiB by the image alone, Armv6-M, {told}"
        met.append(verdict(told, seconds * MIB / len(segment.data), LIMIT, " s"))
    noise = random.Random(2026).randbytes(MIB)
    met.append(verdict("1 MiB of noise, swept", _median(lambda: _alone(noise, 0, []), 1), LIMIT, " s"))
    seconds = _median(lambda: _by_capstone(segment.data), 1)
    print(f"       capstone over the same bytes, of 1 MiB: {seconds * MIB / len(segment.data):.3g} s")
    return met


def _by_symbols(data: bytes, file: str, core: tuple[str, tuple[str, ...]]) -> None:
    """The whole rule for one build: symbols, code by mapping symbols, search, functions, words."""
    from gemel.builds.mapped_code import mapped_code
    from gemel.builds.reader import read_build
    from gemel.builds.source import BytesSource
    from gemel.checking.rules.instructions_fit_core import _outcomes
    from gemel.layout.model import BuildPlan

    build = read_build(BytesSource(data, file), name="station", file=file)
    code = mapped_code(build)
    if code is None:
        raise SystemExit(f"{file} has no symbols")
    plan = BuildPlan(name="station", core="station", stored_in="station-code")
    list(_outcomes(plan, _core(core), build, code))


def _alone(data: bytes, start: int, entries: list[int]) -> None:
    """The search of the rule for images alone: code followed, the rest swept, what is lacking told."""
    from gemel.checking.findings.lacking_instructions import lacking_findings
    from gemel.layout.model import BuildPlan
    from gemel.m_profile.capabilities import lacking
    from gemel.m_profile.code.unmapped import unmapped_code
    from gemel.m_profile.instructions.sieve import Sieve

    core = _core(SMALLEST)
    sieve = Sieve(lacking(core.architecture, core.extensions))
    code = unmapped_code(data, start, entries)
    plan = BuildPlan(name="station", core="station", stored_in="station-code")
    for places in (code.followed_places(sieve), code.swept_places(sieve)):
        list(lacking_findings(plan, core, "image", places))


def _by_capstone(data: bytes) -> None:
    import capstone

    mode = capstone.CS_MODE_THUMB | capstone.CS_MODE_MCLASS | capstone.CS_MODE_V8
    disassembler = capstone.Cs(capstone.CS_ARCH_ARM, mode)
    disassembler.skipdata = True
    for _ in disassembler.disasm(data, 0):
        pass


def _core(core: tuple[str, tuple[str, ...]]):
    from gemel.layout.model import Core

    return Core(name="station", role="primary", architecture=core[0], extensions=core[1], interrupts=0)


def _not_asked(folder: Path, rounds: int) -> bool:
    """What the two rules cost a check that did not ask for them, of the whole check."""
    import datetime

    from gemel.builds.reader import read_build
    from gemel.builds.source import BytesSource
    from gemel.checking.registry import all_rules
    from gemel.checking.runner import check
    from gemel.inspection.inspection import Inspection
    from gemel.joining.pipeline import join
    from gemel.layout.reader import read_layout

    file = folder / "layout.toml"
    read = read_layout(file.read_bytes(), file.name)

    def spent(rules) -> float:
        builds = {
            name: read_build(
                BytesSource((folder / f"{name}.elf").read_bytes(), name), name=name, file=f"{name}.elf"
            )
            for name in NAMES
        }
        subject = Inspection(read, join(read, builds).image, builds)
        started = time.perf_counter()
        check(subject, datetime.date(2026, 11, 24), rules)
        return time.perf_counter() - started

    all_of_them = all_rules()
    these = [rule for rule in all_of_them if rule.name.endswith("instructions-fit-core")]
    whole = statistics.median(spent(all_of_them) for _ in range(rounds))
    own = statistics.median(spent(these) for _ in range(rounds))
    print(f"a check that did not ask: {whole * 1000:.1f} ms, these two rules {own * 1000:.3f} ms")
    return verdict("the two rules when not asked for, of a check", own / whole, OVERHEAD)


def _median(work: Callable[[], None], rounds: int) -> float:
    times = []
    for _ in range(rounds):
        started = time.perf_counter()
        work()
        times.append(time.perf_counter() - started)
    return statistics.median(times)


if __name__ == "__main__":
    sys.exit(main())

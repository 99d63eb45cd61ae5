"""Time the comparison of 20 types of two builds against a plain walk over all their debug entries.

Run ``python tests/bench/bench_contract.py [--rounds 5]``.  Two builds are compiled from generated C, each
with at least 100,000 debug entries in 32 units, and 20 types of one header that every unit includes.
pyelftools walks over every entry of both and does nothing with them; gemel reads both builds and applies the
rule ``contract-types-agree``, from the bytes of the files to the result.  Runs alternate in one process.
Before any figure is believed, the results are checked: the sound pair agrees, and the one member changed in
another build is found.  Exits 1 when a target is missed: a tenth of the walk's time (half is asked for), and
nothing of the reader imported by a join whose layout has neither contract nor shared area.
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import date
from io import BytesIO
from pathlib import Path

from big_builds import COMPILER, big_builds
from measuring import environment, verdict

RATIO = 0.1
UNITS, SHARED, OTHERS, MEMBERS = 32, 20, 250, 11
ENTRIES = 100_000
COMPILE = ("-mthumb", "-std=c11", "-Os", "-g", "-ffreestanding", "-fno-eliminate-unused-debug-types")
CORES = {"station": "armv8-m.main", "sampler": "armv6-m"}
LAYOUT = """\
format = 1
product = "tide-gauge"
[memory]
flash = {{ kind = "flash", start = 0x1000_0000, size = "2 MiB" }}
ram = {{ kind = "ram", start = 0x3800_0000, size = "128 KiB" }}
control = {{ kind = "device", start = 0x5002_1000, size = "4 KiB" }}
[core]
station = {{ role = "primary", architecture = "armv8-m.main", interrupts = 16 }}
[core.sampler]
role = "secondary"
architecture = "armv6-m"
interrupts = 16
release = {{ vector_register = 0x5002_1114, control_register = 0x5002_1118, release_value = 0 }}
[area]
station-code = {{ memory = "flash", offset = 0, size = "1 MiB", purpose = "code" }}
sampler-code = {{ memory = "flash", offset = "1 MiB", size = "1 MiB", purpose = "code" }}
link = {{ memory = "ram", offset = 0, size = "4 KiB", purpose = "shared" }}
[build]
station = {{ core = "station", stored_in = "station-code" }}
sampler = {{ core = "sampler", stored_in = "sampler-code" }}
[contract.link]
area = "link"
types = [{types}]
"""


def main() -> int:
    """Measure, print, judge."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--rounds", type=int, default=5, help="counted runs of each (5 or more)")
    given = options.parse_args()
    with tempfile.TemporaryDirectory(prefix="gemel-bench-contract-") as folder:
        files = {name: _compiled(Path(folder), name, march, "") for name, march in CORES.items()}
        changed = _compiled(Path(folder), "changed", CORES["sampler"], "-DCHANGED")
    entries = [_walk(data) for data in files.values()]
    _believe(files, changed, entries)
    times: dict[str, list[float]] = {"walk of pyelftools": [], "contract-types-agree": []}
    for _ in range(max(5, given.rounds)):
        times["walk of pyelftools"].append(_timed(lambda: [_walk(data) for data in files.values()]))
        times["contract-types-agree"].append(_timed(lambda: _status(files)))
    print(f"two builds of {' and '.join(f'{count:,}' for count in entries)} debug entries, {SHARED} types")
    for name, runs in times.items():
        print(
            f"{name:22} median {statistics.median(runs) * 1000:7.0f} ms, fastest {min(runs) * 1000:7.0f} ms"
        )
    ratio = statistics.median(times["contract-types-agree"]) / statistics.median(times["walk of pyelftools"])
    met = [verdict("time of the contract, of the walk's", ratio, RATIO)]
    met.append(verdict("modules of the reader imported by a join without a contract", _imported(), 0))
    return 0 if all(met) else 1


def _compiled(folder: Path, name: str, march: str, option: str) -> bytes:
    """One build from generated C: a header of structures that every unit includes whole."""
    shared = [
        _structure(f"shared_{number}", number, changes=number == SHARED - 1) for number in range(SHARED)
    ]
    others = [_structure(f"{name}_{number}", number) for number in range(OTHERS)]
    (folder / "all.h").write_text("#include <stdint.h>\n" + "\n".join(shared + others))
    command = [COMPILER, f"-march={march}", *COMPILE, *([option] if option else [])]
    objects = []
    for unit in range(UNITS):
        source, made = folder / f"{name}_{unit}.c", folder / f"{name}_{unit}.o"
        lines = [f"int use_{unit}(struct shared_0 *at, int by) {{ return (int)at->m0 + by; }}"]
        source.write_text('#include "all.h"\n' + "\n".join(lines))
        subprocess.run([*command, "-c", str(source), "-o", str(made)], check=True, timeout=300)
        objects.append(str(made))
    start = "0x10000000" if name == "station" else "0x10100000"
    whole = folder / f"{name}.elf"
    link = ["-nostdlib", f"-Wl,-Ttext={start}", "-Wl,-e,use_0", "-Wl,--build-id=none", "-o", str(whole)]
    subprocess.run([COMPILER, f"-march={march}", "-mthumb", *objects, *link], check=True, timeout=300)
    return whole.read_bytes()


def _structure(name: str, number: int, *, changes: bool = False) -> str:
    kinds = ("uint32_t", "uint16_t", "uint8_t", "int64_t", "int16_t")
    members = [f"{kinds[(number + each) % len(kinds)]} m{each};" for each in range(MEMBERS)]
    if changes:
        members[5] = f"\n#ifdef CHANGED\nuint64_t m5[2];\n#else\n{members[5]}\n#endif\n"
    return f"struct {name} {{ {' '.join(members)} }};"


def _walk(data: bytes) -> int:
    """A plain walk over every debug entry with pyelftools; how many there are."""
    from elftools.elf.elffile import ELFFile

    return sum(1 for unit in ELFFile(BytesIO(data)).get_dwarf_info().iter_CUs() for _ in unit.iter_DIEs())


def _status(files: dict[str, bytes]) -> tuple[str, int]:
    """What ``contract-types-agree`` says: its status, and in how many places it holds."""
    from gemel.builds.reader import read_build
    from gemel.builds.source import BytesSource
    from gemel.checking.registry import rule_named
    from gemel.checking.runner import check
    from gemel.image.sparse import SparseBytes
    from gemel.inspection.inspection import Inspection
    from gemel.layout.reader import read_layout

    types = ", ".join(f'"struct shared_{number}"' for number in range(SHARED))
    read = read_layout(LAYOUT.format(types=types).encode(), "layout.toml")
    builds = {
        name: read_build(BytesSource(data), name=name, file=f"{name}.elf") for name, data in files.items()
    }
    rule = rule_named("contract-types-agree")
    if rule is None:
        raise SystemExit("there is no rule contract-types-agree")
    (result,) = check(Inspection(read, SparseBytes(), builds), date(1970, 1, 1), [rule]).results
    return result.status, len(result.holds)


def _believe(files: dict[str, bytes], changed: bytes, entries: list[int]) -> None:
    """End the benchmark unless the builds are as large as promised and the results are right."""
    if min(entries) < ENTRIES:
        raise SystemExit(f"the builds have {entries} debug entries, fewer than {ENTRIES:,}")
    if _status(files) != ("holds", SHARED):
        raise SystemExit(f"the sound builds: {_status(files)}")
    if _status({**files, "sampler": changed}) != ("broken", SHARED - 1):
        raise SystemExit(f"the changed build: {_status({**files, 'sampler': changed})}")


def _timed(work: object) -> float:
    started = time.perf_counter()
    work()  # type: ignore[operator]
    return time.perf_counter() - started


def _imported() -> int:
    """Modules of the reader that a join of builds without contract and shared area imports."""
    folder, _ = big_builds(compiled=True)
    script = (
        "import sys\nfrom gemel.cli.entry import run\n"
        f"sys.argv = ['gemel', 'join', {str(folder / 'layout.toml')!r}]\n"
        f"sys.argv += ['-o', {str(folder / 'contract.bin')!r}]\n"
        "try:\n    run()\nexcept SystemExit:\n    pass\n"
        "print(sum(name.startswith('gemel.builds.dwarf.') for name in sys.modules))"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], env=environment(), capture_output=True, text=True, check=True
    )
    return int(done.stdout.split()[-1])


if __name__ == "__main__":
    sys.exit(main())

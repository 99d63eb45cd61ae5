"""Time a check of a pair of 18 MB ELF files with 2 MB of code against a bare walk over their debug information.

Run ``python tests/bench/bench_large_check.py [--rounds 3]``.  Some units of generated C are compiled once, and linked
many times over under other names, as a product of many sources is.  The baseline: pyelftools walks over the units of
both files, reads the first entry of each, and does nothing with them.  gemel reads both files and applies every rule,
the code read too.  A walk over every entry is printed beside them.  Runs alternate in one process.  Exits 1 when the
target is missed: 1.2 of the baseline.
"""

from __future__ import annotations

import argparse
import shutil
import statistics
import subprocess
import tempfile
from collections.abc import Mapping
from datetime import date
from io import BytesIO
from pathlib import Path
from time import process_time

from measuring import verdict

RATIO = 1.2
CODE = 2_000_000
"""Bytes of code that each file has at least."""
SIZE = 24 << 20
"""Bytes of all units, of which the linker leaves 18 MB: it keeps each text once."""
UNITS, FUNCTIONS = 3, 160
FLASH, RAM, LINK = 0x0800_0000, 0x2000_0000, 0x2000_E000
TOOLS = "arm-none-eabi-"
COMPILE = ("-mthumb", "-march=armv8-m.main", "-O1", "-g", "-ffreestanding", "-fno-common")
SHARED = "#include <stdint.h>\nstruct shared { uint32_t turn; uint16_t values[4]; };\n"
START = """
__attribute__((section(".link"))) volatile struct shared link;
extern uint32_t stack_top;
void reset(void) { *(volatile uint32_t *)0x40021118 = 0; for (;;) link.turn++; }
__attribute__((used, section(".vectors"))) const void *const vectors[26] = {
  &stack_top, reset, reset, reset, [11] = reset, [14] = reset, [15 ... 25] = reset };
__attribute__((used, section(".constants"))) const uint32_t start_address = 0x08400000;
"""
SCRIPT = """
ENTRY(reset)
stack_top = {ram} + 0x6000;
SECTIONS
{{
  .text {flash} : {{ KEEP(*(.vectors)) KEEP(*(.constants)) *(.text*) *(.rodata*) }}
  .bss {ram} (NOLOAD) : {{ *(.bss*) }}
  .link {link} (NOLOAD) : {{ *(.link) }}
  /DISCARD/ : {{ *(.ARM.exidx*) *(.comment) }}
}}
"""
LAYOUT = """
format = 1
product = "tide-gauge"
[memory]
flash = { kind = "flash", start = 0x0800_0000, size = "8 MiB" }
ram = { kind = "ram", start = 0x2000_0000, size = "64 KiB" }
control = { kind = "device", start = 0x4002_1000, size = "4 KiB" }
[core]
station = { role = "primary", architecture = "armv8-m.main", interrupts = 10, ram = ["station-ram"] }
[core.sampler]
role = "secondary"
architecture = "armv8-m.main"
interrupts = 10
ram = ["sampler-ram"]
release = { vector_register = 0x4002_1114, control_register = 0x4002_1118, release_value = 0 }
[area]
station-code = { memory = "flash", offset = 0, size = "4 MiB", purpose = "code" }
sampler-code = { memory = "flash", offset = "4 MiB", size = "4 MiB", purpose = "code" }
station-ram = { memory = "ram", offset = 0, size = "32 KiB", purpose = "data" }
sampler-ram = { memory = "ram", offset = "32 KiB", size = "24 KiB", purpose = "data" }
link = { memory = "ram", offset = "56 KiB", size = "8 KiB", purpose = "shared" }
[build]
station = { core = "station", stored_in = "station-code" }
sampler = { core = "sampler", stored_in = "sampler-code" }
[contract.link]
area = "link"
symbols = ["link"]
types = ["struct shared"]
boot_symbol = { build = "station", symbol = "start_address" }
"""


def main() -> int:
    """Measure, print, judge."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--rounds", type=int, default=3, help="counted runs of each")
    given = options.parse_args()
    with tempfile.TemporaryDirectory(prefix="gemel-bench-large-") as folder:
        files = _files(Path(folder))
    runs = {
        "units": lambda: _walk(files, entries=False),
        "entries": lambda: _walk(files),
        "check": lambda: _check(files),
    }
    times: dict[str, list[float]] = {name: [] for name in runs}
    for _ in range(given.rounds):
        for name, run in runs.items():
            times[name].append(_timed(run))
    code = min(_code_size(data) for data in files.values())
    if code < CODE:
        raise SystemExit(f"{code:,} bytes of code; expected {CODE:,} at least")
    sizes = " and ".join(f"{len(data):,}" for data in files.values())
    print(f"two ELF files of {sizes} bytes, {code:,} of them code; {_walk(files):,} debug entries")
    medians = {name: statistics.median(each) for name, each in times.items()}
    for name, median in medians.items():
        print(f"{name:7} median {median * 1000:7.0f} ms of processor time")
    print(f"time of the check, of a walk over every entry: {medians['check'] / medians['entries']:.2f}")
    ratio = medians["check"] / medians["units"]
    return (
        0
        if verdict("time of the check, of a walk over the units and their first entries", ratio, RATIO)
        else 1
    )


def _files(folder: Path) -> dict[str, bytes]:
    """Both ELF files."""
    if shutil.which(f"{TOOLS}gcc") is None:
        raise SystemExit(f"{TOOLS}gcc is not installed")
    _compiled(folder, "start", SHARED + START)
    units = [_compiled(folder, f"unit{number}", SHARED + _source(number)) for number in range(UNITS)]
    copies = -(-SIZE // sum(unit.stat().st_size for unit in units))
    objects = []
    for copy in range(copies):
        for unit in units:
            objects.append(folder / f"{unit.stem}_{copy}.o")
            rename = f"--prefix-symbols=copy{copy}_"
            subprocess.run(
                [f"{TOOLS}objcopy", "-w", "--strip-symbol=$*", rename, unit, objects[-1]], check=True
            )
    files = {}
    for name, flash, ram in (("station", FLASH, RAM), ("sampler", FLASH + (4 << 20), RAM + (32 << 10))):
        script, elf = folder / f"{name}.ld", folder / f"{name}.elf"
        script.write_text(SCRIPT.format(flash=flash, ram=ram, link=LINK), encoding="utf-8")
        link = [
            f"{TOOLS}ld",
            "--no-warn-rwx-segments",
            "-n",
            "-T",
            script,
            folder / "start.o",
            *objects,
            "-o",
            elf,
        ]
        subprocess.run(link, check=True)
        files[name] = elf.read_bytes()
    return files


def _compiled(folder: Path, name: str, source: str) -> Path:
    text, made = folder / f"{name}.c", folder / f"{name}.o"
    text.write_text(source, encoding="utf-8")
    subprocess.run([f"{TOOLS}gcc", *COMPILE, "-c", text, "-o", made], check=True)
    return made


def _source(unit: int) -> str:
    """Functions with a structure each, none like another."""
    parts = []
    for number in range(FUNCTIONS):
        name, wide = f"{unit}_{number}", number % 7 + 1
        parts.append(
            f"enum kind{name} {{ NONE{name}, SOME{name} = {number} }};\n"
            f"struct window{name} {{ int level{number}; struct shared past[{wide}]; enum kind{name} kind; "
            f"uint32_t flags : {number % 31 + 1}; union {{ float metres; int steps; }} value; }};\n"
            f"uint32_t settle{name}(struct window{name} *window, int count)\n{{\n    uint32_t sum = 0;\n"
            f"    for (int i = 0; i < count; i++) {{\n        sum += window[i].level{number} * {number + 3}u "
            f"^ window->past[0].turn;\n        sum = sum << {number % 30 + 1} | sum >> {31 - number % 30};\n"
            f"        if (sum & {1 << number % 20}) sum += (uint32_t)window->value.steps + window->flags;\n"
            f"    }}\n    return sum;\n}}\n"
        )
    return "".join(parts)


def _code_size(data: bytes) -> int:
    """Bytes of a file's executable segments."""
    from elftools.elf.elffile import ELFFile

    segments = ELFFile(BytesIO(data)).iter_segments("PT_LOAD")
    return sum(each["p_filesz"] for each in segments if each["p_flags"] & 1)


def _walk(files: Mapping[str, bytes], *, entries: bool = True) -> int:
    """How many entries it comes to: all, or the first of each unit."""
    from elftools.elf.elffile import ELFFile

    units = (unit for data in files.values() for unit in ELFFile(BytesIO(data)).get_dwarf_info().iter_CUs())
    return sum(1 for unit in units for _ in (unit.iter_DIEs() if entries else [unit.get_top_DIE()]))


def _check(files: Mapping[str, bytes]) -> None:
    from gemel.builds.reader import read_build
    from gemel.builds.source import BytesSource
    from gemel.checking.runner import check
    from gemel.inspection.inspection import Inspection
    from gemel.joining.pipeline import join
    from gemel.layout.reader import read_layout

    read = read_layout(LAYOUT.encode(), "large.toml")
    builds = {
        name: read_build(BytesSource(data, name), name=name, file=f"{name}.elf")
        for name, data in files.items()
    }
    result = check(Inspection(read, join(read, builds).image, builds, disassemble=True), date(2026, 11, 24))
    types = next(each for each in result.results if each.rule.name == "contract-types-agree")
    if types.status != "holds" or not result.passes:
        broken = [each.rule.name for each in result.results if each.findings]
        raise SystemExit(f"the pair is sound, and the check says {broken}; types: {types.status}")


def _timed(run: object) -> float:
    start = process_time()
    run()  # type: ignore[operator]
    return process_time() - start


if __name__ == "__main__":
    raise SystemExit(main())

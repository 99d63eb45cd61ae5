"""Two large builds and their layout for the benchmarks, made once into a cache folder.

With ``arm-none-eabi-gcc`` at hand they are compiled from generated C: about 0.9 MiB of code each, full
debug information with macros (``-g3 -O1``), the same bytes on every run.  Without it the tests' own ELF
writer makes files of the same shape: pseudo-random code, thousands of symbols, and as many pseudo-random
bytes behind them as the compiler's debug information takes.
"""

from __future__ import annotations

import hashlib
import os
import random
import shutil
import struct
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[1] / part) for part in (".", "support")]

COMPILER = "arm-none-eabi-gcc"
FLASH, RAM = 0x1000_0000, 0x3800_0000
AREA = 1 << 20
INTERRUPTS = 124
FILES, FUNCTIONS = 10, 730
GAP = 64
COMPILE = ("-march=armv8-m.main", "-mthumb", "-mfloat-abi=soft", "-std=c11", "-O1", "-g3", "-ffreestanding")
LINK = ("-march=armv8-m.main", "-mthumb", "-nostdlib", "-Wl,--build-id=sha1", "-Wl,-n")
NAMES = ("station", "sampler")

LAYOUT = """\
format = 1
product = "tide-gauge"
version = "1.4.2"

[memory.flash]
kind = "flash"
start = {flash:#x}
size = {flash_size:#x}
erase_block = "4 KiB"
write_unit = 16

[memory.ram]
kind = "ram"
start = {ram:#x}
size = "128 KiB"

[memory.control]
kind = "device"
start = 0x5002_1000
size = "4 KiB"

[core.station]
role = "primary"
architecture = "armv8-m.main"
interrupts = {interrupts}
ram = ["station-ram"]

[core.sampler]
role = "secondary"
architecture = "armv8-m.main"
interrupts = {interrupts}
ram = ["sampler-ram"]

[core.sampler.release]
vector_register = 0x5002_1114
control_register = 0x5002_1118
release_mask = 0x2
release_value = 0x0

[area]
station-code = {{ memory = "flash", offset = 0, size = {area:#x}, purpose = "code" }}
sampler-code = {{ memory = "flash", offset = {area:#x}, size = {area:#x}, purpose = "code" }}
record = {{ memory = "flash", offset = {record:#x}, size = "4 KiB", purpose = "record" }}
station-ram = {{ memory = "ram", offset = 0, size = "64 KiB", purpose = "data" }}
sampler-ram = {{ memory = "ram", offset = "64 KiB", size = "64 KiB", purpose = "data" }}

[build.station]
core = "station"
stored_in = "station-code"
path = "station.elf"

[build.sampler]
core = "sampler"
stored_in = "sampler-code"
path = "sampler.elf"

[[checksum]]
name = "station-crc"
algorithm = "CRC-32/ISO-HDLC"
over = [{{ area = "station-code", offset = 0, size = {covered:#x} }}]
at = {{ area = "station-code", offset = {covered:#x} }}

[[checksum]]
name = "sampler-crc"
algorithm = "CRC-32/ISO-HDLC"
over = [{{ area = "sampler-code", offset = 0, size = {covered:#x} }}]
at = {{ area = "sampler-code", offset = {covered:#x} }}

[record]
area = "record"
vendor = "harbour.example"
class = "tide gauge of the benchmarks"
"""

TYPES = """\
#include <stdint.h>
#include <stddef.h>
#define SCALE(value, by) (((value) * (by)) >> 3)
#define CLAMPED(value, limit) ((value) > (limit) ? (limit) : (value))
enum quality { QUALITY_NONE, QUALITY_ROUGH, QUALITY_GOOD };
struct sample { uint32_t time; int32_t pressure; int16_t temperature; enum quality quality; };
struct window { struct sample samples[16]; uint32_t count; const struct window *before; };
"""

LINKER_SCRIPT = """\
ENTRY(start)
SECTIONS
{{
  .text {flash:#x} : {{ KEEP(*(.vectors)) . += {gap}; *(.text*) *(.rodata*) . = ALIGN(4); }}
  .note.gnu.build-id : {{ KEEP(*(.note.gnu.build-id)) }}
  .data {ram:#x} + {gap} : AT(ALIGN(LOADADDR(.note.gnu.build-id) + SIZEOF(.note.gnu.build-id), 4)) {{ *(.data*) }}
  .bss (NOLOAD) : {{ *(.bss*) *(COMMON) }}
  /DISCARD/ : {{ *(.ARM.exidx*) *(.comment) }}
}}
"""


def layout_text(area: int = AREA) -> str:
    """The layout for two code areas of ``area`` bytes each, the sampler's right behind the station's."""
    return LAYOUT.format(
        flash=FLASH,
        ram=RAM,
        interrupts=INTERRUPTS,
        area=area,
        covered=area - 4,
        record=2 * area,
        flash_size=2 * area + 0x1000,
    )


def written_build(name: str, area: int, code_size: int, symbol_count: int = 100) -> bytes:
    """One build's ELF file, without a compiler: vectors, pseudo-random code, some symbols of 128 bytes."""
    from elf_writer import SegmentSpec, SymbolSpec, elf

    number = NAMES.index(name)
    flash, ram = FLASH + number * area, RAM + number * 0x1_0000
    words = [ram + 0x1_0000, *[flash + 0x401] * (15 + INTERRUPTS)]
    for index in (8, 9, 10, 13):
        words[index] = 0
    table = struct.pack(f"<{len(words)}I", *words).ljust(0x400, b"\0")
    code = table + random.Random(name).randbytes(code_size - len(table))
    count = min(symbol_count, code_size // 128 - 16)
    symbols = [SymbolSpec("start", flash + 0x401, 2)]
    symbols += [SymbolSpec(f"{name}_{index}", flash + 0x403 + index * 128, 128) for index in range(count)]
    return elf(
        [SegmentSpec(flash, code), SegmentSpec(ram, b"", memory_size=512, flags="rw")],
        symbols=symbols,
        build_id=hashlib.sha1(name.encode(), usedforsecurity=False).digest(),
        entry=flash + 0x401,
    )


def big_builds(*, compiled: bool = True) -> tuple[Path, str]:
    """The folder with ``layout.toml``, ``station.elf`` and ``sampler.elf``, and how these were made.

    From a compiler there are also ``NAME-moved.elf``: the same with all code and data ``GAP`` bytes further.
    ``compiled=False`` does as if there were no compiler.
    """
    compiler = shutil.which(COMPILER) if compiled else None
    made_from = Path(__file__).read_bytes() + f"{compiler or 'no compiler'} {FILES} {AREA}".encode()
    folder = Path(tempfile.gettempdir()) / f"gemel-bench-{hashlib.sha256(made_from).hexdigest()[:16]}"
    how = f"compiled with {COMPILER}" if compiler else f"written by the tests ({COMPILER} is missing)"
    if not folder.is_dir():
        with tempfile.TemporaryDirectory(prefix="gemel-bench-") as work:
            for number, name in enumerate(NAMES):
                make = _compiled if compiler else _written
                make(Path(work), name, number)
            finished = Path(work) / "finished"
            finished.mkdir()
            for made in Path(work).glob("*.elf"):
                made.rename(finished / made.name)
            (finished / "layout.toml").write_text(layout_text(AREA), encoding="utf-8")
            shutil.move(finished, folder)
    return folder, how


def _compiled(work: Path, name: str, number: int) -> None:
    (work / "types.h").write_text(TYPES, encoding="utf-8")
    sources = [work / f"{name}_start.c"]
    sources[0].write_text(_start_source(name, number), encoding="utf-8")
    for part in range(FILES):
        sources.append(work / f"{name}_{part}.c")
        sources[-1].write_text(_source(name, part), encoding="utf-8")

    def compiled(source: Path) -> str:
        target = source.with_suffix(".o")
        _run(COMPILER, *COMPILE, f"-ffile-prefix-map={work}=.", "-c", source.name, "-o", target.name, at=work)
        return target.name

    with ThreadPoolExecutor(os.cpu_count()) as pool:
        objects = list(pool.map(compiled, sources))
    for output, gap in ((name, 0), (f"{name}-moved", GAP)):
        script = work / f"{output}.ld"
        places = {"flash": FLASH + number * AREA, "ram": RAM + number * 0x1_0000, "gap": gap}
        script.write_text(LINKER_SCRIPT.format(**places), encoding="utf-8")
        _run(COMPILER, *LINK, "-T", script.name, *objects, "-lgcc", "-o", f"{output}.elf", at=work)


def _run(*command: str, at: Path) -> None:
    subprocess.run(command, cwd=at, check=True)


def _start_source(name: str, number: int) -> str:
    stack = RAM + (number + 1) * 0x1_0000
    calls = "\n".join(f"  {name}_{part}_0(argument);" for part in range(FILES))
    declared = "\n".join(f"uint32_t {name}_{part}_0(uint32_t);" for part in range(FILES))
    table = ", ".join(
        "0" if index in (8, 9, 10, 13) else "(uintptr_t)idle" for index in range(2, 16 + INTERRUPTS)
    )
    return f"""\
#include "types.h"
{declared}
uint32_t {name}_frames[64];
uint32_t {name}_settings[16] = {{1, 2, 3}};
void idle(void) {{ for (;;) {{}} }}
void start(void) {{
  uint32_t argument = {name}_settings[0];
{calls}
  idle();
}}
__attribute__((section(".vectors"), used))
const uintptr_t vector_table[{16 + INTERRUPTS}] = {{{stack:#x}u, (uintptr_t)start, {table}}};
"""


def _source(name: str, part: int) -> str:
    """One file of functions that each call the next; every constant from a fixed seed."""
    numbers = random.Random(f"{name} {part}")
    functions = [f'#include "types.h"\nextern uint32_t {name}_frames[64];']
    for index in reversed(range(FUNCTIONS)):
        values = [numbers.getrandbits(32) for _ in range(10)]
        after = f"{name}_{part}_{index + 1}(value)" if index + 1 < FUNCTIONS else "value"
        functions.append(f"""\
static const uint16_t table_{index}[4] = {{{", ".join(str(value & 0xFFFF) for value in values[:4])}}};
uint32_t {name}_{part}_{index}(uint32_t argument) {{
  struct sample sample = {{argument, (int32_t){values[4]}u, {values[5] & 0x7FFF}, QUALITY_GOOD}};
  uint32_t value = SCALE(argument, {values[6] & 0xFFF}u) ^ {values[7]}u;
  for (uint32_t step = 0; step < {values[8] % 13 + 2}u; step++) {{
    value = (value << {values[9] % 7 + 1}) ^ table_{index}[value & 3] ^ {name}_frames[step];
    if (value & {1 << values[0] % 31}u) {{
      sample.pressure += (int32_t)CLAMPED(value, {values[1]}u);
    }} else {{
      {name}_frames[value & 63] = sample.time + {values[2]}u;
    }}
  }}
  value += (uint32_t)sample.pressure;
  return {after};
}}""")
    return "\n".join(functions) + "\n"


def _written(work: Path, name: str, _: int) -> None:
    debug = random.Random(f"debug {name}").randbytes(5 << 20)
    (work / f"{name}.elf").write_bytes(written_build(name, AREA, 900 << 10, FILES * FUNCTIONS) + debug)


if __name__ == "__main__":
    print(*big_builds(), sep="\n")

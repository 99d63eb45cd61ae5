"""The builds of ``testdata/verdict``: one layout for three architectures, pairs of committed ELF files."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from functools import cache
from pathlib import Path

from small_device import TODAY

from gemel.builds.build import Build
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.checking.registry import rule_named
from gemel.checking.runner import RuleResult, RulesApplied, check
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.layout.reader import ReadLayout, read_layout

FOLDER = Path(__file__).resolve().parents[2] / "testdata" / "verdict"
BUILT = FOLDER / "built"
ARCHITECTURES = {"v6": "armv6-m", "v7": "armv7e-m", "v8": "armv8-m.main"}

LAYOUT = """
format = 1
product = "tide-gauge"

[memory.flash]
kind = "flash"
start = 0x1000_0000
size = "64 KiB"
erase_block = "4 KiB"
write_unit = 16

[memory.ram]
kind = "ram"
start = 0x2000_0000
size = "32 KiB"

[memory.control]
kind = "device"
start = 0x4002_1000
size = "4 KiB"

[core.station]
role = "primary"
architecture = "ARCHITECTURE"
interrupts = 8
ram = ["station-ram"]

[core.sampler]
role = "secondary"
architecture = "ARCHITECTURE"
interrupts = 8
ram = ["sampler-ram"]

[core.sampler.release]
vector_register = 0x4002_1114
control_register = 0x4002_1118
release_mask = 0x2
release_value = 0x0

[area]
station-code = { memory = "flash", offset = 0, size = "32 KiB", purpose = "code" }
sampler-code = { memory = "flash", offset = "32 KiB", size = "32 KiB", purpose = "code" }
station-ram = { memory = "ram", offset = 0, size = "8 KiB", purpose = "data" }
sampler-ram = { memory = "ram", offset = "8 KiB", size = "8 KiB", purpose = "data" }
link = { memory = "ram", offset = "16 KiB", size = "1 KiB", purpose = "shared" }

[build.station]
core = "station"
stored_in = "station-code"

[build.sampler]
core = "sampler"
stored_in = "sampler-code"

[contract.link]
area = "link"
symbols = ["link_words"]
boot_symbol = { build = "station", symbol = "sampler_start_address" }
"""


@cache
def layout_of(family: str, *changes: tuple[str, str]) -> ReadLayout:
    """The layout for an architecture, with pieces of its text replaced (each must be there)."""
    text = LAYOUT.replace("ARCHITECTURE", ARCHITECTURES[family])
    for old, new in changes:
        if old not in text:
            raise KeyError(f"not in the layout: {old!r}")
        text = text.replace(old, new)
    return read_layout(text.encode(), "verdict.toml")


@cache
def build_of(name: str, file: str) -> Build:
    """One of the committed ELF files, as the build ``name``."""
    data = (BUILT / f"{file}.elf").read_bytes()
    return read_build(BytesSource(data, f"{file}.elf"), name=name, file=f"{file}.elf")


LARGER_FLASH = ('size = "64 KiB"\n', 'size = "128 KiB"\n')
RECORDED = (
    LARGER_FLASH,
    ('product = "tide-gauge"', 'product = "tide-gauge"\nversion = "1.2.3"\nrollback = 3'),
    ("[area]", '[record]\narea = "record"\n\n[area]'),
    (
        "station-ram =",
        'record = { memory = "flash", offset = "64 KiB", size = "4 KiB", purpose = "record" }\n'
        'seal = { memory = "flash", offset = "68 KiB", size = "4 KiB", purpose = "seal" }\n'
        'spare = { memory = "flash", offset = "72 KiB", size = "4 KiB", purpose = "reserved" }\nstation-ram =',
    ),
)
"""Changes to the layout: a record, a seal's area and spare flash in a flash twice as large."""

AT_ZERO = (("start = 0x1000_0000", "start = 0x0000_0000"),)
"""Flash at address 0, as the builds with another style of start-up code have it."""

WITH_LOADER = (
    (
        'station-code = { memory = "flash", offset = 0, size = "32 KiB", purpose = "code" }',
        'station-code = { memory = "flash", offset = 0, size = "16 KiB", purpose = "code" }\n'
        'app-code = { memory = "flash", offset = "16 KiB", size = "16 KiB", purpose = "code" }',
    ),
    (
        '[contract.link]\narea = "link"\nsymbols = ["link_words"]\nboot_symbol = { build = "station"',
        '[build.app]\ncore = "station"\nstored_in = "app-code"\n\n[contract.loader]\narea = "link"\n'
        'boot_symbol = { build = "station", symbol = "sampler_start_address" }\n\n'
        '[contract.link]\narea = "link"\nsymbols = ["link_words"]\nboot_symbol = { build = "app"',
    ),
)
"""A boot loader, the build ``station``, in front of the application, the build ``app``."""


def builds_of(family: str, *files: str) -> dict[str, Build]:
    """The sound pair of an architecture with each of ``files`` (``sampler-tables``) in its core's place."""
    chosen = {"station": "station", "sampler": "sampler"}
    chosen |= {"app" if file == "station-app" else file.split("-")[0]: file for file in files}
    return {core: build_of(core, f"{file}-{family}") for core, file in chosen.items()}


@cache
def judged(family: str, files: tuple[str, ...], changes: tuple[tuple[str, str], ...] = ()) -> RulesApplied:
    """What all rules, instructions read too, say of the image that these builds are joined to."""
    read, builds = layout_of(family, *changes), builds_of(family, *files)
    image = join(read, builds).image
    return check(Inspection(read, image, builds, disassemble=True), TODAY)


def broken_in(result: RulesApplied) -> dict[str, int]:
    """The number of findings of each rule that has any."""
    return dict(Counter(each.rule.name for each in result.results for _ in each.findings))


def of(
    rule: str,
    family: str,
    *files: str,
    changes: tuple[tuple[str, str], ...] = (),
    given: tuple[str, ...] = ("station", "sampler"),
    edit: Callable[[SparseBytes], SparseBytes] | None = None,
) -> RuleResult:
    """What one rule says of these files' image, after ``edit``, with the builds in ``given``."""
    found = rule_named(rule)
    if found is None:
        raise KeyError(f"no rule {rule}")
    read, builds = layout_of(family, *changes), builds_of(family, *files)
    image = join(read, builds).image
    inspection = Inspection(
        read, edit(image) if edit else image, {name: builds[name] for name in given}, disassemble=True
    )
    return check(inspection, TODAY, [found]).results[0]


def renamed(name: str, file: str, names: dict[str, str]) -> Build:
    """A committed ELF file, as the build ``name``, with labels of other names, none of them longer."""
    data = (BUILT / f"{file}.elf").read_bytes()
    for old, new in names.items():
        if old.encode() not in data or len(new) > len(old):
            raise KeyError(f"not to be renamed: {old!r} to {new!r}")
        data = data.replace(old.encode() + b"\0", new.encode().ljust(len(old) + 1, b"\0"))
    return read_build(BytesSource(data, f"{file}.elf"), name=name, file=f"{file}.elf")

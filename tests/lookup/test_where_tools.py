"""Names and source lines of addresses, held against addr2line and gdb."""

from __future__ import annotations

import random
import re
import subprocess
from pathlib import Path

import pytest
from elftools.elf.elffile import ELFFile
from tide_gauge import BUILT, ROOT, layout_file
from tools import required_tool

import gemel
from gemel.builds.dwarf.lines import read_lines
from gemel.workflows.inputs.layouts import layout_from
from gemel.workflows.looking_up import lookup_of

FILES = {
    "station": BUILT / "copied" / "station.elf",
    "sampler": BUILT / "two-banks" / "sampler.elf",
    "library": ROOT / "testdata" / "verdict" / "built" / "station-library-v8.elf",
    "classes": ROOT / "testdata" / "verdict" / "built" / "sampler-cxx-v8.elf",
}
SEED, COUNT = 2026, 1000


def addresses_of(path: Path) -> list[int]:
    """Random even addresses inside of the code of a file, spread over its functions."""
    with path.open("rb") as file:
        elf = ELFFile(file)
        spans = [
            (section["sh_addr"], section["sh_size"])
            for section in elf.iter_sections()
            if section["sh_flags"] & 4 and section["sh_type"] == "SHT_PROGBITS" and section["sh_size"]
        ]
    choose = random.Random(SEED)
    return [
        start + choose.randrange(size) & ~1
        for start, size in (choose.choices(spans, [size for _, size in spans])[0] for _ in range(COUNT))
    ]


@pytest.mark.parametrize("name", FILES)
def test_source_lines_are_those_of_addr2line(name: str):
    """For 1,000 addresses of code, file and line are what GNU addr2line prints, wherever it knows them."""
    tool = required_tool("arm-none-eabi-addr2line")
    addresses = addresses_of(FILES[name])
    done = subprocess.run(
        [tool, "-e", FILES[name], *map(hex, addresses)], capture_output=True, text=True, check=True
    )
    lookup = lookup_of(None, gemel.load_builds(None, {name: FILES[name]}))
    known = 0
    for address, line in zip(addresses, done.stdout.splitlines(), strict=True):
        source = re.sub(r" \(discriminator \d+\)$", "", line.rpartition("/")[2])
        hits = lookup.address(address, "").views[0].hits
        ours = hits[0].source if hits else ""
        if not source.endswith((":?", ":0")):  # of some assembler code it knows nothing, though gdb does
            assert ours == source, hex(address)
            known += 1
    assert known > COUNT // 2


@pytest.mark.parametrize("name", FILES)
def test_symbols_are_those_of_gdb(name: str):
    """For 1,000 addresses of code, symbol, offset and section are what gdb's ``info symbol`` prints."""
    tool = required_tool("gdb-multiarch")
    addresses = addresses_of(FILES[name])
    script = f"python [print(gdb.execute(f'info symbol {{a}}', to_string=True).strip()) for a in {addresses}]"
    done = subprocess.run(
        [tool, "-batch", "-nx", "-ex", script, FILES[name]], capture_output=True, text=True, check=True
    )
    build = gemel.load_builds(None, {name: FILES[name]})[name]
    lookup = lookup_of(None, {name: build})
    names: dict[int, set[str]] = {}
    for symbol in build.symbols.all():
        names.setdefault(symbol.address, set()).add(symbol.name)
    known = 0
    for address, line in zip(addresses, done.stdout.splitlines(), strict=True):
        (hit,) = lookup.address(address, "").views[0].hits
        if line.startswith("No symbol matches"):
            assert hit.size == 0, hex(address)  # gdb has no labels of assembler code
            continue
        match = re.fullmatch(r"(?P<name>.+?)(?: \+ (?P<offset>\d+))? in section (?P<section>\S+)", line)
        offset = int(match["offset"] or 0)
        assert (hit.section, hit.offset) == (match["section"], offset), hex(address)
        # gdb leaves out what the compiler adds for a clone (.constprop.0), and chooses among names of one place
        assert match["name"] in {each.partition(".")[0] for each in names[address - offset]} | names[
            address - offset
        ] | {each.rpartition(".")[0] for each in names[address - offset]}, hex(address)
        known += 1
    assert known > COUNT // 2


@pytest.mark.parametrize("name", FILES)
def test_one_program_alone_gives_the_same_line(name: str):
    """The nearest line program gives the line that all programs together give, or none."""
    debug = gemel.load_builds(None, {name: FILES[name]})[name].debug
    whole = debug.lines()
    found = 0
    for address in addresses_of(FILES[name])[:150]:
        alone = read_lines(debug._sections, address).at(address)
        assert alone in ("", whole.at(address))
        found += bool(alone)
    assert found > 50


def test_every_way_to_a_byte_gives_its_name():
    """Through an alias, by either core, and where it is stored, with the Thumb bit and without it."""
    text = layout_file("copied").read_text(encoding="utf-8")
    text = text.replace("erase_block", "aliases = [0x0000_0000]\nerase_block", 1)
    text = text.replace('kind = "ram"', 'kind = "ram"\naliases = [0x5800_0000]', 1)
    read = layout_from(text.encode(), "gauge.toml")
    build = gemel.load_builds(read, {"sampler": BUILT / "copied" / "sampler.elf"})
    lookup = lookup_of(read, build)
    code = [segment for segment in build["sampler"].segments if segment.data]
    compared = 0
    for address in addresses_of(BUILT / "copied" / "sampler.elf")[:150]:
        (own,) = lookup.address(address, "", ["sampler"]).views[0].hits
        segment = next(each for each in code if each.run_span.holds(address))
        stored = segment.load_address + address - segment.run_address
        ways = [("sampler", address | 1), ("station", address - 0x3800_0000 + 0x5800_0000)]
        ways += [
            (core, at) for core in ("station", "sampler") for at in (stored, stored - 0x1000_0000, stored | 1)
        ]
        for core, at in ways:
            (hit,) = lookup.address(at, "", [core]).views[0].hits
            assert (hit.symbol, hit.offset & ~1, hit.section) == (own.symbol, own.offset, own.section)
            assert hit.run_address == address | at & 1
            compared += 1
    assert compared == 150 * 8

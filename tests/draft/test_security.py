"""Drafts of secure builds and of the non-secure ones that call them."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from capability_builds import FOLDER, capability_build, capability_builds, device
from draft.cases import Builds, checked, layout_of, text_of
from draft.test_draft import random_build
from elf_writer import SegmentSpec, SymbolSpec, elf
from gauge_builds import gauge_builds
from hypothesis import given
from hypothesis import strategies as st
from small_device import build as build_of
from tools import required_tool

from gemel.builds.build import Build
from gemel.checksums.in_layout import checksum_faults
from gemel.layout.reader import read_layout
from gemel.structs import replace

V8M = {6: 17, 7: 0x4D}
"""Build attributes: Armv8-M Mainline, profile M (ADDENDA32 2025Q4)."""


def _both() -> Builds:
    return capability_builds("security")


@pytest.mark.parametrize("order", [list, reversed])
def test_a_draft_says_what_the_layout_by_hand_says(order: Callable[[object], object]) -> None:
    """One core, both builds on it, their areas and veneers as written by hand, in any order."""
    made = dict(order(list(_both().items())))  # type: ignore[call-overload]
    guessed, written = layout_of(made), device("security").layout
    assert list(guessed.cores) == ["keeper"]
    assert {plan.core for plan in guessed.builds.values()} == {"keeper"}
    assert guessed.builds["keeper"].also_stored_in == ("veneers",)
    for name in ("keeper-code", "caller-code", "keeper-ram", "caller-ram", "veneers"):
        assert guessed.areas[name].security == written.areas[name].security
        assert guessed.span_of(name).start == written.span_of(name).start
        assert written.span_of(name).covers(guessed.span_of(name))
    for name in ("flash", "ram"):
        assert guessed.memories[name].start == written.memories[name].start
        assert guessed.memories[name].aliases == written.memories[name].aliases
    assert set(guessed.cores["keeper"].extensions) == {"security"}


def test_the_draft_checks_with_disassembly() -> None:
    """No rule is broken and none warns, with every instruction looked at."""
    for made in (_both(), {"keeper": _both()["keeper"]}):
        result = checked(made, disassemble=True)
        assert result.open_findings("error") == []
        assert result.open_findings("warning") == []
        assert "No build shows" in text_of(made)
        assert '("security")' not in text_of(made)


FAULTS = sorted(path.stem for path in (FOLDER / "built").glob("keeper-*.elf"))


@pytest.mark.parametrize("file", FAULTS)
def test_faults_of_veneers_are_not_drafted_away(file: str) -> None:
    """A secure build with something wrong has a draft all the same; what is wrong with it is still found."""
    made = {"keeper": capability_build("keeper", file), "caller": _both()["caller"]}
    assert layout_of(made).areas["veneers"].security == "non-secure-callable"
    if file in ("keeper-stale-veneers", "keeper-unpadded"):
        assert checked(made).open_findings("error")


def _elf(at: int, ram: int, *symbols: SymbolSpec) -> bytes:
    code = bytearray(b"\1" * 0x140)
    code[:8] = (ram + 0x100).to_bytes(4, "little") + (at + 0x81).to_bytes(4, "little")
    segments = [SegmentSpec(at, bytes(code)), SegmentSpec(ram, b"", memory_size=0x100, flags="rw")]
    return elf(segments, entry=at + 0x81, symbols=[SymbolSpec("reset", at + 0x80, 4, "function"), *symbols])


def _pair(
    caller_at: int = 0x0002_0000,
    caller_ram: int = 0x2000_8000,
    gateway: int = 0x1000_0101,
    function: str = "tide",
) -> Builds:
    """A secure build without a section of veneers, known by its symbols, and one that calls it."""
    from gemel.builds.elf.attributes import BuildAttributes

    secure = _elf(
        0x1000_0000,
        0x3000_0000,
        SymbolSpec("__acle_se_tide", 0x1000_00C1, 4, "function"),
        SymbolSpec("tide", 0x1000_0101, 8, "function"),
    )
    calling = _elf(caller_at, caller_ram, SymbolSpec(function, gateway, 8, "function"))
    made = {"keeper": build_of("keeper", secure), "caller": build_of("caller", calling)}
    return {name: replace(each, attributes=BuildAttributes(V8M)) for name, each in made.items()}


def test_a_secure_build_is_known_by_its_symbols() -> None:
    """Without a section of veneers the entry functions tell, and no area of veneers is made up."""
    layout = layout_of(_pair())
    assert list(layout.cores) == ["keeper"]
    assert "veneers" not in layout.areas
    assert layout.areas["keeper-code"].security == "secure"
    assert layout.areas["caller-code"].security == "non-secure"
    assert "__acle_se_tide" in text_of(_pair())


@pytest.mark.parametrize(
    ("caller_at", "caller_ram", "aliased"),
    [
        (0x0002_0000, 0x2000_8000, {"flash", "ram"}),
        (0x1002_0000, 0x2000_8000, {"ram"}),  # one flash for both, at its own addresses
        (0x0002_0000, 0x3000_8000, {"flash"}),
        (0x1002_0000, 0x3000_8000, set()),
        (0x0002_0000, 0x2400_0000, {"flash"}),  # RAM far from the secure one
        (0x0000_0000, 0x2000_8000, {"ram"}),  # would lie on what the secure build stores
    ],
)
def test_aliases_are_guessed_only_where_addresses_show_them(
    caller_at: int, caller_ram: int, aliased: set[str]
) -> None:
    """A memory has an alias where both builds use it beside each other but for bit 28, each in one way."""
    made = _pair(caller_at, caller_ram)
    layout = layout_of(made)
    found = {memory.kind for memory in layout.memories.values() if memory.aliases}
    assert found == aliased
    assert all(
        memory.aliases == (memory.start ^ 1 << 28,) for memory in layout.memories.values() if memory.aliases
    )
    assert ("is it one memory?" in text_of(made)) == bool(aliased)
    assert list(layout.cores) == ["keeper"]


def test_a_stale_import_library_is_not_drafted_away() -> None:
    """A build that has the gateways at other addresses is taken for a caller; its check tells the fault."""
    made = _pair(gateway=0x1000_0121)
    assert list(layout_of(made).cores) == ["keeper"]
    assert "it calls tide of keeper, 1 at another address than there" in text_of(made)
    for file in ("caller-stale", "caller-calls-missing"):
        made = {**_both(), "caller": capability_build("caller", file)}
        broken = [rule.name for rule, _ in checked(made).open_findings("error")]
        assert broken == ["secure-entries-agree"]


def test_what_calls_no_gateway_has_a_core_of_its_own() -> None:
    """Absolute functions of other names, as of a boot ROM, make no build a caller."""
    layout = layout_of(_pair(function="rom_delay"))
    assert list(layout.cores) == ["keeper", "caller"]
    assert layout.areas["caller-code"].security is None
    assert "is caller the non-secure part of keeper's core?" in text_of(_pair(function="rom_delay"))
    assert "the non-secure part of" not in text_of(_pair())


def test_no_core_is_secure_whose_architecture_cannot_be() -> None:
    """Symbols that only look like entry functions make no core of an older architecture secure."""
    from gemel.builds.elf.attributes import BuildAttributes

    made = {
        name: replace(each, attributes=BuildAttributes({6: 13, 7: 0x4D})) for name, each in _pair().items()
    }
    layout = layout_of(made)
    assert list(layout.cores) == ["keeper", "caller"]
    assert all(area.security is None for area in layout.areas.values())


def test_a_further_core_keeps_to_itself() -> None:
    """A build of another core beside the pair: two cores, and no alias where its memory would be met."""
    sampler = gauge_builds("in-place")["sampler"]
    layout = layout_of({**_both(), "sampler": sampler})
    assert set(layout.cores) == {"keeper", "sampler"}
    first, *_ = sampler.stored
    for start, aliases in ((0x0001_8000, ()), (0x0800_0000, (0,))):
        moved = replace(first, load_address=start, run_address=start)
        layout = layout_of({**_both(), "sampler": replace(sampler, symbols=None, segments=(moved,))})
        assert layout.builds["caller"].core == "keeper"
        assert layout.builds["sampler"].core == "sampler"
        holding = layout.memories[layout.areas["keeper-code"].memory]
        assert holding.aliases == aliases


SECURE_SOURCE = """
#include <arm_cmse.h>
extern unsigned stack_top;
static volatile unsigned level;
const char name[] = "keeper";
__attribute__((cmse_nonsecure_entry)) unsigned keeper_level(unsigned at) { return level + name[at % 5]; }
__attribute__((noreturn)) void reset_handler(void) { for (;;) level++; }
__attribute__((section(".vectors"), used)) const void *const vectors[16] = { &stack_top, reset_handler };
"""

SECURE_SCRIPT = """
ENTRY(reset_handler)
SECTIONS
{
  . = 0x10000000;
  .text : { KEEP(*(.vectors)) *(.text*) }
  .gnu.sgstubs : ALIGN(32) { *(.gnu.sgstubs*) . = ALIGN(32); }
  .rodata : { *(.rodata*) }
  . = 0x30000000;
  .bss : { *(.bss*) }
  stack_top = 0x30001000;
  /DISCARD/ : { *(.ARM.exidx*) *(.comment) }
}
"""


def test_veneers_between_other_sections(tmp_path: Path) -> None:
    """Veneers that a linker puts between code and constants get an area of their own; the check passes."""
    compiler = required_tool("arm-none-eabi-gcc")
    (tmp_path / "keeper.c").write_text(SECURE_SOURCE)
    (tmp_path / "keeper.ld").write_text(SECURE_SCRIPT)
    arguments = ["-mthumb", "-march=armv8-m.main", "-mcmse", "-Os", "-ffreestanding", "-nostdlib"]
    arguments += ["-Wl,--no-warn-rwx-segments", "-T", "keeper.ld", "keeper.c", "-o", "keeper.elf"]
    subprocess.run([compiler, *arguments], cwd=tmp_path, check=True, capture_output=True, timeout=120)
    made = {"keeper": build_of("keeper", (tmp_path / "keeper.elf").read_bytes())}
    layout = layout_of(made)
    assert layout.areas["veneers"].size % 32 == 0
    assert layout.builds["keeper"].also_stored_in == ("keeper-code-2", "veneers")
    result = checked(made, disassemble=True)
    assert result.open_findings("error") == []


@given(st.data())
def test_any_secure_builds_have_a_draft_that_the_reader_takes(data: st.DataObject) -> None:
    """Whatever the segments of a secure build and of what calls it claim: it is a layout."""
    known: dict[str, Build] = _both()
    made = {
        name: replace(
            data.draw(random_build(name)),
            symbols=known[name].symbols,
            sections=known[name].sections,
            attributes=known[name].attributes,
        )
        for name in data.draw(st.permutations(["keeper", "caller"]))
    }
    if data.draw(st.booleans()):
        made["sampler"] = data.draw(random_build("sampler"))
    text = text_of(made)
    layout = read_layout(text.encode(), "draft.toml", [checksum_faults]).layout
    assert set(layout.builds) == set(made)
    assert layout.builds["caller"].core == "keeper"
    assert "security" in layout.cores["keeper"].extensions

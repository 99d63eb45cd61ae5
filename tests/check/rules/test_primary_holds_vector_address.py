"""``primary-holds-vector-address``: addresses in literals and in instructions, against the assembler."""

from __future__ import annotations

import subprocess

import pytest
from elf_writer import SymbolSpec
from gauge_rules import on_the_gauge
from hypothesis import given
from hypothesis import strategies as st
from ram_and_start import of
from small_device import CODE, FLASH, SAMPLER, STATION, apply, builds, findings, joined, layout, station_elf
from tools import required_tool
from vector_fixtures import aliased_builds, aliased_layout, viewed_builds, viewed_layout, without_record

from gemel.inspection.code.address_literals import holders_of, modified_immediate

RULE = "primary-holds-vector-address"
ELSEWHERE = SAMPLER + 0x400
NOP = b"\x00\xbf"


def _station(code=CODE, boot_constant=ELSEWHERE, handed=True):
    made = builds(station_elf(code=code, boot_constant=boot_constant))
    image = joined(handed=made).image
    return apply(RULE, None, image, made if handed else {})


def _assembled(folder, text, architecture="armv8-m.main"):
    """The bytes of a few instructions, by the cross assembler."""
    (folder / "code.s").write_text(f".syntax unified\n.thumb\n{text}\n", encoding="utf-8")
    assembler, copier = required_tool("arm-none-eabi-as"), required_tool("arm-none-eabi-objcopy")
    made, binary = folder / "code.o", folder / "code.bin"
    subprocess.run(
        [assembler, f"-march={architecture}", "-o", made, folder / "code.s"], check=True, capture_output=True
    )
    subprocess.run([copier, "-O", "binary", made, binary], check=True)
    return binary.read_bytes()


BREAKS = {
    "the station counts on another place": lambda: of(RULE, "station-boot-constant"),
    "the station computes it": lambda: of(RULE, "station-computes-vectors"),
    "the image alone": lambda: _station(handed=False),
    "as its initial stack pointer alone": lambda: apply(
        RULE, None, None, builds(station_elf(boot_constant=ELSEWHERE, words={0: SAMPLER}))
    ),
    "a word that is not aligned": lambda: _station(code=CODE[:-2] + SAMPLER.to_bytes(4, "little") + b"\1\1"),
    "the address at which others see it": lambda: apply(
        RULE,
        viewed_layout(),
        None,
        builds(**viewed_builds(boot_constant=SAMPLER)),
    ),
}
KEEPS = {
    "the small device": lambda: apply(RULE),
    "the image alone": lambda: apply(RULE, handed={}),
    "no record and no builds": lambda: apply(
        RULE, without_record(), joined(without_record()).image, handed={}
    ),
    "by an alias": lambda: apply(RULE, aliased_layout(), None, builds(**aliased_builds())),
    "as the secondary sees it": lambda: apply(RULE, viewed_layout(), None, builds(**viewed_builds())),
    "movw and movt": lambda: _station(
        code=bytes.fromhex("4ff6ff710121") + bytes.fromhex("41f20003") + NOP + bytes.fromhex("c1f20003")
    ),
    "sound, copied": lambda: of(RULE, "copying-station", handed=()),
    **on_the_gauge(RULE, alone=True),
}


@pytest.mark.parametrize(
    ("text", "architecture", "address"),
    [
        ("movw r3, #0x1000\n nop\n movt r3, #0x1000", "armv8-m.main", 0x1000_1000),
        ("movw r11, #0x8000\n movt r11, #0x3801", "armv8-m.base", 0x3801_8000),
        ("movw r0, #0xFFFF\n movt r0, #0x0BCD", "armv7-m", 0x0BCD_FFFF),
        ("mov.w r3, #0x0A000000", "armv7e-m", 0x0A00_0000),
        ("mov.w r9, #0x10000000", "armv7-m", 0x1000_0000),
        ("mov.w r2, #0x00AB00AB", "armv7-m", 0x00AB_00AB),
        ("mov.w r2, #0xAB00AB00", "armv7-m", 0xAB00_AB00),
        ("mov.w r2, #0xABABABAB", "armv7-m", 0xABAB_ABAB),
        ("movw r6, #0x4321", "armv7-m", 0x4321),
        ("movs r3, #10\n lsls r3, r3, #24", "armv6-m", 0x0A00_0000),
        ("movs r5, #0x81\n nop\n nop\n lsls r5, r5, #21", "armv6-m", 0x1020_0000),
        ("mov.w r1, #0x8000\n movt r1, #0x1000", "armv7-m", 0x1000_8000),
        ("movs r2, #0\n movt r2, #0x0803", "armv8-m.base", 0x0803_0000),
        ("bl .\n movs r7, #0x80\n nop\n nop\n movt r7, #0x0803", "armv7-m", 0x0803_0080),
        (".balign 4\n .word 0x10008000", "armv6-m", 0x1000_8000),
    ],
)
def test_each_way_to_an_address_is_found_in_assembled_code(tmp_path, text, architecture, address) -> None:
    """What the cross assembler (binutils) makes of each way to load an address holds that address only."""
    data = NOP + b"\x00\xbf" + _assembled(tmp_path, text, architecture)
    assert [held.offset for held in holders_of(address, data, FLASH)][:1] == [
        8 if text.startswith("bl") else 4
    ]
    for other in (address ^ 1 << bit for bit in range(32)):
        assert not list(holders_of(other, data, FLASH)), hex(other)


@pytest.mark.parametrize(
    "text",
    [
        "movw r3, #0x1000\n movt r4, #0x1000",
        "movw r3, #0x1000\n .rept 20\n nop\n .endr\n movt r3, #0x1000",
        "movt r3, #0x1000\n movw r3, #0x1000",
        "movw r3, #0x1000\n nop",
        "movt r3, #0x1000\n nop",
        "movw r3, #0x1000\n movs r3, #0\n movt r3, #0x1000",
        "movw r3, #0x1000\n mov.w r3, #0x2000\n movt r3, #0x1000",
    ],
)
def test_halves_that_do_not_belong_together_are_none(tmp_path, text) -> None:
    """Two registers, the wrong order, more than 32 bytes between, or one half alone give no address."""
    assert not list(holders_of(0x1000_1000, _assembled(tmp_path, text), FLASH))


@pytest.mark.parametrize("low", [0x2000, 0x2200, 0x22FF, 0x1000])
def test_the_second_halfword_of_an_instruction_is_no_move(tmp_path, low) -> None:
    """MOVW r2, #0x2200 ends in the halfword of MOVS r2, #0; the pair after it gives one address."""
    data = _assembled(tmp_path, f"movw r2, #{low}\n movt r2, #0x0803")
    assert not list(holders_of(0x0803_0000 | low & 0xFF, data, FLASH))
    assert list(holders_of(0x0803_0000 | low, data, FLASH))


def _expanded(encoded: int) -> int:
    """ThumbExpandImm as its pseudocode has it (Armv7-M ARM, A5.3.2; from memory)."""
    imm8 = encoded & 0xFF
    if encoded >> 10 == 0:
        return {
            0: imm8,
            1: imm8 << 16 | imm8,
            2: imm8 << 24 | imm8 << 8,
            3: imm8 << 24 | imm8 << 16 | imm8 << 8 | imm8,
        }[encoded >> 8 & 3]
    rotation, value = encoded >> 7, 0x80 | encoded & 0x7F
    return (value >> rotation | value << (32 - rotation)) & 0xFFFF_FFFF


def test_modified_immediates_are_those_of_the_pseudocode() -> None:
    """Every 12-bit immediate expands to a value whose own encoding expands to the same value."""
    for encoded in range(1 << 12):
        value = _expanded(encoded)
        found = modified_immediate(value)
        assert found is not None, hex(encoded)
        assert _expanded(found) == value, hex(encoded)


@given(st.integers(0, 0xFFFF_FFFF))
def test_what_has_no_encoding_is_told(value: int) -> None:
    """A number has an encoding if and only if some immediate expands to it."""
    found = modified_immediate(value)
    assert (found is not None) == (value in _ALL)


_ALL = frozenset(_expanded(encoded) for encoded in range(1 << 12))


def test_what_is_not_in_the_image_is_not_judged() -> None:
    """An image without the secondary, or without the primary, is not checked with the reason."""
    from gemel.spans import Span

    for area, reason in ((SAMPLER, "nothing of the build"), (FLASH, "nothing of a build of core station")):
        image = joined(without_record()).image
        image.erase(Span(area, 0x1000))
        result = apply(RULE, without_record(), image, {})
        assert result.status == "not checked"
        assert reason in result.not_checked[0].reason


def test_a_layout_of_one_core_has_nothing_to_hold() -> None:
    """Without builds of a secondary the rule says that there are none."""
    read = layout({'purpose = "code" }\nspare': 'purpose = "data" }\nspare'})
    result = apply(RULE, read, joined().image, {})
    assert [each.reason for each in result.not_applicable] == [result.rule.absent]


@pytest.mark.parametrize(
    ("distance", "fires"),
    [(0, False), (1, True), (0x7F, True), (0x400, True), (-0x400, True)],
)
def test_code_that_writes_it_holds_it(tmp_path, distance, fires):
    """A start-up that makes the address of pieces far from each other, as clang does, and writes it to the register."""
    address = SAMPLER + distance
    high, low = address >> 16, address & 0xFFFF
    code = _assembled(
        tmp_path,
        f"movw r1, #{low - 8}\n movw r0, #0\n movt r0, #0x5000\n movt r1, #{high}\n adds r1, #8\n str r1, [r0]\n"
        "1: b 1b\n",
    )
    start = STATION + 4 * 32
    made = builds(
        station_elf(
            code=code + NOP * 64, boot_constant=ELSEWHERE, symbols=(SymbolSpec("start", start + 1, 24),)
        )
    )
    assert bool(findings(apply(RULE, None, joined(handed=made).image, made))) == fires

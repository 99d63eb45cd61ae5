"""Distances in instructions, compared with the assembler, and what they explain."""

from __future__ import annotations

import struct
import subprocess
from pathlib import Path

import pytest
from tools import required_tool

from gemel.comparing.changed_builds import same_but_for_addresses
from gemel.comparing.section_anchors import access_at
from gemel.comparing.side import SymbolSide

INSTRUCTIONS = {
    "ldr r1, [r3, #{}]": (0, 4, 124),
    "str r1, [r3, #{}]": (0, 8, 64),
    "ldrb r1, [r3, #{}]": (0, 1, 31),
    "strh r1, [r3, #{}]": (0, 2, 62),
    "ldr.w r9, [r3, #{}]": (0, 4, 4095, -4, -255),
    "strb.w r9, [r3, #{}]": (1, 300, -7),
    "ldrsh.w r1, [r3, #{}]": (2, 4094, -2),
    "ldrd r1, r2, [r3, #{}]": (0, 4, 1020, -8),
    "strd r1, r2, [r3, #{}]": (0, 4, 1020, -8),
    "vldr s1, [r3, #{}]": (0, 4, 1020, -8),
    "vstr d1, [r3, #{}]": (0, 4, 1020, -8),
    "adds r1, r3, #{}": (0, 1, 7),
    "adds r3, #{}": (8, 200, 255),
    "add.w r1, r3, #{}": (1, 0x1FE, 0x550055, 0xFF00, 0xFF00FF00, 0x12121212),
    "addw r1, r3, #{}": (257, 4095, 0),
    "sub.w r1, r3, #{}": (1, 0x3FC00),
    "subw r1, r3, #{}": (257, 4095),
}
"""What the assembler is given, and the numbers in it."""

NO_DISTANCE = [
    "ldr r1, [r3], #4",
    "ldr r1, [r3, #4]!",
    "ldr r1, [r3, r2]",
    "ldrd r1, r2, [r3, #8]!",
    "movw r1, #4",
    "adds.w r1, r3, #4",
]


def assembled(lines: list[str], folder: Path) -> list[tuple[int, ...]]:
    """The halfwords of each instruction."""
    source, out, raw = folder / "a.s", folder / "a.o", folder / "a.bin"
    text = "".join(f"{line}\nudf #170\n" for line in lines)
    source.write_text(f".syntax unified\n.thumb\n{text}")
    words = [required_tool("arm-none-eabi-as"), "-march=armv7e-m", "-mfpu=fpv4-sp-d16", source, "-o", out]
    subprocess.run(words, check=True)
    subprocess.run([required_tool("arm-none-eabi-objcopy"), "-O", "binary", out, raw], check=True)
    parts = raw.read_bytes().split(struct.pack("<H", 0xDEAA))[:-1]
    return [struct.unpack(f"<{len(part) // 2}H", part) for part in parts]


def test_distances_are_the_assemblers(tmp_path: Path) -> None:
    """Each form of load, store and addition has the distance that the assembler put into it; writing back has none."""
    cases = [(line.format(number), number) for line, numbers in INSTRUCTIONS.items() for number in numbers]
    for (line, number), halves in zip(cases, assembled([line for line, _ in cases], tmp_path), strict=True):
        found = access_at(halves, 0)
        assert found, line
        assert found.distance == (-number if line.startswith("sub") else number), line
    for line, halves in zip(NO_DISTANCE, assembled(NO_DISTANCE, tmp_path), strict=True):
        assert access_at(halves, 0) is None, line
    one, other = (
        access_at(halves, 0) for halves in assembled(["ldr.w r1, [r3, #4]", "ldr.w r1, [r3, #-4]"], tmp_path)
    )
    assert one
    assert other
    assert one.rest == other.rest


OLD, NEW = {0x2000_0000: "a", 0x2000_0004: "b"}, {0x2000_0000: "new", 0x2000_0004: "a", 0x2000_0008: "b"}


FAR = "ldr.w r3, [pc, #4]"
"""LDR (literal) in 32 bits, as code is that is far from its literals."""


@pytest.mark.parametrize("load", ["ldr r3, [pc, #4]", FAR])
@pytest.mark.parametrize(
    ("old", "new", "base", "is_same"),
    [
        ("ldr r0, [r3, #4]", "ldr r0, [r3, #8]", 0x2000_0000, True),  # b moved
        ("ldr r0, [r3, #0]", "ldr r0, [r3, #0]", 0x2000_0004, True),  # a moved, and the anchor with it
        ("ldr r0, [r3, #4]", "ldr r0, [r3, #4]", 0x2000_0004, True),
        ("ldr r0, [r3, #4]", "ldr r0, [r3, #4]", 0x2000_0008, False),  # from b to nothing
        ("ldr r0, [r3, #4]", "ldr r0, [r3, #12]", 0x2000_0000, False),
        ("ldr r0, [r3, #0]", "ldr r0, [r3, #8]", 0x2000_0000, False),  # from a to b
        ("ldr r0, [r3, #4]", "ldr r1, [r3, #8]", 0x2000_0000, False),  # another register
        ("ldr r0, [r3, #4]", "str r0, [r3, #8]", 0x2000_0000, False),
        ("movs r0, #4", "movs r0, #8", 0x2000_0000, False),
    ],
)  # fmt: skip
def test_only_the_same_symbol_is_the_same(
    old: str, new: str, base: int, is_same: bool, load: str, tmp_path: Path
) -> None:
    """A distance is explained where both versions reach one symbol, and by nothing else."""
    after = ["bx lr"] if load == FAR else ["bx lr", "nop"]
    one, other = (
        b"".join(struct.pack(f"<{len(halves)}H", *halves) for halves in assembled(lines, tmp_path))
        for lines in ([load, old, *after], [load, new, *after])
    )
    sides = [
        SymbolSide(
            code + struct.pack("<I", word),
            0x1000,
            lambda at, names=names: frozenset({names[at]} if at in names else ()),
        )
        for code, word, names in ((one, 0x2000_0000, OLD), (other, base, NEW))
    ]
    assert same_but_for_addresses(*sides) is is_same

"""What the emulator asks of instructions, compared with what the assembler makes of their words."""

from __future__ import annotations

from pathlib import Path

from thumb import assembled

from gemel.m_profile.halfwords import instructions, is_call


def test_calls_are_told_from_branches(tmp_path: Path) -> None:
    """Only instructions that leave a return address count as calls."""
    for line, expected in (
        ("bl .", True),
        ("blx r3", True),
        ("b.w .", False),
        ("bx lr", False),
        ("bx r3", False),
    ):
        _, first, second = next(instructions(assembled(line, tmp_path)))
        assert is_call(first, second) == expected, line


def test_half_an_instruction_is_left_alone() -> None:
    """Code that ends inside a 32-bit instruction gives the whole ones before it."""
    assert list(instructions(b"\x00\xbf\x00\xf0")) == [(0, 0xBF00, 0)]
    assert list(instructions(b"")) == []
    assert list(instructions(b"\x00")) == []

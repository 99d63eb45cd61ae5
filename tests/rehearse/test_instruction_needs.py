"""What the emulator asks of instructions, compared with what the assembler makes of their words."""

from __future__ import annotations

from pathlib import Path

import pytest
from device_programs import SLEEP, run
from thumb import assembled

from gemel.m_profile.instructions.halfwords import instructions, is_call
from gemel.rehearsal.emulator.core.code_stops import TARGET_TEST
from gemel.rehearsal.emulator.core.instruction_needs import aligned_base, coprocessor_of, may_unalign_stack


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


@pytest.mark.parametrize(
    ("code", "executes"),
    [
        ("tt r3, r0", True),
        ("ttt r3, r0", True),
        ("tta r3, r0", True),
        ("cmp r4, #0\n it eq\n ttateq r3, r0", True),
        ("4: tt r3, r0\n adds r4, #1\n cmp r4, #200\n bne 4b", True),
        ("cmp r4, #0\n it ne\n ttne r3, r0", False),
        ("b 5f\n tt r3, r0\n5:", False),
        ("ldrex r3, [r0]\n strex r2, r3, [r0]", False),
        ("ldrd r2, r3, [r0]\n strd r2, r3, [r0]", False),
    ],
)
def test_result_says_that_the_target_test_was_executed(code: str, executes: bool) -> None:
    """TT answers without memory protection and attribution: said where it is executed, not where it only stands."""
    rehearsal = run(f"ldr r0, =0x38000000\n {code}\n {SLEEP}", "", without_release=True)
    assert (f"station: {TARGET_TEST}" in rehearsal.notes) is executes
    assert rehearsal.cores[0].state == "sleeping"


FOR_ZERO = "sub.w r2, r3, #0x01010101\n bics r2, r3\n"
"""As newlib's strcpy for Armv7-M does, which has read the next word of a doubleword by then (disassembled)."""
BYTE, END = "ldr r0, =0x38000108\n strb r4, [r0]\n", "ldr r0, =0x3800010C\n strb r4, [r0, #3]\n"
"""A text's first byte in a doubleword, and its last one."""
WIDE_READS = {
    "a word from a byte on": (BYTE + "ldr r1, [r0]", False),
    "a word up to a byte": (END + "ldr r1, [r0]", False),
    "a halfword": (BYTE + "ldrh r1, [r0]", False),
    "a doubleword from a byte on": (BYTE + "ldrd r1, r2, [r0]", False),
    "a doubleword up to a byte": (END + "ldrd r1, r2, [r0, #-4]", False),
    "a doubleword, and the base moves": (END + "subs r0, #4\n ldrd r1, r2, [r0], #8", False),
    "only what was written": (BYTE + "ldrb r1, [r0]", False),
    "the second word, for a text's end": (BYTE + "ldr r1, [r0, #4]\n" + FOR_ZERO, False),
    "the word before, for a text's end": (END + "ldr r1, [r0, #-4]!\n nop\n" + FOR_ZERO, False),
    "the third word, for a text's end": (BYTE + "ldr r1, [r0, #8]\n" + FOR_ZERO, True),
    "an unaligned word, for a text's end": (BYTE + "ldr r1, [r0, #1]\n" + FOR_ZERO, True),
    "a halfword of the second, for a text's end": (BYTE + "ldrh r1, [r0, #4]\n" + FOR_ZERO, True),
    "the second word, less one": (BYTE + "ldr r1, [r0, #4]\n sub.w r2, r1, #0x00010001\n", True),
    "the second word, long before": (BYTE + "ldr r1, [r0, #4]\n .rept 10\n nop\n .endr\n" + FOR_ZERO, True),
    "the byte after": (BYTE + "ldrb r1, [r0, #1]", True),
    "the halfword after": (BYTE + "ldrh r1, [r0, #2]", True),
    "the word after": (BYTE + "ldr r1, [r0, #4]", True),
    "the word in front": (BYTE + "ldr r1, [r0, #-4]", True),
    "the doubleword after": (BYTE + "ldrd r1, r2, [r0, #8]", True),
    "the doubleword in front": (BYTE + "ldrd r1, r2, [r0, #-8]", True),
    "words of which the second was not written": (BYTE + "ldm r0, {r1, r2}", True),
    "an unaligned word": (BYTE + "ldr r1, [r0, #-1]", True),
    "an unaligned halfword": (BYTE + "ldrh r1, [r0, #-1]", True),
}


@pytest.mark.parametrize("name", WIDE_READS)
def test_wide_reads_of_what_is_in_part_written(name: str) -> None:
    """Functions for text read whole words, aligned, in which it begins or ends; anything else was to be written."""
    code, warns = WIDE_READS[name]
    found = run(f"{code}\n {SLEEP}", "", without_release=True, watches=("reads",)).findings
    assert [each.kind for each in found if each.severity == "warning"] == ["read-of-unwritten"] * warns


@pytest.mark.parametrize(
    ("first", "second", "number"),
    [
        (0xEE30, 0x0A00, 10),
        (0xFE42, 0x6935, 9),
        (0xECB0, 0xCA43, 10),
        (0xFC38, 0x1ECD, 14),
        (0xEF00, 0x0A00, None),
        (0xFFFF, 0xFFFF, None),
        (0xFB4E, 0xF210, None),
        (0xE8D0, 0xFA5F, None),
    ],
)
def test_coprocessor_of(first: int, second: int, number: int | None) -> None:
    """Encodings 111x110x and 111x1110 are for a coprocessor (DDI 0553, "Coprocessor instructions", from memory)."""
    assert coprocessor_of(first, second) == number


@pytest.mark.parametrize(
    ("first", "base"),
    [
        (0xE885, 5),
        (0xE895, 5),
        (0xE8A5, 5),
        (0xE905, 5),
        (0xE935, 5),
        (0xE815, None),
        (0xE985, None),
        (0xE9B2, None),
    ],
)
def test_aligned_base_of_several_registers(first: int, base: int | None) -> None:
    """LDM and STM after or before; what other profiles have between them is undefined (DDI 0553, from memory)."""
    assert aligned_base(first, 0x001E) == (base and (base, 4))


@pytest.mark.parametrize(
    ("code", "may"),
    [
        ("add sp, r3", True),
        ("sub.w sp, sp, r3", True),
        ("add.w sp, sp, r3, lsl #1", True),
        ("sub.w sp, sp, #6", True),
        ("subw sp, sp, #1026", True),
        ("add.w sp, sp, #0x030003", True),
        ("ldrb r0, [sp], #1", True),
        ("strb r0, [sp, #-1]!", True),
        ("sub.w sp, sp, r3, lsl #2", False),
        ("add.w sp, sp, r3, lsl #3", False),
        ("sub sp, #508", False),
        ("add sp, #508", False),
        ("sub.w sp, sp, #0x1040", False),
        ("subw sp, sp, #1028", False),
        ("add.w sp, sp, #0x03000300", False),
        ("str r0, [sp, #-4]!", False),
        ("ldrd r0, r1, [sp], #8", False),
        ("ldrb r0, [sp, #1]", False),
        ("push {r0, r1}", False),
        ("pop.w {r4, r8}", False),
        ("cmp sp, r3", False),
        ("cmn sp, r3", False),
        ("add r3, sp", False),
        ("sub.w r3, sp, r3", False),
        ("add.w r3, sp, #3", False),
    ],
)
def test_what_may_take_a_stack_pointer_off_its_words(code: str, may: bool, tmp_path: Path) -> None:
    """ADD and SUB of what may be no multiple of four, and such a writeback; not what compilers write."""
    _, first, second = next(instructions(assembled(code, tmp_path)))
    assert may_unalign_stack(first, second) == may


UNWRITTEN = "ldr r0, =0x38000400\n "
COPIES = {
    "a word": ("ldr r1, [r0]\n str r1, [r0, #16]", 0),
    "several words": ("ldm r0, {r1, r2, r3}\n adds r0, #32\n stm r0!, {r1, r2, r3}", 0),
    "a pair": ("ldrd r1, r2, [r0]\n strd r1, r2, [r0, #16]", 0),
    "bytes in a loop": (
        "movs r5, #8\n1: ldrb r1, [r0]\n strb r1, [r0, #16]\n adds r0, #1\n subs r5, #1\n bne 1b",
        0,
    ),
    "a word, and then its copy is used": (
        "ldr r1, [r0]\n str r1, [r0, #16]\n ldr r2, [r0, #16]\n adds r2, #1",
        1,
    ),
    "a copy that is copied and used": (
        "ldr r1, [r0]\n str r1, [r0, #16]\n ldr r1, [r0, #16]\n str r1, [r0, #32]\n ldr r1, [r0, #32]\n tst r1, r1",
        1,
    ),
    "a copy that is written and used": (
        "ldr r1, [r0]\n str r1, [r0, #16]\n str r4, [r0, #16]\n ldr r1, [r0, #16]\n tst r1, r1",
        0,
    ),
    "in part a copy": ("ldrd r1, r2, [r0]\n str r1, [r0, #16]", 1),
    "counted up": ("ldr r1, [r0]\n adds r1, #1\n str r1, [r0]", 1),
    "stored and compared": ("ldr r1, [r0]\n str r1, [r0, #16]\n cmp r1, #3", 1),
    "stored and compared with zero": ("ldr r1, [r0]\n str r1, [r0, #16]\n cbz r1, 1f\n nop\n1: nop", 1),
    "stored and used as an address": ("ldr r1, [r0]\n str r1, [r0, #16]\n mov r2, r1", 1),
    "a word of which a byte is stored": ("ldr r1, [r0]\n strb r1, [r0, #16]", 1),
    "not stored before a branch": ("ldr r1, [r0]\n b 1f\n1: str r1, [r0, #16]", 1),
    "not stored": ("ldr r1, [r0]", 1),
}


@pytest.mark.parametrize("name", COPIES)
def test_copies_of_what_nobody_wrote(name: str) -> None:
    """A copy, as of a block that is moved or of a structure with gaps, is no use; a use of the copy is one."""
    code, warnings = COPIES[name]
    found = run(f"{UNWRITTEN}{code}\n {SLEEP}", "", without_release=True, watches=("reads",)).findings
    kinds = [each.kind for each in found if each.severity == "warning"]
    assert min(len(kinds), 1) == warnings, found
    assert set(kinds) <= {"read-of-unwritten"}

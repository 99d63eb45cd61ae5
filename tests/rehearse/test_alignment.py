"""Accesses that must be aligned: found however often the instruction was aligned before, and nothing else is."""

from __future__ import annotations

import pytest
from device_programs import SLEEP, result, run, store, word

from gemel.rehearsal.emulator.core.alignment_looks import MAX_LOOKS

HANG = "1: b 1b\n"
SKIPS = "ldr r0, [sp, #24]\n adds r0, #4\n str r0, [sp, #24]\n bx lr\n .ltorg\n"
"""A handler that goes on four bytes after the instruction."""
STEPS_BY = "ldr r1, =0x38000100\n ldr r6, =0x38000100\n mov r5, #{count}\n2: {access}\n {step}\n subs r5, #1\n bne 2b\n"
"""A loop whose last turn, or whose every turn, is at another address."""
AT_LAST = "cmp r5, #2\n it eq\n addeq r1, #2"


@pytest.mark.parametrize(
    "access",
    [
        "ldmia r1, {r2, r3}",
        "stmdb r1, {r2, r3}",
        "ldrd r2, r3, [r1, #8]",
        "strd r2, r3, [r1], #4",
        "lda r2, [r1]",
        "cmp r5, #77\n ite eq\n moveq r2, #1\n movne r2, #3\n ldrd r2, r3, [r1]",
        "cmp r5, #0\n itt ne\n movne r2, #1\n ldrdne r2, r3, [r1]",
    ],
)
def test_an_address_that_is_aligned_at_first(access: str) -> None:
    """The access of the last turn is at an odd halfword, and faults (DDI 0553, "Alignment behavior", from memory)."""
    program = STEPS_BY.format(count=5, access=access, step=AT_LAST) + SLEEP
    found = run(program, "", handler=HANG).finding("alignment-fault")
    assert found is not None
    assert found.core == "station"
    sound = run(program.replace("addeq r1, #2", "addeq r1, #4"), "", handler=HANG)
    assert sound.finding("alignment-fault") is None


@pytest.mark.parametrize(("count", "faults"), [(MAX_LOOKS, True), (MAX_LOOKS + 1, False)])
def test_it_is_looked_at_so_many_times(count: int, faults: bool) -> None:
    """The address of an instruction is looked at ``MAX_LOOKS`` times, as the limits of a rehearsal say."""
    program = STEPS_BY.format(count=count, access="ldrd r2, r3, [r1]", step=AT_LAST) + SLEEP
    assert (run(program, "", handler=HANG).finding("alignment-fault") is not None) == faults


def test_a_handler_that_does_the_access_itself() -> None:
    """A fault handler that goes on after the access is entered each time: at 3 of 4 addresses."""
    skips = "ldr r0, [sp, #24]\n adds r0, #4\n str r0, [sp, #24]\n adds r4, #1\n"
    handler = skips + "ldr r0, =0xE000ED28\n ldr r1, [r0]\n str r1, [r0]\n bx lr\n .ltorg\n"
    program = STEPS_BY.format(count=12, access="ldrd r2, r3, [r1]", step="adds r1, #1")
    assert run(program + result("r4") + SLEEP, "", handler=handler).shared_memory["link"][0] == 9


def test_code_that_another_replaces() -> None:
    """In RAM an instruction that must be aligned may give way to one that need not be."""
    code = 0x3800_0200
    program = (
        store(code, "0x2302E9D1")  # ldrd r2, r3, [r1, #8]
        + store(code + 4, "0x47704770")
        + f"ldr r1, =0x38000010\n ldr r7, ={code + 1:#x}\n blx r7\n"
        + store(code, "0x2002F8D1")  # ldr.w r2, [r1, #2]
        + "dsb\n isb\n ldr r1, =0x38000001\n blx r7\n"
    )
    rehearsal = run(program + SLEEP, "", handler=HANG)
    assert rehearsal.finding("alignment-fault") is None, rehearsal.findings
    assert rehearsal.finding("stays-in-handler") is None


@pytest.mark.parametrize(
    ("block", "faults"),
    [
        ("it eq\n ldmiaeq r1, {r2, r3}\n", True),
        ("it ne\n ldmiane r1, {r2, r3}\n", False),
        ("ite ne\n movne r2, #1\n stmiaeq r1, {r2, r3}\n", True),
        ("itte eq\n moveq r2, #1\n ldrdeq r2, r3, [r6]\n ldrdne r2, r3, [r1]\n", False),
        ("ittt eq\n moveq r2, #1\n ldrdeq r2, r3, [r6]\n ldrdeq r2, r3, [r1]\n", True),
        ("itt eq\n subeq r6, r6, #14\n ldrdeq r2, r3, [r6]\n", True),
        ("itt ne\n subne r6, r6, #14\n ldrdne r2, r3, [r6]\n", False),
        ("itt eq\n subeq r6, r6, #12\n ldrdeq r2, r3, [r6]\n", False),
        ("itt eq\n addeq r1, r1, #2\n ldrdeq r2, r3, [r1]\n mov r1, r7\n", False),
        ("ittt eq\n ldrdeq r2, r3, [r6]\n subeq r6, r6, #14\n ldrdeq r2, r3, [r6]\n", True),
        (
            "itete eq\n addeq r1, r1, #2\n ldmiane r1, {r2, r3}\n ldmiaeq r1, {r2, r3}\n ldmiane r7, {r3, r4}\n"
            " mov r1, r7\n",
            False,
        ),
        ("itt eq\n cmpeq r6, #0\n ldrdeq r2, r3, [r1]\n", False),
    ],
)
def test_alignment_in_an_if_then_block(block: str, faults: bool) -> None:
    """A multiple access must be aligned in an if-then block too, where its condition holds."""
    program = "ldr r1, =0x38000002\n mov r7, r1\n ldr r6, =0x38000010\n movs r5, #3\n2: cmp r4, #0\n " + block
    rehearsal = run(program + "subs r5, #1\n bne 2b\n" + SLEEP, "", handler=HANG)
    found = rehearsal.finding("alignment-fault")
    assert (found is not None) == faults
    if found is not None:
        assert "0x3800_0002" in found.found


@pytest.mark.parametrize(
    ("access", "faults"),
    [
        ("ldr r1, [r0, #1]", True),
        ("ldr.w r1, [r0, #6]", True),
        ("ldr r1, [r0, r5]", True),
        ("ldrh r1, [r0, #3]", True),
        ("str r1, [r0, #2]", True),
        ("strh r1, [r0, #3]", True),
        ("ldrh r1, [r0, #2]", False),
        ("strb r1, [r0, #3]\n strb r1, [r0, #4]", False),
        ("ldrb r1, [r0, #3]\n ldrb r1, [r0, #4]", False),
        ("ldr r1, [r0]\n ldr r1, [r0, #4]", False),
        ("ldrh r1, [r0]\n ldrh r1, [r0, #2]", False),
        ("ldrd r2, r3, [r0]", False),
        ("ldm r0, {r1, r2, r3}", False),
        ("strd r2, r3, [r0]", False),
        ("stm r0, {r1, r2, r3}", False),
    ],
)
@pytest.mark.parametrize("registers", [0x5020_0000, 0xE000_E100], ids=["device", "core"])
def test_unaligned_access_to_device_memory(registers: int, access: str, faults: bool) -> None:
    """Device memory takes aligned accesses only (Armv8-M, DDI 0553, "Alignment behavior", from memory)."""
    again = "2: " + access + "\n subs r4, #1\n bne 2b\n"
    base = f"movs r5, #7\n movs r4, #5\n ldr r0, ={registers:#x}\n ldr r1, =0\n"
    rehearsal = run(base + again + SLEEP, "", handler=HANG)
    found = rehearsal.finding("alignment-fault")
    assert (found is not None) == faults
    assert rehearsal.finding("stays-in-handler") is None


@pytest.mark.parametrize(("trap", "left"), [("0x8", 0), ("0x0", 0x4100)])
def test_a_store_that_the_trap_refuses(trap: str, left: int) -> None:
    """It leaves memory as it is (DDI 0553, "Alignment behavior", from memory); without the trap it is done."""
    program = result("r4") + store(0xE000_ED14, trap) + "dsb\n isb\n ldr r2, =0x38010000\n movs r3, #65\n"
    rehearsal = run(program + "str.w r3, [r2, #1]\n" + SLEEP, "", handler=SKIPS)
    assert word(rehearsal) == left


@pytest.mark.parametrize(
    ("access", "holds"),
    [
        ("strh.w r3, [r2, #1]", 1),
        ("str.w r3, [r2, #3]", 1),
        ("str.w r3, [r2, #2]", 1),
        ("str.w r3, [r2, #-1]", 1),
        ("str r3, [r2, r1]", 1),
        ("strh.w r3, [r2, #2]", 0x4040_0000),
        ("strb.w r3, [r2, #1]", 0x4000),
        ("strb r3, [r2, r1]", 0x4000),
        ("stlb r3, [r2]", 0x40),
        ("str.w r3, [r2]", 0x4040_4040),
    ],
)
@pytest.mark.parametrize("register", [0x5020_0000, 0xE000_E400], ids=["device", "core"])
def test_an_unaligned_store_to_a_register_writes_nothing(register: int, access: str, holds: int) -> None:
    """A fault (1), and nothing in the register; other stores reach it (DDI 0553, "Alignment", from memory)."""
    held = f"[rehearsal]\nheld = [{{ at = {register:#x}, reset = 0 }}]\n" if register < 0xE000_0000 else ""
    program = f"ldr r2, ={register:#x}\n ldr r3, =0x40404040\n movs r1, #1\n nop.w\n {access}\n nop\n nop\n"
    rehearsal = run(
        program + "ldr r3, [r2]\n orr r3, r4\n" + result("r3") + SLEEP, held, "adds r4, #1\n" + SKIPS
    )
    assert word(rehearsal) == holds


@pytest.mark.parametrize(
    ("trap", "access", "kind"),
    [
        (8, "ldr r1, [r2, #1]", "alignment-fault"),
        (8, "ldrsh r1, [r2, r3]", "alignment-fault"),
        (8, "str r1, [r2, #2]", "alignment-fault"),
        (8, "cmp r2, r2\n it eq\n ldreq r1, [r2, #1]", "alignment-fault"),
        (8, "cmp r2, r2\n it ne\n ldrne r1, [r2, #1]", None),
        (0, "ldr r1, [r2, #1]", "unmapped-read"),
        (8, "ldr r1, [r2, #4]", "unmapped-read"),
        (8, "ldrh r1, [r2, #2]", "unmapped-read"),
        (8, "ldrb r1, [r2, #1]", "unmapped-read"),
        (8, "ldrd r0, r1, [r2, #4]", "unmapped-read"),
    ],
)
def test_the_trap_goes_before_a_bus_fault(trap: int, access: str, kind: str | None) -> None:
    """An access that is refused otherwise too is looked at for its alignment first (DDI 0553, from memory)."""
    program = store(0xE000_ED14, hex(trap)) + "dsb\n isb\n movs r3, #1\n ldr r2, =0x60000000\n"
    rehearsal = run(program + access + "\n" + SLEEP, "", handler="b .\n")
    found = [
        each for each in ("alignment-fault", "unmapped-read", "unmapped-write") if rehearsal.finding(each)
    ]
    assert found == ([kind] if kind else [])


IN_BLOCK = {
    "a word of nowhere": ("ldrne r1, [r2]", "unmapped-read"),
    "words to nowhere": ("strdne r1, r3, [r2]", "unmapped-write"),
    "a byte to nowhere": ("strbne r1, [r2]", "unmapped-write"),
    "a word to flash": ("strne r1, [r6]", "write-to-flash"),
    "words, not aligned": ("ldmne r5, {r1, r3}", "alignment-fault"),
    "a register, not aligned": ("ldrne r1, [r7, #1]", "alignment-fault"),
    "no instruction": ("udfne #0", "undefined-instruction"),
    "a division": ("udivne r1, r1, r4", "division-by-zero"),
}


@pytest.mark.parametrize("traps", ["0x10", "0x18"], ids=["division", "division and alignment"])
@pytest.mark.parametrize("name", IN_BLOCK)
def test_a_fault_in_an_if_then_block(name: str, traps: str) -> None:
    """Its frame holds the flags and the rest of the block, whatever watches the access (DDI 0553, "EPSR.IT")."""
    access, kind = IN_BLOCK[name]
    program = (
        store(0xE000_ED14, traps)
        + "ldr r2, =0x60000000\n ldr r5, =0x38000102\n ldr r6, =0x10000000\n ldr r7, =0x50200000\n"
        + f"movs r3, #1\n cmp r3, #0\n ittet ne\n addne r4, #0\n {access}\n moveq r4, #2\n movne r4, #3\n"
    )
    rehearsal = run(program + SLEEP, "", handler="ldr r3, [sp, #28]\n" + result("r3") + HANG)
    assert rehearsal.finding(kind) is not None, rehearsal.findings
    assert word(rehearsal) == 0x2500_1400  # C, NE, two instructions left after this one


@pytest.mark.parametrize(("divisor", "condition"), [("r4", "eq"), ("r3", "ne")])
def test_a_division_in_an_if_then_block_that_is_none_by_zero(divisor: str, condition: str) -> None:
    """One whose condition does not hold, and one by another number, trap nothing, however often they are executed."""
    block = f"itt {condition}\n add{condition} r1, #1\n udiv{condition} r1, r1, {divisor}\n"
    program = (
        store(0xE000_ED14, "0x10")
        + "movs r3, #1\n mov r6, #200\n2: cmp r3, #0\n "
        + block
        + "subs r6, #1\n bne 2b\n movs r3, #77\n"
    )
    rehearsal = run(program + result("r3") + SLEEP, "", handler=HANG)
    assert rehearsal.finding("division-by-zero") is None
    assert word(rehearsal) == 77

"""Every example of a device that `gemel explain layout` shows, read from its text and run by a small program.

Also what the examples leave out: other ways of clearing, and a flash controller used wrongly.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from device_programs import (
    BLOCK,
    DEVICE,
    ERASE,
    FLASH,
    SAMPLER,
    SLEEP,
    UNLOCK,
    WAIT,
    ZEROS,
    code_of,
    enabled,
    example,
    load,
    result,
    run,
    store,
    word,
)
from rehearsals import gauge

from gemel.layout.reader import read_layout
from gemel.layout.reference import device_examples, layout_reference
from gemel.rehearsal.result import Rehearsal
from gemel.text.wrapping import step_lines

COUNTS = "ldr r0, =0x38010000\n ldr r1, [r0]\n adds r1, #1\n str r1, [r0]\n"
COUNTS_FROM_ZERO = result("r4")
PROGRAM = store(DEVICE + 0x10, "1") + store(BLOCK + 8, "0x12345678")


def restarted() -> Rehearsal:
    """The sampler counts its starts; the station releases it, holds it back and releases it again."""
    table = example("a secondary that is restarted")
    control = 0x5002_1118
    delay = "movs r2, #200\n{0}: subs r2, #1\n bne {0}b\n"
    program = (
        result("r4")
        + store(0x5002_1114, hex(SAMPLER))
        + "".join(store(control, value) + delay.format(each) for each, value in enumerate(("0", "2", "0"), 2))
    )
    return run(program + SLEEP, table, sampler=COUNTS + SLEEP, without_release=True)


PROGRAMS: dict[str, Callable[[], Rehearsal]] = {
    "a secondary that is restarted": restarted,
    "a register of two meanings": lambda: run(
        "ldr r0, =0x50200000\n1: ldr r1, [r0]\n cmp r1, #0x80\n bne 1b\n movs r1, #65\n str r1, [r0]\n"
        + load("r3", DEVICE)
        + result("r3")
        + SLEEP,
        example("a register of two meanings"),
    ),
    "a register of which": lambda: run(
        store(DEVICE, "0xFF") + load("r3", DEVICE) + result("r3") + SLEEP,
        example("a register of which"),
    ),
    "a port with": lambda: run(
        store(DEVICE + 4, "0xFF") + store(DEVICE + 8, "0x0F") + load("r3", DEVICE) + result("r3") + SLEEP,
        example("a port with"),
    ),
    "an oscillator": lambda: run(
        load("r6", DEVICE) + store(DEVICE, "1") + load("r3", DEVICE) + "orrs r3, r6\n" + result("r3") + SLEEP,
        example("an oscillator"),
    ),
    "the number of": lambda: run(
        result("r4") + store(0x5002_1114, hex(SAMPLER)) + store(0x5002_1118, "0") + SLEEP,
        example("the number of"),
        sampler=load("r3", DEVICE) + result("r3") + SLEEP,
    ),
    "a periodic timer": lambda: run(
        COUNTS_FROM_ZERO + enabled(5) + SLEEP,
        example("a periodic timer"),
        handler=COUNTS + store(DEVICE + 8, "1"),
    ),
    "a byte that is sent": lambda: run(
        COUNTS_FROM_ZERO + enabled(6) + store(DEVICE, "65") + "wfi\n" + store(DEVICE, "66") + SLEEP,
        example("a byte that is sent"),
        handler=COUNTS,
    ),
    "a conversion": lambda: run(
        store(DEVICE, "1")
        + f"ldr r0, ={DEVICE + 4:#x}\n1: ldr r1, [r0]\n cmp r1, #1\n bne 1b\n"
        + load("r3", DEVICE + 0xC)
        + load("r3", DEVICE + 4)
        + "adds r3, #7\n"
        + result("r3")
        + SLEEP,
        example("a conversion"),
    ),
    "flash that is unlocked": lambda: run(
        UNLOCK + ERASE + PROGRAM + WAIT + load("r3", BLOCK + 8) + result("r3") + SLEEP,
        example("flash that is unlocked"),
    ),
}
WORDS = {
    "a secondary that is restarted": 2,
    "a register of two meanings": 0x80,
    "a register of which": 0x10F,
    "a port with": 0xF0,
    "an oscillator": 0x201,
    "the number of": 1,
    "a periodic timer": 59,
    "a byte that is sent": 2,
    "a conversion": 7,
    "flash that is unlocked": 0x1234_5678,
}
"""What each program leaves in the shared area."""


@pytest.mark.parametrize("example", device_examples(), ids=lambda each: each.title[:20])
def test_example_is_shown_read_and_runs(example: object) -> None:
    """Every example stands in the reference; a program that uses the device finds what the example describes.

    A device takes one to five lines under the header of its table: what each says is needed for that device.
    """
    (each,) = [each for each in device_examples() if each == example]
    (name,) = [name for name in PROGRAMS if each.title.startswith(name)]
    assert "\n".join(f"    {line}" for line in each.text.splitlines()) in layout_reference()
    assert 1 <= len([line for line in each.text.splitlines() if not line.startswith("[")]) <= 5
    rehearsal = PROGRAMS[name]()
    errors = [
        finding
        for finding in rehearsal.findings
        if finding.severity == "error" and finding.kind != "never-released"
    ]
    assert {finding.kind for finding in errors} <= {"no-wake-up-source"}, errors
    assert word(rehearsal) == WORDS[name]


@pytest.mark.parametrize(
    ("faults_at", "severity"), [("#1", "warning"), ("#5", "error")], ids=["once", "again"]
)
def test_a_secondary_that_is_restarted_after_a_fault(faults_at: str, severity: str) -> None:
    """A fault is over with the reset of its core; one that comes again after the restart is not."""
    control, places = 0x5002_1118, "ldr r0, =0x38010000\n ldr r1, [r0]\n adds r1, #1\n str r1, [r0]\n"
    faults = f"cmp r1, {faults_at}\n bhi 2f\n ldr r2, =0x60000000\n str r1, [r2]\n2: movs r1, #7\n str r1, [r0, #4]\n"
    delay = "movs r2, #200\n{0}: subs r2, #1\n bne {0}b\n"
    program = result("r4") + store(0x5002_1114, hex(SAMPLER))
    program += "".join(
        store(control, value) + delay.format(each) for each, value in enumerate(("0", "2", "0"), 2)
    )
    goal = '\n[[rehearsal.goal]]\ncore = "station"\nword = { at = 0x3801_0000, value = 2 }\n'
    table = example("a secondary that is restarted") + goal
    rehearsal = run(
        program + SLEEP, table, sampler=places + faults + SLEEP, handler="1: b 1b\n", without_release=True
    )
    finding = rehearsal.finding("unmapped-write")
    assert finding is not None
    assert finding.severity == severity
    assert ("core sampler is reset and started again" in finding.found) is (severity == "warning")
    assert rehearsal.passes is (severity == "warning")


def test_what_two_meanings_send() -> None:
    """The write to the register that reads a status is sent."""
    assert PROGRAMS["a register of two meanings"]().texts == {"serial": "A"}


@pytest.mark.parametrize(
    ("how", "value", "left"), [("one", 1, 0), ("one", 2, 1), ("zero", 0, 0), ("write", 8, 0)]
)
def test_ways_of_clearing(how: str, value: int, left: int) -> None:
    """Write one, write zero and any write clear the status; a one elsewhere does not."""
    table = (
        f'[[rehearsal.event]]\ncore = "station"\nafter_write = {DEVICE:#x}\nstatus_at = {DEVICE + 4:#x}\n'
        f'clear_at = {DEVICE + 4:#x}\ncleared_by = "{how}"\n'
    )
    wait = f"ldr r0, ={DEVICE + 4:#x}\n1: ldr r1, [r0]\n cmp r1, #1\n bne 1b\n"
    program = (
        store(DEVICE, "1") + wait + store(DEVICE + 4, str(value)) + load("r3", DEVICE + 4) + result("r3")
    )
    assert word(run(program + SLEEP, table)) == left


def test_bits_that_the_device_sets_are_not_written() -> None:
    """A ready bit that code writes back with the register goes once its enable bit does."""
    back = load("r3", DEVICE) + "bic r3, r3, #1\n" + "str r3, [r0]\n" + load("r3", DEVICE)
    program = store(DEVICE, "1") + load("r3", DEVICE) + "str r3, [r0]\n" + back
    assert word(run(program + result("r3") + SLEEP, example("an oscillator"))) == 0


def test_both_cores_may_read_what_differs_by_core() -> None:
    """A register with a value for each core is nobody's alone."""
    reads = load("r3", DEVICE)
    program = result("r4") + reads + store(0x5002_1114, hex(SAMPLER)) + store(0x5002_1118, "0") + SLEEP
    rehearsal = run(program, example("the number of"), sampler=reads + result("r3") + SLEEP)
    assert word(rehearsal) == 1
    assert rehearsal.finding("register-of-both-cores") is None


def test_busy_until_the_event() -> None:
    """Bits that read one from the starting write to the event."""
    table = (
        f'[[rehearsal.event]]\ncore = "station"\nafter_write = {DEVICE:#x}\nstatus_at = {DEVICE + 4:#x}\n'
        "busy_bits = 0x2\n"
    )
    wait = f"ldr r0, ={DEVICE + 4:#x}\n1: adds r5, #1\n ldr r1, [r0]\n cmp r1, #2\n beq 1b\n adds r1, r5\n"
    assert 15 < word(run(store(DEVICE, "1") + wait + result("r1") + SLEEP, table)) < 40


def flash(program: str, write_unit: int = 16, exact: bool = False) -> Rehearsal:
    """A program that uses the flash controller of the example."""
    program += load("r3", BLOCK + 8) + result("r3") + SLEEP
    return run(program, example("flash that is unlocked"), write_unit=write_unit, exact=exact)


@pytest.mark.parametrize(
    ("program", "kind"),
    [
        (store(BLOCK + 8, "5"), "write-to-flash"),
        (store(DEVICE + 0x10, "1") + store(BLOCK + 8, "5"), "write-to-flash"),
        (UNLOCK + store(BLOCK + 8, "5"), "write-to-flash"),
        (UNLOCK + PROGRAM + store(DEVICE + 0x10, "0") + store(BLOCK + 8, "0"), "write-to-flash"),
        (store(DEVICE + 0x1C, "0xCDEF89AB") + store(DEVICE + 0x1C, "1") + PROGRAM, "write-to-flash"),
        (UNLOCK + PROGRAM, "flash-command"),
        (UNLOCK + store(DEVICE + 0x14, "0x38000000") + store(DEVICE + 0x10, "2"), "flash-command"),
    ],
    ids=[
        "no command",
        "locked",
        "unlocked alone",
        "command ended",
        "wrong keys",
        "not erased",
        "not in flash",
    ],
)
def test_wrong_use_of_flash_is_a_finding(program: str, kind: str) -> None:
    """A store to flash stays a finding unless it is unlocked and commanded; so is what does not do what it asks."""
    assert flash(program).finding(kind) is not None


def test_flash_is_programmed_bit_by_bit() -> None:
    """With a write unit of one byte, more bits of a programmed word may be cleared; bytes and halfwords too."""
    program = UNLOCK + ERASE + PROGRAM + store(BLOCK + 8, "0x12340000")
    narrow = f"ldr r0, ={BLOCK + 12:#x}\n movs r1, #0x55\n strb r1, [r0]\n ldr r6, [r0]\n"
    rehearsal = flash(program + narrow + "cmn r6, #0xAB\n beq 2f\n udf #0\n2:\n", write_unit=1)
    assert [each.kind for each in rehearsal.findings if "flash" in each.kind or "unit" in each.kind] == []
    assert rehearsal.finding("undefined-instruction") is None
    assert word(rehearsal) == 0x1234_0000


@pytest.mark.parametrize(
    ("unit", "stores", "kinds"),
    [
        (8, {8: "1", 12: "2"}, []),
        (8, {12: "0xFFFFFFFF", 8: "2"}, []),
        (16, {0: "1", 4: "2", 8: "3", 12: "4"}, []),
        (4, {0: "1", 8: "2"}, []),
        (8, {8: "1"}, ["write-unit-in-part"]),
        (16, {0: "1", 4: "2", 8: "3"}, ["write-unit-in-part"]),
        (4, {0: "3", 16: "3", "0 again": "1"}, ["flash-command"]),
        (8, {0: "3", 4: "3", "4 again": "3"}, ["flash-command"]),
        (8, {0: "3", 4: "3", "4 again": "0"}, []),
        (1, {0: "3", "0 again": "1"}, []),
        (1, {0: "1", "0 again": "3"}, ["flash-command"]),
    ],
)
def test_write_units_are_programmed_whole_and_once(
    unit: int, stores: dict[int | str, str], kinds: list[str]
) -> None:
    """A unit may be filled piece by piece; a part of one is a warning, a byte programmed twice is a fault.

    Zeros may be written over anything (common practice: every bit of the unit and of its code is programmed then).
    """
    program = UNLOCK + ERASE + store(DEVICE + 0x10, "1")
    for at, value in stores.items():
        program += store(BLOCK + int(str(at).split()[0]), value)
    findings = flash(program, write_unit=unit, exact=True).findings
    of_flash = [each for each in findings if each.kind in ("flash-command", "write-unit-in-part")]
    assert [each.kind for each in of_flash] == kinds
    last_store = FLASH + 0x400 + code_of(ZEROS + program).rfind(code_of("str r1, [r0]\n"))
    for each in of_flash:
        assert (each.place and each.place.address, each.calls) == (last_store, ())


def test_unit_of_the_image_is_programmed_already() -> None:
    """What the image holds in a unit counts; an erased unit next to it does not; after an erase all are new."""
    beyond = UNLOCK + store(DEVICE + 0x10, "1") + store(BLOCK + 64, "1")
    assert flash(beyond, write_unit=4).finding("flash-command") is None
    within = UNLOCK + store(DEVICE + 0x10, "1") + store(BLOCK + 64, "1") + store(BLOCK + 68, "1")
    found = flash(within, write_unit=128).finding("flash-command")
    assert found is not None
    assert "in a write unit of 128 bytes programmed already" in found.found
    again = ERASE.replace("1:", "4:").replace("1b", "4b")
    two = UNLOCK + ERASE + PROGRAM + store(BLOCK + 12, "5") + again + PROGRAM + store(BLOCK + 12, "6")
    rehearsal = flash(two, write_unit=8)
    assert rehearsal.finding("flash-command") is None
    assert rehearsal.finding("write-unit-in-part") is None


def test_word_is_programmed_through_registers() -> None:
    """Address, data and command in registers; stores into the flash stay a finding."""
    table = (
        f'[[rehearsal.flash_controller]]\nmemory = "flash"\ncommand_at = {DEVICE:#x}\ncommand_mask = 0xFF\n'
        f"program = 0x40\nerase = 0x44\naddress_at = {DEVICE + 4:#x}\ndata_at = {DEVICE + 8:#x}\n"
    )
    program = (
        store(DEVICE + 4, hex(BLOCK + 8))
        + store(DEVICE, "0x44")
        + store(DEVICE + 8, "0xCAFE")
        + store(DEVICE, "0x40")
        + load("r3", BLOCK + 8)
        + result("r3")
    )
    rehearsal = run(program + SLEEP, table)
    assert rehearsal.finding("write-to-flash") is None
    assert word(rehearsal) == 0xCAFE
    assert run(program + store(BLOCK, "0") + SLEEP, table).finding("write-to-flash") is not None


def test_code_that_was_programmed_is_what_runs() -> None:
    """A function that ran, was erased and programmed anew runs as the new one."""
    call = f"ldr r0, ={BLOCK + 0x11:#x}\n blx r0\n"
    old = int.from_bytes(code_of("movs r0, #1\n bx lr\n"), "little")
    new = int.from_bytes(code_of("movs r0, #2\n bx lr\n"), "little")
    write = store(DEVICE + 0x10, "1") + store(BLOCK + 0x10, "{:#x}") + store(DEVICE + 0x10, "0")
    program = UNLOCK + ERASE + write.format(old) + call + "mov r6, r0\n"
    program += (
        ERASE.replace("1:", "3:").replace("1b", "3b")
        + write.format(new)
        + call
        + "lsls r0, #4\n orrs r6, r0\n"
    )
    rehearsal = run(program + result("r6") + SLEEP, example("flash that is unlocked"))
    assert word(rehearsal) == 0x21


@pytest.mark.parametrize(
    ("limit", "kind"), [(1, None), (2, None), (3, "reset-requested"), (9, "reset-requested")]
)
def test_product_that_resets_the_device(limit: int, kind: str | None) -> None:
    """One or two resets that code asks for restart the device, RAM kept; more of them are a finding."""
    reset = store(0xE000_ED0C, "0x05FA0004") + "8: b 8b\n"
    magic = "ldr r2, =0x38010000\n ldr r1, [r2, #8]\n ldr r3, =0xC0FFEE\n cmp r1, r3\n beq 2f\n"
    magic += " str r3, [r2, #8]\n movs r1, #0\n str r1, [r2]\n2:\n"
    counts = COUNTS + f"cmp r1, #{limit}\n bgt 3f\n"
    program = magic + counts + reset + "3:\n" + store(0x5002_1114, hex(SAMPLER)) + store(0x5002_1118, "0")
    rehearsal = run(program + SLEEP, "")
    found = [finding.kind for finding in rehearsal.findings if finding.kind != "no-wake-up-source"]
    assert found == ([kind] if kind else [])
    assert word(rehearsal) == (limit + 1 if kind is None else 3)
    assert [event.text for event in rehearsal.events].count("resets the device") == min(limit, 2)


@pytest.mark.parametrize(
    ("table", "what"),
    [
        ('memory = "ram"', "unknown flash memory"),
        ('memory = "flsh"', "unknown flash memory"),
        ('memory = "flash"\nprogram = 0', "a command without bits"),
    ],
)
def test_faults_of_a_flash_controller(table: str, what: str) -> None:
    """A controller of another kind of memory, or without commands, is an error of the layout."""
    from gemel.errors import LayoutError

    text = gauge("in-place", with_table=False).read.text + "\n[[rehearsal.flash_controller]]\n" + table
    with pytest.raises(LayoutError, match=what):
        read_layout(f"{text}\ncommand_at = {DEVICE:#x}\naddress_at = {DEVICE + 4:#x}\n".encode(), "x.toml")


def test_messages_name_the_register() -> None:
    """What a core waits for is named with the register's name, as the layout gives it."""
    wait = f"ldr r0, ={DEVICE + 4:#x}\n1: ldr r1, [r0]\n cmp r1, #0\n beq 1b\n"
    finding = run(wait + SLEEP, f"[rehearsal.register_name]\nCLOCK_READY = {DEVICE + 4:#x}\n").finding(
        "waits-for-register"
    )
    assert finding is not None
    assert "0x5020_0004 (CLOCK_READY)" in finding.what


@pytest.mark.parametrize(
    ("loop", "value"),
    [
        ("ldr r1, [r0]\n cmp r1, #0\n beq 1b\n", "0x1 "),
        ("ldr r1, [r0]\n lsls r2, r1, #26\n bpl 1b\n", "0x20 "),
        ("ldr r1, [r0]\n and r1, #0x30\n cmp r1, #0x30\n bne 1b\n", "0x30 "),
        ("ldrb r1, [r0, #1]\n tst r1, #0x80\n beq 1b\n", "0x8000 "),
        ("wfe\n ldr r1, [r0]\n tst r1, #8\n beq 1b\n", "0x8 "),
        ("push {r1}\n ldr r1, [r0]\n tst r1, #4\n pop {r1}\n beq 1b\n", "0x4 "),
        ("ldr r1, [r0]\n cmp r1, #0x55\n bne 1b\n", "0x55 "),
        ("ldr r1, [r0]\n cmp r1, #0xA500A5\n bne 1b\n", "0xA500A5 "),
        ("ldr r2, =0x12345678\n ldr r1, [r0]\n cmp r1, r2\n bne 1b\n", "0x12345678 "),
        ("ldr r8, =0x12345678\n ldr r1, [r0]\n cmp r8, r1\n bne 1b\n", "0x12345678 "),
        ("ldr r1, [r0]\n sub r2, r1, #0x55\n cmp r2, #0\n bne 1b\n", "the bits it waits for"),
    ],
)
def test_the_line_to_add_holds_the_bits_that_the_loop_waits_for(loop: str, value: str) -> None:
    """What leads out of the loop is found by trying; with that line in the layout the core goes on."""
    program = f"ldr r0, ={DEVICE + 4:#x}\n1: {loop}"
    finding = run(program + SLEEP, "", budget=200_000).finding("waits-for-register")
    assert finding is not None
    _, *lines = step_lines(finding.next_step)
    assert lines[:2] == ["[[rehearsal.constant]]", f"at = {DEVICE + 4:#X}".replace("0X", "0x")]
    assert value in lines[2]
    given = "\n".join(lines).replace("0x0 # with the bits it waits for", "0x55") + "\n"
    assert run(program + SLEEP, given).cores[0].state == "sleeping"


def test_flash_is_erased_before_it_has_an_address() -> None:
    """The address is written before the command; the finding says so."""
    erase = store(DEVICE + 0x10, "2") + store(DEVICE + 0x14, hex(BLOCK)) + WAIT
    finding = flash(UNLOCK + erase).finding("flash-command")
    assert finding is not None
    assert finding.next_step == "write an address of this flash before the command that uses it"
    assert flash(UNLOCK + ERASE).finding("flash-command") is None

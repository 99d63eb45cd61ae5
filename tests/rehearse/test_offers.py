"""What is proposed of devices with several registers: tried on real builds, and sound siblings that get no proposal."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

import pytest
from rehearsals import Case as Product
from rehearse.differential.building import Builder
from rehearse.differential.cases import PLAIN, Case, Source
from rehearse.differential.judge import LAYOUT

from gemel.layout.rehearsal_model import TABLES as DESCRIBED
from gemel.rehearsal.emulator import offers
from gemel.rehearsal.emulator.offers import DIFFERENT, MIN_KEY, MIN_TEXT, is_text
from gemel.rehearsal.limits import NOT_PROPOSED, limits_page
from gemel.rehearsal.proposals import TABLES
from gemel.rehearsal.result import Rehearsal
from gemel.text.wrapping import step_lines

SERIAL = re.compile(r"\[\[rehearsal\.serial\]\]\nat = .*\nname = .*\n")
GOALS = re.compile(r"\[\[rehearsal\.goal\]\]\ncore = .*\ntext = .*\n")
WORD = '[[rehearsal.goal]]\ncore = "station"\nword = { at = 0x3801_0030, value = 77 }\n'
REACHED = "LINK->word[10] = 77; "
COMPILERS = pytest.mark.parametrize("compiler", [("gcc", "-O1"), ("clang", "-O2")], ids="".join)
DEVICE = "#define DEV(offset) REG(0x50200800u + (offset))\n"


def rehearsed(builder: Builder, compiler: tuple[str, str], text: str, body: str, **options: Any) -> Rehearsal:
    """The station with this program beside a plain sampler."""
    kind, level = compiler
    code = f"{DEVICE}void scenario(void) {{ {body} }}\n" if "scenario" not in body else DEVICE + body
    case = Case("offer", "offers", Source(code, (), kind, (level,)), Source(PLAIN))
    return Product(text, elves_of(builder, case)).rehearse(**options)


def elves_of(builder: Builder, case: Case) -> Mapping[str, bytes]:
    """Both builds."""
    return builder.build(case)


def layout(goals: str = WORD, serial: bool = True) -> str:
    """The board's layout with these goals, and with or without its serial ports."""
    text = GOALS.sub("", LAYOUT.read_text(encoding="utf-8"))
    return (text if serial else SERIAL.sub("", text)) + "\n" + goals


SET_CLEAR = {
    "set, then clear": "DEV(4) = 8; while (!(DEV(0) & 8)); DEV(8) = 8; while (DEV(0) & 8);",
    "clear below set": "DEV(12) = 8; while (!(DEV(0) & 8)); DEV(4) = 0xF8; while (DEV(0) & 8);",
    "one more register": "DEV(16) = 3; DEV(4) = 8; while (!(DEV(0) & 8)); DEV(8) = 8; while (DEV(0) & 8);",
}


@COMPILERS
@pytest.mark.parametrize("name", SET_CLEAR)
def test_a_value_with_registers_that_set_and_clear_it(
    builder: Builder, compiler: tuple[str, str], name: str
) -> None:
    """The registers that are written before each wait are proposed, and with these lines both waits end."""
    body = SET_CLEAR[name] + REACHED
    (finding,) = rehearsed(builder, compiler, layout(), body).findings
    assert finding.kind == "waits-for-register"
    assert "[[rehearsal.set_clear]]\nvalue_at = 0x50200800\nset_at = 0x50200" in finding.next_step
    assert "# then it goes on" in finding.next_step
    added = "\n".join(step_lines(finding.next_step)[1:])
    assert rehearsed(builder, compiler, layout(f"{added}\n{WORD}"), body).passes


@COMPILERS
@pytest.mark.parametrize(
    ("body", "table"),
    [
        ("DEV(4) = 8; while (!(DEV(0) & 8));", "constant"),
        ("DEV(4) = 8; while (!(DEV(0) & 8)); while (DEV(0) & 8);", "sequence"),
        ("DEV(4) = 8; DEV(8) = 4; while (!(DEV(0) & 8)); while (DEV(0) & 8);", "sequence"),
    ],
)
def test_registers_that_do_not_set_and_clear(
    builder: Builder, compiler: tuple[str, str], body: str, table: str
) -> None:
    """A status that nothing is seen to clear is what it was proposed to be."""
    (finding,) = rehearsed(builder, compiler, layout(), body + REACHED).findings
    assert f"[[rehearsal.{table}]]" in finding.next_step
    assert "set_clear" not in finding.next_step


SENDS = """static void send(const char *text) {
    while (*text) { %s DEV(0) = (uint8_t)*text++; }
}
void scenario(void) { send("tide gauge ready\\n"); LINK->word[10] = 77; %s }
"""
WAITS = "while (!(DEV(4) & 2));"


@COMPILERS
def test_a_serial_port_whose_status_is_polled(builder: Builder, compiler: tuple[str, str]) -> None:
    """Behind the ready bit there is text: the port is proposed with it, and then its text can be a goal."""
    (finding,) = rehearsed(builder, compiler, layout(), SENDS % (WAITS, "")).findings
    assert "[[rehearsal.constant]]\nat = 0x50200804\nvalue = 0x2 # then it goes on" in finding.next_step
    assert "[[rehearsal.serial]]\nat = 0x50200800 # takes 'tide gauge ready'" in finding.next_step
    added = "\n".join(step_lines(finding.next_step)[1:])
    goal = '[[rehearsal.goal]]\ncore = "station"\ntext = "tide gauge ready"\n'
    result = rehearsed(builder, compiler, layout(f"{added}\n{goal}"), SENDS % (WAITS, ""))
    assert result.passes
    assert result.texts["serial"].startswith("tide gauge")


@COMPILERS
def test_a_serial_port_that_is_always_ready(builder: Builder, compiler: tuple[str, str]) -> None:
    """Nothing waits, and no port is described: a note has the register and the text."""
    result = rehearsed(builder, compiler, layout("", serial=False), SENDS % ("", ""))
    notes = [each for each in result.notes if "rehearsal.serial" in each]
    assert [each for each in notes if "0x50200800" in each and "tide gauge ready" in each]
    described = rehearsed(builder, compiler, layout(""), SENDS % ("", ""))
    assert not [each for each in described.notes if "rehearsal.serial" in each]


@COMPILERS
@pytest.mark.parametrize(
    "body",
    [
        "for (unsigned duty = 40; duty < 90; duty += 5) DEV(0) = duty;",
        "for (unsigned turn = 0; turn < 40; turn++) DEV(0) = turn & 1 ? 'A' : 'B';",
        "for (unsigned word = 0; word < 40; word++) DEV(0) = 0x41424344 + word;",
        "DEV(0) = 'o'; DEV(0) = 'k';",
    ],
)
def test_what_is_written_to_other_devices_is_no_text(
    builder: Builder, compiler: tuple[str, str], body: str
) -> None:
    """Duty cycles, two levels, words of four characters and a command of two."""
    result = rehearsed(builder, compiler, layout("", serial=False), body)
    assert not [each for each in result.notes if "0x50200800" in each and "serial" in each]


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        (b"ready\n", True),
        (b"ready"[: MIN_TEXT - 1], False),
        (b"t=12.50 C\r\n", False),
        (b"temp 12.5\r\n", False),
        (b"temperature 12.50 C\r\n", True),
        (b"aabba\n", False),
        (b"abcba\n", DIFFERENT == 4),
        (b"abcdefg\n", True),
        (b"ready ready", True),
        (b"readyready", False),
        (b"  (08@HPX`hpx", False),
        (b"ready\x00\n", False),
        (b"\x80ready\n", False),
    ],
)
def test_text_is_printable_and_of_letters(values: bytes, expected: bool) -> None:
    """Too short, too few different ones, too few letters, or one that is not printable: no text."""
    assert is_text(values) is expected


ERASE = "DEV(0x14) = 0x1000f000; DEV(0x10) = %s; while (DEV(0x18) & 1);"
UNLOCK = "DEV(0x1c) = 0x45670123; DEV(0x1c) = 0xcdef89ab;"
STORES = (
    "REG(0x1000f000) = 0x12345678; while (DEV(0x18) & 1); REG(0x1000f004) = 0x9abcdef0; "
    "REG(0x1000f008) = 1; REG(0x1000f00c) = 2;"
)
CHECKS = "if (REG(0x1000f000) == 0x12345678 && REG(0x1000f004) == 0x9abcdef0) LINK->word[10] = 77;"
FLASH = {
    "keys, erase, program": (UNLOCK + ERASE % 2 + "DEV(0x10) = 1;" + STORES, ""),
    "no keys": (ERASE % 2 + "DEV(0x10) = 1;" + STORES, ""),
    "the erase begins by a bit": (
        UNLOCK
        + "DEV(0x10) = 2; "
        + ERASE % "0x42"
        + "DEV(0x10) = 0; DEV(0x10) = 1;"
        + STORES
        + "DEV(0x10) = 0x80;",
        "erase = 0x42",
    ),
}


@COMPILERS
@pytest.mark.parametrize("name", FLASH)
def test_a_flash_controller(builder: Builder, compiler: tuple[str, str], name: str) -> None:
    """Keys, the address and commands as code writes them; with these lines the flash holds what was programmed."""
    body, erase = FLASH[name]
    finding = rehearsed(builder, compiler, layout(), body + CHECKS).finding("write-to-flash")
    assert finding is not None
    lines = finding.next_step
    assert lines.startswith(
        "if code programs flash here, add to the layout:\n[[rehearsal.flash_controller]]\n"
    )
    assert lines.endswith("\nelse a pointer is wrong, or a variable was placed in flash")
    assert "command_at = 0x50200810" in lines
    assert "address_at = 0x50200814" in lines
    assert ("unlock = { at = 0x5020081C, keys = [0x45670123, 0xCDEF89AB] }" in lines) is (name != "no keys")
    assert MIN_KEY < 0x4567_0123
    assert erase in lines  # the default is left out
    added = "\n".join(step_lines(lines)[1:-1])
    assert rehearsed(builder, compiler, layout(f"{added}\n{WORD}"), body + CHECKS).passes


@COMPILERS
@pytest.mark.parametrize(
    "body",
    [
        STORES,
        "DEV(0) = 0x1000f000; DEV(4) = 64; DEV(8) = 1;" + "REG(0x1000f000) = 1;",
        ERASE % 2 + "REG(0x1000f000) = 1;",
        UNLOCK + "DEV(0x10) = 1;" + STORES,
    ],
)
def test_stores_that_no_controller_is_seen_to_program(
    builder: Builder, compiler: tuple[str, str], body: str
) -> None:
    """A wild store, with other devices beside it that take an address of flash, or with half of a sequence."""
    finding = rehearsed(builder, compiler, layout(), body).finding("write-to-flash")
    assert finding is not None
    if "flash_controller]]\n" in finding.next_step:
        added = "\n".join(step_lines(finding.next_step)[1:-1])
        result = rehearsed(builder, compiler, layout(f"{added}\n{WORD}"), body + CHECKS)
        assert result.finding("write-to-flash") is None
    else:
        assert finding.next_step.startswith(
            "a pointer is wrong, or a variable was placed in flash; code that"
        )


RESTARTS = "while (!LINK->sampler_done); CONTROL_REGISTER = %s; for (volatile int i = 0; i < 50; i++); %s"
COUNTS = "void scenario(void) { LINK->word[11]++; }\n"


@COMPILERS
@pytest.mark.parametrize(
    ("bits", "back", "noted"),
    [("4", "CONTROL_REGISTER = 0;", True), ("4", "", False), ("0", "CONTROL_REGISTER = 0;", False)],
)
def test_a_restart_by_bits_that_are_not_described(
    builder: Builder, compiler: tuple[str, str], bits: str, back: str, noted: bool
) -> None:
    """Bits set and cleared after the release would restart the core, if the layout said so: tried, then noted."""
    kind, level = compiler
    waits = "for (;;) { for (volatile int i = 0; i < 20; i++); if (LINK->word[11] == 2) break; } LINK->word[10] = 77;"
    release = "void release_sampler(void) { VECTOR_REGISTER = SAMPLER_CODE; CONTROL_REGISTER = 0; }\n"
    body = f"{release}void scenario(void) {{ {RESTARTS % (bits, back)} {waits} }}\n"
    case = Case("restart", "offers", Source(body, (), kind, (level,)), Source(COUNTS, (), kind, (level,)))
    elves = elves_of(builder, case)
    result = Product(layout(), elves).rehearse(budget=400_000)
    notes = [each for each in result.notes if "restart" in each]
    assert bool(notes) is noted
    if noted:
        assert "set release_mask = 0x6 in [core.sampler.release] (then it starts 2 times)" in notes[0]
        restarts = layout().replace("release_mask = 0x2", "release_mask = 0x6")
        assert restarts != layout()
        changed = Product(restarts, elves).rehearse(budget=400_000)
        assert len([each for each in changed.events if each.kind == "released"]) == 2


def test_every_table_is_proposed_or_said_not_to_be() -> None:
    """`gemel explain rehearsal` names the tables that nothing proposes, each with the reason."""
    proposed = {name for name, _ in TABLES.values()} | {"event", "by_core"}
    assert not proposed & NOT_PROPOSED.keys()
    assert proposed | NOT_PROPOSED.keys() == DESCRIBED.keys() | {"registers_of"}
    page = " ".join(limits_page().split())
    for name, reason in NOT_PROPOSED.items():
        assert f"{name} ({reason})" in page
    assert offers.MAX_PAIRS > 1

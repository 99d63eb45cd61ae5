"""An application's constant that has its boot loader's table, compiled here by GCC and clang."""

from __future__ import annotations

import pytest
from compiled_pairs import LAYOUT_WITH_LOADER, compiled, pair, said_by
from small_device import findings
from verdict_builds import layout_of

CONTRACT = (
    'stored_in = "app-code"\n',
    'stored_in = "app-code"\n\n[contract.start]\narea = "link"\n'
    'boot_symbol = { build = "app", symbol = "start_address" }\n',
)
CONSTANT = "__attribute__((used)) const volatile uint32_t start_address = 0x10000000u;"
GOES_BACK = (
    "void (*to)(void) = (void (*)(void))((const volatile uint32_t *)start_address)[1]; if (IO(0x40)) to();"
)
FLASH = ("code (rx) : ORIGIN = FLASH", "code (rx) : ORIGIN = 0x10004000")
RELEASED = "IO(0x118) &= ~2u;"
CASES = {
    "given to the secondary": (f"IO(0x114) = start_address; {RELEASED}", 1),
    "given to the secondary, as its upper bits": (f"IO(0x114) = start_address & ~0x7Fu; {RELEASED}", 1),
    "where the application goes back to": (f"IO(0x114) = 0x10008000u; {RELEASED} {GOES_BACK}", 0),
    "given to the secondary first, then its own": (
        f"IO(0x114) = start_address; {RELEASED} IO(0x118) |= 2u; IO(0x114) = 0x10008000u; {RELEASED}",
        0,
    ),
    "one of two, as a device reports": (
        f"IO(0x114) = IO(0x40) ? start_address : 0x10008000u; {RELEASED}",
        0,
    ),
}


@pytest.mark.parametrize(("compiler", "family", "level"), [("gcc", "v6", "-Os"), ("clang", "v8", "-O2")])
@pytest.mark.parametrize("case", CASES)
def test_a_secondary_is_not_sent_to_the_loader(case: str, compiler: str, family: str, level: str) -> None:
    """The loader's table is right for the application itself alone; the finding has the secondary's."""
    code, count = CASES[case]
    builds = pair(
        station=compiled("station", compiler, family, level),
        app=compiled(
            "station", compiler, family, level, (("/*BEFORE*/", CONSTANT), ("/*MAIN*/", code), FLASH)
        ),
        sampler=compiled("sampler", compiler, family, level),
    )
    found = findings(
        said_by("boot-constant-agrees", layout_of(family, *LAYOUT_WITH_LOADER, CONTRACT), builds)
    )
    assert [each.expected for each in found] == ["0x1000_8000, the vector table of build sampler"] * count

"""A primary that starts two other cores, each by a vector register of its own; compiled here by GCC and clang."""

from __future__ import annotations

import pytest
from compiled_pairs import compiled, pair
from small_device import TODAY
from verdict_builds import layout_of

from gemel.checking.runner import check
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join

CODE_OF_SAMPLER = 'sampler-code = { memory = "flash", offset = "32 KiB", size = "32 KiB", purpose = "code" }'
LOGGER = """[core.logger]
role = "secondary"
architecture = "ARCHITECTURE"
interrupts = 8
ram = ["logger-ram"]

[core.logger.release]
vector_register = 0x4002_1124
control_register = 0x4002_1118
release_mask = 0x4
release_value = 0x0

[build.logger]
core = "logger"
stored_in = "logger-code"

[area]
"""
CHANGES = (
    (
        CODE_OF_SAMPLER,
        CODE_OF_SAMPLER.replace('"32 KiB", p', '"16 KiB", p')
        + '\nlogger-code = { memory = "flash", offset = "48 KiB", size = "16 KiB", purpose = "code" }'
        + '\nlogger-ram = { memory = "ram", offset = "20 KiB", size = "8 KiB", purpose = "data" }',
    ),
    ('symbols = ["link_words"]\n', ""),
)
OF_LOGGER = (
    ("code (rx) : ORIGIN = FLASH", "code (rx) : ORIGIN = 0x1000C000"),
    ("ram (rwx) : ORIGIN = RAM", "ram (rwx) : ORIGIN = 0x20005000"),
    ("stack_top = RAM + 0x1800", "stack_top = 0x20006800"),
)
CONSTANT = "__attribute__((used)) const volatile uint32_t sampler_start_address = 0x10008000u;"
BOTH = "IO(0x114) = FIRST; IO(0x118) &= ~2u; IO(0x124) = SECOND; IO(0x118) &= ~4u;"


@pytest.mark.parametrize(("compiler", "family"), [("gcc", "v6"), ("clang", "v8")])
@pytest.mark.parametrize(
    ("first", "second", "wrong"),
    [
        ("sampler_start_address", "0x1000C000u", []),
        ("sampler_start_address", "0x10008000u", ["logger"]),
        ("sampler_start_address", "sampler_start_address", ["logger"]),
        ("0x1000C000u", "sampler_start_address", ["sampler"]),
    ],
    ids=["sound", "one address for both", "one constant for both", "exchanged"],
)
def test_each_core_gets_its_own_table(
    first: str, second: str, wrong: list[str], compiler: str, family: str
) -> None:
    """The constant for one core is no right address for another; two that are exchanged are one mistake."""
    code = BOTH.replace("FIRST", first).replace("SECOND", second)
    architecture = layout_of(family).layout.cores["sampler"].architecture
    read = layout_of(family, *CHANGES, ("[area]\n", LOGGER.replace("ARCHITECTURE", architecture)))
    builds = pair(
        station=compiled("station", compiler, family, "-Os", (("/*BEFORE*/", CONSTANT), ("/*MAIN*/", code))),
        sampler=compiled("sampler", compiler, family, "-Os"),
        logger=compiled("sampler", compiler, family, "-Os", OF_LOGGER),
    )
    result = check(Inspection(read, join(read, builds).image, builds, disassemble=True), TODAY)
    found = [(rule.rule.name, each.finding) for rule in result.results for each in rule.findings]
    assert [name for name, _ in found] == ["start-releases-secondary"] * len(wrong)
    assert all(f"gives core {core} " in each.what for core, (_, each) in zip(wrong, found, strict=True))

"""Tests of the rule ``primary-vectors-at-reset``."""

from __future__ import annotations

from small_device import FLASH, STATION, findings, layout, station_elf
from vector_fixtures import (
    FLASH_UNIT,
    HIGH,
    STATION_CORE,
    alone,
    application_elf,
    of,
    two_station_builds,
)

RULE = "primary-vectors-at-reset"
OFFSET = {'stored_in = "station-code"': 'stored_in = "station-code"\nvector_offset = 0x100'}
ALIAS = {FLASH_UNIT: f"{FLASH_UNIT}aliases = [0x0000_0000]\n"}
BOOT_ROM = '\n[memory.boot]\nkind = "rom"\nstart = 0x0002_0000\nsize = "4 KiB"\n'


def _fetching(address: int, more: dict[str, str] | None = None, add: str = ""):
    """The layout of a device whose primary fetches its vectors at ``address``."""
    core = {STATION_CORE: f"{STATION_CORE}reset_vectors = {address}\n"}
    return layout({**core, **(more or {})}, add)


BREAKS = {
    "table after the start of its area": lambda: of(
        RULE, read=layout(OFFSET), station=station_elf(base=STATION + 0x100)
    ),
    "the device fetches elsewhere in flash": lambda: of(RULE, read=_fetching(FLASH + 0x1000)),
    "the device fetches from no memory": lambda: of(RULE, read=_fetching(0)),
    "image alone": lambda: alone(RULE, read=_fetching(FLASH + 0x1000)),
}
KEEPS = {
    "start of its lowest code area": lambda: of(RULE),
    "said in the layout": lambda: of(RULE, read=_fetching(FLASH)),
    "through an alias": lambda: of(RULE, read=_fetching(0, ALIAS)),
    "table after the start of its area, and said so": lambda: of(
        RULE, read=_fetching(STATION + 0x100, OFFSET), station=station_elf(base=STATION + 0x100)
    ),
    "boot loader and application": lambda: of(
        RULE, read=two_station_builds(), more={"application": application_elf()}
    ),
    "image alone": lambda: alone(RULE),
}


def test_the_finding_gives_both_addresses() -> None:
    """The finding says where the device looks, why, what lies there, and where the table is."""
    (finding,) = findings(BREAKS["the device fetches elsewhere in flash"]())
    assert "0x1000_1000 (reset_vectors in the layout)" in finding.where
    assert "is in build sampler of core sampler" in finding.found
    assert finding.found.endswith("the vector table is at 0x1000_0000 (build station)")
    assert finding.expected == "the vector table at 0x1000_1000"
    (finding,) = findings(BREAKS["table after the start of its area"]())
    assert "the layout names no reset_vectors" in finding.where


def test_any_build_of_the_primary_will_do() -> None:
    """With two builds for the primary, the device may fetch the second one's vectors."""
    read = two_station_builds({STATION_CORE: f"{STATION_CORE}reset_vectors = {HIGH}\n"})
    assert of(RULE, read=read, more={"application": application_elf()}).status == "holds"


def test_a_boot_rom_cannot_be_looked_at() -> None:
    """A primary that starts in rom of which the image holds nothing is not checked."""
    result = of(RULE, read=_fetching(0x0002_0000, add=BOOT_ROM))
    assert result.status == "not checked"
    assert "rom boot" in result.not_checked[0].reason


def test_a_primary_without_code_is_not_checked() -> None:
    """If no build of the primary lies in a code area, the rule says so."""
    read = layout(
        {'offset = 0, size = "4 KiB", purpose = "code"': 'offset = 0, size = "4 KiB", purpose = "data"'}
    )
    result = of(RULE, read=read)
    assert result.status == "not checked"
    assert result.not_checked[0].where == "core station"

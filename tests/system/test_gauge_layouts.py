"""The layouts of the tide gauge say what its sources say."""

from __future__ import annotations

import pytest
from tide_gauge import ARRANGEMENTS, BUILT, area_span, device_defines, layout_file, read_elf, read_layout

from gemel.layout.reader import read_layout as read_with_gemel

AREAS = {
    "STATION_CODE": "station-code",
    "SAMPLER_CODE": "sampler-code",
    "STATION_RAM": "station-ram",
    "SAMPLER_RAM": "sampler-ram",
    "SAMPLER_RUN": "sampler-run",
    "LINK": "link",
}
RELEASE = {
    "RELEASE_VECTOR_REGISTER": "vector_register",
    "RELEASE_CONTROL_REGISTER": "control_register",
    "RELEASE_MASK": "release_mask",
    "RELEASE_VALUE": "release_value",
    "RELEASE_KEY_MASK": "key_mask",
    "RELEASE_KEY_VALUE": "key_value",
}


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_gemel_reads_the_layout(arrangement: str) -> None:
    """The layout has no fault that its reader knows, and its builds are the two of the gauge."""
    file = layout_file(arrangement)
    assert set(read_with_gemel(file.read_bytes(), str(file)).layout.builds) == {"station", "sampler"}


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_areas_are_those_the_sources_are_linked_for(arrangement: str) -> None:
    """Start and size of every area agree with the header that both linker scripts read."""
    layout, defines = read_layout(arrangement), device_defines(arrangement)
    in_header = {
        area: (defines[f"{name}_START"], defines[f"{name}_SIZE"])
        for name, area in AREAS.items()
        if f"{name}_START" in defines
    }
    in_layout = {area: area_span(layout, area) for area in in_header}
    if arrangement == "two-banks":
        views = layout["memory"]["small-ram"]["views"]
        in_layout["sampler-ram"] = (views["sampler"], in_layout["sampler-ram"][1])
    assert in_header == in_layout
    assert ("sampler-run" in in_header) == (arrangement == "copied")


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_release_is_the_one_the_station_writes(arrangement: str) -> None:
    """Registers, bits and key of the release, and the number of interrupts, agree with the header."""
    cores, defines = read_layout(arrangement)["core"], device_defines(arrangement)
    release = {"key_mask": 0, "key_value": 0, **cores["sampler"]["release"]}
    assert {key: defines[name] for name, key in RELEASE.items()} == release
    assert defines["STATION_INTERRUPTS"] == cores["station"]["interrupts"]
    assert defines["SAMPLER_INTERRUPTS"] == cores["sampler"]["interrupts"]


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_both_builds_see_the_link_at_the_same_address(arrangement: str) -> None:
    """The shared symbol lies at the start of the link area in both ELF files."""
    start, _ = area_span(read_layout(arrangement), "link")
    places = [
        read_elf(BUILT / arrangement / f"{core}.elf").symbols["link_frames"]
        for core in ("station", "sampler")
    ]
    assert places == [start, start]

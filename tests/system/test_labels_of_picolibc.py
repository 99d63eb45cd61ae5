"""Builds by picolibc's own linker script, as Debian ships it, with one of its labels wrong; compiled here."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from small_device import TODAY
from tools import required_tool
from verdict_builds import ARCHITECTURES, BUILT, build_of, layout_of

from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.checking.runner import check
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join

PLACES = ("__flash=0x10008000", "__ram=0x20002000", "__flash_size=0x8000", "__ram_size=0x2000")
LABELS: dict[str, tuple[str, str]] = {
    "": ("", ""),
    "__bss_size=8": ("cleared-data-cleared-whole", "clears section .bss in part"),
    "__bss_start=0x20002400": ("start-clears-own-ram", "clears"),
}
"""A label that is given another value, and the rule and words of the one finding."""


@pytest.mark.parametrize("family", ARCHITECTURES)
@pytest.mark.parametrize("label", LABELS)
def test_what_its_labels_say_is_what_is_cleared(label: str, family: str, tmp_path: Path) -> None:
    """The sampler of ``testdata/verdict/library``, linked with the script's start-up code and library."""
    rule, words = LABELS[label]
    defined = ",".join(f"--defsym={each}" for each in (*PLACES, label) if each)
    made = tmp_path / "sampler.elf"
    command = (
        *(
            required_tool("arm-none-eabi-gcc"),
            f"-march={ARCHITECTURES[family]}",
            "-mthumb",
            "-mfloat-abi=soft",
            "-Os",
        ),
        *("-std=gnu11", "-ffreestanding", "-fno-common", "-ffunction-sections", "-fdata-sections", "-I."),
        *(
            "--specs=picolibc.specs",
            "-T",
            "picolibc.ld",
            f"-Wl,{defined}",
            "-Wl,--gc-sections,--build-id=none",
        ),
        *(
            "-Wl,-z,max-page-size=16,--no-warn-rwx-segments,--section-start=.link=0x20004000",
            "library/core.c",
        ),
    )
    subprocess.run([*command, "-o", made], cwd=BUILT.parent, check=True, capture_output=True)
    sampler = read_build(BytesSource(made.read_bytes(), made.name), name="sampler", file=made.name)
    builds = {"station": build_of("station", f"station-library-{family}"), "sampler": sampler}
    read = layout_of(family)
    result = check(Inspection(read, join(read, builds).image, builds, disassemble=True), TODAY)
    found = [(each.rule.name, each.finding) for each in result.findings]
    assert [name for name, _ in found] == ([rule] if rule else [])
    said = " ".join(f"{each.what} {each.found}" for _, each in found)
    assert words in said

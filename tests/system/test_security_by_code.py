"""What code sets and calls of the security extension against the layout: compiled here, by GCC and clang."""

from __future__ import annotations

import subprocess
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from capability_builds import FOLDER, device, image_of
from small_device import apply, findings
from small_device import build as build_of
from tools import required_tool

from gemel.builds.build import Build

SAU = """
#include <stdint.h>
#define SAU ((volatile uint32_t *)0xE000EDD0u)
static const uint32_t regions[3][2] = { {%s}, {%s}, {%s} };
__attribute__((used)) static inline void set_regions(void)
{
    for (uint32_t i = 0; i < 3; i++) { SAU[2] = i; SAU[3] = regions[i][0]; SAU[4] = regions[i][1]; }
    SAU[0] = %s;
}
"""
CODE, GATES, RAM = "0x10000u, 0x17FE1u", "0x10008000u, 0x10008003u", "0x28008000u, 0x28010001u"
"""Base and limit of the non-secure code, of the veneers (32 bytes of them) and of non-secure RAM."""
LIMIT = '__asm volatile("msr msplim_ns, %%0" : : "r"(%#xu));'


@cache
def _builds(
    compiler: str, before: str, first: str, called: str = "", assigned: str = ""
) -> tuple[bytes, bytes]:
    """The two ELF files: ``before`` main of the keeper, what it does ``first``, what the caller calls."""
    with TemporaryDirectory(prefix="gemel-security-") as work:
        folder, gcc = Path(work), required_tool("arm-none-eabi-gcc")
        front = (
            [gcc]
            if compiler == "gcc"
            else [required_tool("clang"), "--target=arm-none-eabi", "-isystem", "/usr/include/newlib"]
        )
        options = ["-march=armv8-m.main", "-mthumb", "-mfloat-abi=soft"]
        flags = [*options, "-Os", "-g", "-ffreestanding", f"-I{FOLDER / 'security'}", f"-I{FOLDER / 'code'}"]
        link = [gcc, *options, "-nostdlib", "-Wl,--build-id=none", "-Wl,-n"]
        keeper = (
            (FOLDER / "security/keeper.c")
            .read_text()
            .replace("int main(void)\n{", f"{before}\nint main(void)\n{{\n{first}")
        )
        caller = (
            (FOLDER / "security/caller.c")
            .read_text()
            .replace("    for (;;) {", f"    {called}\n    for (;;) {{", 1)
        )
        (folder / "keeper.c").write_text(keeper)
        (folder / "caller.c").write_text(caller)
        (folder / "start.c").write_text((FOLDER / "code/start.c").read_text())
        commands = []
        for name, more in (("keeper", ["-mcmse"]), ("caller", [])):
            commands += [
                [*front, *flags, *more, "-c", f"{source}.c", "-o", f"{name}-{source}.o"]
                for source in ("start", name)
            ]
        places = ["-DCODE=0x00010000", "-DRAM=0x28008000"]
        commands += [
            [gcc, "-E", "-P", "-x", "c", str(FOLDER / "security/keeper.ld"), "-o", "keeper.ld"],
            [gcc, "-E", "-P", "-x", "c", *places, str(FOLDER / "code/core.ld"), "-o", "caller.ld"],
            [*link, "-T", "keeper.ld", "keeper-start.o", "keeper-keeper.o", "-lgcc", "-o", "keeper.elf",
             "-Wl,--section-start=.gnu.sgstubs=0x10008000", "-Wl,--cmse-implib", "-Wl,--out-implib=import.o"],
            [*link, "-T", "caller.ld", "caller-start.o", "caller-caller.o", "import.o", "-lgcc", "-o", "caller.elf",
             *([f"-Wl,--defsym={assigned}"] if assigned else [])],
        ]  # fmt: skip
        for command in commands:
            subprocess.run(command, cwd=folder, check=True, capture_output=True, timeout=120)
        return (folder / "keeper.elf").read_bytes(), (folder / "caller.elf").read_bytes()


def _said(rule: str, compiler: str, *parts: str) -> list[str]:
    keeper, caller = _builds(compiler, *parts)
    builds: dict[str, Build] = {"keeper": build_of("keeper", keeper), "caller": build_of("caller", caller)}
    read = device("security")
    result = apply(rule, read, image_of(read, builds), builds)
    return [f"{finding.what}: {finding.found}" for finding in findings(result)]


OWN_SECURE = "0x10000000u, 0x10007FE1u"
ATTRIBUTED = {
    "as the layout says": ((CODE, GATES, RAM, "1"), ""),
    "the veneers' whole area": ((CODE, "0x10008000u, 0x100083E3u", RAM, "1"), ""),
    "all of the other address, which the device divides": (("0u, 0x1FFE1u", GATES, RAM, "1"), ""),
    "what a register had, with a bit set": ((CODE, GATES, RAM, "SAU[0] | 1"), ""),
    "what a register answers": ((CODE, GATES, "0x28009000u, 0x28010001u", "SAU[1]"), ""),
    "RAM from a later address on": (
        (CODE, GATES, "0x28009000u, 0x28010001u", "1"),
        "code of build keeper leaves memory of build caller secure: 0x2800_8000",
    ),
    "code up to its first bytes": (
        ("0x10000u, 0x10001u", GATES, RAM, "1"),
        "code of build keeper leaves memory of build caller secure: 0x0001_0020",
    ),
    "code from the middle of secure code on": (
        ("0x4000u, 0x17FE1u", GATES, RAM, "1"),
        "code of build keeper makes secure memory non-secure: 0x0000_4000",
    ),
    "its own code": (
        (CODE, GATES, OWN_SECURE, "1"),
        "code of build keeper makes secure memory non-secure: 0x1000_0000..0x1000_7FFF",
    ),
    "RAM, with the unit set on": (
        (CODE, GATES, "0x28009000u, 0x28010001u", "SAU[0] | 1"),
        "code of build keeper leaves memory of build caller secure: 0x2800_8000",
    ),
    "the unit left off": (
        (CODE, GATES, RAM, "0"),
        "code of build keeper sets regions of the attribution unit and leaves the unit off",
    ),
    "veneers that are not callable": (
        (CODE, "0x10008000u, 0x10008001u", RAM, "1"),
        "code of build keeper leaves veneers out of what non-secure code may call: 0x1000_8000..0x1000_801F",
    ),
    "no region for veneers": (
        (CODE, "0x18000u, 0x18001u", RAM, "1"),
        "code of build keeper leaves veneers out of what non-secure code may call: 0x1000_8000..0x1000_801F",
    ),
    "no veneer": (
        (CODE, "0x10008020u, 0x100083E3u", RAM, "1"),
        "code of build keeper leaves veneers out of what non-secure code may call: 0x1000_8000..0x1000_801F",
    ),
}


@pytest.mark.parametrize("compiler", ["gcc", "clang"])
@pytest.mark.parametrize("case", ATTRIBUTED)
def test_regions_of_the_attribution_unit(compiler: str, case: str) -> None:
    """Regions that a loop over a table sets are compared with what the builds take and the layout states."""
    values, expected = ATTRIBUTED[case]
    said = _said("builds-inside-own-attribution", compiler, SAU % values, "    set_regions();")
    if not expected:
        assert said == []
    else:
        assert expected in said[0]


@pytest.mark.parametrize("compiler", ["gcc", "clang"])
@pytest.mark.parametrize(
    ("limit", "sound"), [(0x2800_8100, True), (0x2801_8000, False), (0x3800_1000, False)]
)
def test_the_limit_of_the_other_state_s_stack(compiler: str, limit: int, sound: bool) -> None:
    """The secure build sets MSPLIM_NS for the non-secure one, whose initial stack pointer it is compared with."""
    said = _said("stack-limit-below-stack", compiler, "", LIMIT % limit)
    assert [each.partition(" main")[0] for each in said] == (
        [] if sound else ["code of build keeper sets the limit of the non-secure"]
    )


CALLS = {
    "a number that is a gateway": ("((uint32_t (*)(uint32_t))0x10008001u)(1);", "", ""),
    "a number in secure code": ("((void (*)(void))0x10000101u)();", "", "0x1000_0100, in area keeper-code (secure)"),
    "a number between veneers": ("((void (*)(void))0x10008005u)();", "", "0x1000_8004, in area veneers"),
    "an assignment of the linker's": (
        "extern void inner(void); inner();",
        "inner=0x10000101",
        "0x1000_0100, in area keeper-code (secure)",
    ),
    "an assigned address that nothing calls": ("", "secure_end=0x10007FFF", ""),
    "an address that is data": ("count = *(volatile uint32_t *)0x10000101u;", "", ""),
}  # fmt: skip


@pytest.mark.parametrize("compiler", ["gcc", "clang"])
@pytest.mark.parametrize("case", CALLS)
def test_calls_of_secure_memory(compiler: str, case: str) -> None:
    """Non-secure code that calls secure memory beside the gateways is found, however it has the address."""
    called, assigned, expected = CALLS[case]
    said = _said("secure-entries-agree", compiler, "", "", called, assigned)
    if not expected:
        assert said == []
    else:
        (finding,) = said
        assert expected in finding

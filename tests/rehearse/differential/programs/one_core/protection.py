"""Regions of the memory protection unit of Armv7-M."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from ...cases import Scenario
from .helpers import ENABLE, RECOVERING

ACCESSES = ("ldr r1, [r1]", "str r2, [r1]", "ldrb r1, [r1]", "ldrt r1, [r1]", "strt r2, [r1]")
REGION = """
static void region(uint32_t number, uint32_t start, uint32_t attributes)
{
    MPU_RNR = number;
    REG(0xE000EDA0) = 0;
    REG(0xE000ED9C) = start;
    REG(0xE000EDA0) = attributes;
}
static void switch_on(uint32_t control)
{
    DMB();
    MPU_CTRL = control;
    DSB();
    ISB();
}
"""


def protection(random: Random) -> Iterator[Scenario]:
    """Regions of PMSAv7: permissions by privilege, subregions, overlaps, background, regions at negative priority."""
    for number in range(24):
        random = Random(f"protection {number}")
        size = random.choice((4, 5, 6, 7, 8, 9))  # 32 to 1,024 bytes
        count = 2 << size
        access, never, off = (
            random.randrange(8),
            random.randrange(2),
            random.choice((0, 0, random.randrange(1, 255))),
        )
        if access == 4:
            access = 6
        off = off if size >= 7 else 0
        lines = [f"region(4, (uint32_t)area, {access << 24 | never << 28 | off << 8 | size << 1 | 1:#x});"]
        if random.random() < 0.4:
            other = random.choice((3, 1, 2, 5))
            lines.append(f"region({random.choice((2, 6))}, (uint32_t)area, {other << 24 | 5 << 1 | 1:#x});")
        user = random.random() < 0.5
        offsets = [random.randrange(0, count + 32, 4) for _ in range(5)]
        # The emulator takes the permissions of what it found in a subregion that is off for a whole kibibyte.
        offsets.sort(key=lambda offset: off >> (offset * 8 // count) & 1)
        tries = "\n    ".join(
            f'note(TRY("{random.choice(ACCESSES)}", (uint32_t)area + {offset}, {random.randint(1, 99)}));'
            for offset in offsets
        )
        call = 'TRY("blx r1", (uint32_t)area + 1, 0);' if random.random() < 0.5 and not off else ""
        unprivileged = 'MSR("control", 1); ISB();' if user else ""
        privileged = "SVC(0);" if user else ""
        begin = "region(7, RAM, 0x03000000 | 16 << 1 | 1);\n    region(6, 0, 0x03000000 | 18 << 1 | 1);\n    "
        begin = begin.replace("region(7", "region(0").replace("region(6", "region(1")
        code = f"""{RECOVERING}{REGION}
static uint16_t area[1024] __attribute__((aligned(1024)));
void svc_handler(void) {{ MSR("control", 0); ISB(); }}
void scenario(void)
{{
    {ENABLE if random.random() < 0.7 else ""}
    for (uint32_t i = 0; i < 1024; i++) {{
        area[i] = 0x4770; /* BX LR */
    }}
    {begin}{"".join(each + chr(10) + "    " for each in lines)}switch_on({random.choice((1, 5, 5))});
    {unprivileged}
    {tries}
    {call}
    {privileged}
    MPU_CTRL = 0;
    DSB();
    ISB();
    show_notes();
    show("faults", faults);
}}
"""
        yield Scenario(f"protection-{number}", code, times=1, options=("-fomit-frame-pointer",))

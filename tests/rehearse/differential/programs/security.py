"""The Security Extension as far as start-up code of a secure core meets it: banked registers, SG, TT, BXNS."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from ..cases import Scenario

MOST = 1
NON_SECURE = 'VTOR_NS = 0x{:08x};\n    show("VTOR_NS", VTOR_NS);'
HEAD = """
#define VTOR_NS REG(0xE002ED08)
#define SYST_RVR_NS REG(0xE002E014)
#define CCR_NS REG(0xE002ED14)
#define SAU_CTRL REG(0xE000EDD0)
#define SAU_RNR REG(0xE000EDD8)
#define SAU_RBAR REG(0xE000EDDC)
#define SAU_RLAR REG(0xE000EDE0)
"""


def banked(random: Random) -> Iterator[Scenario]:
    """Registers with a Secure and a Non-secure copy: a write of one leaves the other as it was."""
    value = random.randint(1, 0xFFFF)
    bodies = {
        "vtor": f'{NON_SECURE.format(0x00200000)}\n    show("VTOR", VTOR);',
        "systick": f'SYST_RVR_NS = {value};\n    show("NS", SYST_RVR_NS);\n    SYST_RVR = {value + 1};\n'
        '    show("S", SYST_RVR);\n    show("NS", SYST_RVR_NS);',
        "primask": 'MSR("primask_ns", 1);\n    show("NS", MRS("primask_ns"));\n    show("S", MRS("primask"));\n'
        '    MSR("primask_ns", 0);',
        "stacks": 'MSR("msp_ns", OWN_RAM + 0x200);\n    MSR("psp_ns", OWN_RAM + 0x100);\n'
        '    show("msp", MRS("msp_ns") - OWN_RAM);\n    show("psp", MRS("psp_ns") - OWN_RAM);',
        "control": 'MSR("control_ns", 2);\n    show("NS", MRS("control_ns"));\n    show("S", MRS("control"));',
        "sau": 'show("CTRL", SAU_CTRL);\n    SAU_RNR = 1;\n    SAU_RBAR = 0x00200000;\n'
        '    SAU_RLAR = 0x003FFFE1;\n    SAU_RNR = 0;\n    show("RLAR", SAU_RLAR);\n    SAU_RNR = 1;\n'
        '    show("RBAR", SAU_RBAR);\n    show("RLAR", SAU_RLAR);\n    SAU_RLAR = 0;',
        "reset-control": 'AIRCR = 0x05FA6000;\n    show("AIRCR", AIRCR & 0x6000);\n    AIRCR = 0x05FA0000;',
        "targets": 'REG(0xE000E384) = 0x10000000;\n    show("ITNS", REG(0xE000E384));\n    REG(0xE000E384) = 0;',
    }
    for name, body in bodies.items():
        program = f"{HEAD}void scenario(void)\n{{\n    {body}\n}}\n"
        if name != "systick":
            yield Scenario(f"banked-{name}", program)
            continue
        lines = f"station: NS {value:08x}\nstation: S {value + 1:08x}\nstation: NS {value:08x}\n"
        yield Scenario(
            "banked-systick",
            program,
            cores=("station",),
            loose="the emulator has no SysTick at the Non-secure alias; DDI 0553 SYST_RVR_NS",
            texts=(
                ("station", f"station: up\n{lines}station: done\n"),
                ("sampler", "sampler: up\nsampler: done\n"),
            ),
        )


def instructions(random: Random) -> Iterator[Scenario]:
    """SG in Secure state does nothing; TT says that Secure memory is Secure; a masked Secure core keeps BASEPRI."""
    number = random.randint(1, 1000)
    code = f"""
void scenario(void)
{{
    uint32_t value = {number};

    __asm volatile("sg\\n adds %0, #1\\n sg" : "+r"(value)::"cc");
    show("value", value);
}}
"""
    options = ("-mcmse",)
    yield Scenario("gateway-in-secure", code, options=options)
    code = """
void scenario(void)
{
    uint32_t flash, ram;

    __asm volatile("tt %0, %1" : "=r"(flash) : "r"(OWN_CODE));
    __asm volatile("tt %0, %1" : "=r"(ram) : "r"(OWN_RAM));
    show("flash", flash >> 22 & 1);
    show("ram", ram >> 22 & 1);
}
"""
    yield Scenario("test-target", code, options=options)


def leaves(random: Random) -> Iterator[Scenario]:
    """A branch to Non-secure state at an address that is Secure: a SecureFault, escalated to HardFault."""
    for name, instruction in (("bxns", "bxns"), ("blxns", "blxns")):
        code = f"""
void scenario(void)
{{
    spend({random.randint(1, 50)});
    say("leaving");
    __asm volatile("{instruction} %0" ::"r"((uint32_t)put_text & ~1u)
        : "r0", "r1", "r2", "r3", "r12", "lr", "cc", "memory");
    say("never");
}}
"""
        yield Scenario(f"{name}-to-secure", code, fails=True, options=("-mcmse",), times=2)


FAMILIES = (banked, instructions, leaves)

"""What programs for boards with one core have in common: notes, handlers, the process stack."""

from __future__ import annotations

from typing import Any

NOTES = """
static volatile uint32_t noted[48], notes;
__attribute__((unused)) static void note(uint32_t value)
{
    if (notes < 48) {
        noted[notes++] = value;
    }
}
__attribute__((unused)) static void show_notes(void)
{
    for (uint32_t i = 0; i < notes; i++) {
        show("note", noted[i]);
    }
}
/* A handler that gets the frame of what it interrupts and the link value. */
#define ENTRY(name, function) \\
    NAKED void name(void) \\
    { \\
        __asm volatile("movs r0, #4\\n mov r1, lr\\n tst r0, r1\\n beq 1f\\n mrs r0, psp\\n b 2f\\n" \\
            "1: mrs r0, msp\\n 2: ldr r2, =" function "\\n bx r2\\n .ltorg\\n"); \\
    }
"""


RECOVERING = (
    NOTES
    + """
static volatile uint32_t faults;
USED void go_on(uint32_t *frame, uint32_t link)
{
    uint32_t pc = frame[6];

    faults++;
    note(MRS("ipsr") | (link & 0xFF) << 24 | (frame[7] & 0x1FF) << 8);
#if __ARM_ARCH > 6
    note(CFSR);
    note(HFSR);
    note(CFSR & 0x8000 ? BFAR : CFSR & 0x80 ? MMFAR : 0);
    CFSR = 0xFFFFFFFF;
    HFSR = 0xFFFFFFFF;
#endif
    if (!(frame[7] & 0x01000000u) || pc - OWN_CODE >= CODE_SIZE - 0x100) {
        pc = frame[5] & ~1u; /* where the call came from */
    } else {
        pc += (*(volatile uint16_t *)pc >> 11) >= 0x1D ? 4 : 2;
    }
    frame[6] = pc;
    frame[7] = (frame[7] & ~0x0600FC00u) | 0x01000000u;
}
ENTRY(hard_fault_handler, "go_on")
ENTRY(mem_manage_handler, "go_on")
ENTRY(bus_fault_handler, "go_on")
ENTRY(usage_fault_handler, "go_on")

/* Runs TEXT with r1 and r2 as given; a fault in it goes on after the instruction. */
#define TRY(text, first, second) \\
    ({ \\
        register uint32_t a_ __asm("r1") = (uint32_t)(first); \\
        register uint32_t b_ __asm("r2") = (uint32_t)(second); \\
        __asm volatile(text : "+r"(a_), "+r"(b_) :: "r0", "r3", "r4", "r5", "lr", "cc", "memory"); \\
        a_; \\
    })
static uint32_t words[16] __attribute__((aligned(16), used)) = { 0x11223344, 0x55667788, 0x99AABBCC, 0xDDEEFF00 };
"""
)


ON_PROCESS_STACK = """
NAKED static void on_process_stack(void *top)
{
    __asm volatile(
        "push {r4, lr}\\n msr psp, r0\\n movs r0, #2\\n msr control, r0\\n isb 0xF\\n bl work\\n"
        "movs r0, #0\\n msr control, r0\\n isb 0xF\\n pop {r4, pc}\\n");
}
"""


ENABLE = "SHCSR |= SHCSR_MEM_ENABLE | SHCSR_BUS_ENABLE | SHCSR_USAGE_ENABLE; DSB();"


def _loose(why: str, *lines: str) -> dict[str, Any]:
    """What a scenario says that the board does not decide: why, and what the port must hold."""
    text = "".join(f"station: {line}\n" for line in ("up", *lines, "done"))
    return {"loose": why, "texts": (("station", text),)}


LOOSE = {
    "sleep-on-exit": _loose(
        "the emulator never sleeps on exit; DDI 0403 SCR.SLEEPONEXIT", "note 00000001", "order t."
    ),
    "scr": _loose(
        "the emulator keeps none or all of its bits; DDI 0403 SCR",
        *("now 00000016", "after 00000000", "zero 00000000"),
    ),
    "shpr3-6": _loose(
        "the emulator has a debug monitor there; DDI 0419 SHPR3",
        *("now c0c00000", "after c0c00000", "zero 00000000"),
    ),
}
"""Scenarios by name, or by name and architecture, that the board does not decide."""

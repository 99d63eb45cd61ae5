"""WFI, WFE and what wakes a core; the tick timer."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from ...cases import Scenario
from .helpers import LOOSE, NOTES


def sleeping(architecture: int) -> Iterator[Scenario]:
    """WFI, WFE, SEV, SEVONPEND, SLEEPONEXIT: what wakes a core, and what holds it."""
    codes = {
        "wfi-masked": "CPSID(); start_tick({n}); WFI(); mark('w'); note(ICSR >> 26 & 1); CPSIE(); ISB(); stop_tick();",
        "wfi-loop": "start_tick({n}); while (ticks < 5) {{ WFI(); }} stop_tick(); note(ticks >= 5);",
        "wfe-event": "SEV(); WFE(); mark('a'); SEV(); SEV(); WFE(); mark('b');",
        "sevonpend": "SCR = 0x10; NVIC_ICER(FIRST_IRQ / 32) = 1u << FIRST_IRQ % 32; SEV(); WFE(); "
        "pend_irq(FIRST_IRQ); DSB(); WFE(); mark('a'); NVIC_ICPR(FIRST_IRQ / 32) = 1u << FIRST_IRQ % 32; SCR = 0;",
        "sleep-on-exit": "SCR = 2; start_tick({n}); WFI(); mark('.'); stop_tick(); note(ticks >= 3);",
        "wfe-tick": "start_tick({n}); while (ticks < 3) {{ WFE(); }} stop_tick(); mark('.');",
        "wfi-pending": "CPSID(); ICSR = ICSR_PENDSV_SET; WFI(); mark('a'); CPSIE(); ISB(); mark('b');",
        "lost": "CPSID(); start_tick({n}); while (!(ICSR & ICSR_SYSTICK_SET)) {{ }} WFI(); mark('a'); CPSIE(); ISB(); "
        "stop_tick(); mark('b');",
    }
    for name, body in codes.items():
        random = Random(f"sleeping {architecture} {name}")
        text = body.format(n=random.choice((300, 1000, 7000)))
        code = (
            f"{NOTES}static volatile uint32_t ticks;\nvoid systick_handler(void) {{ if (++ticks >= 3) SCR = 0; "
            "if (ticks < 2) mark('t'); }\n"
            "void pendsv_handler(void) { mark('p'); }\nvoid irq60_handler(void) { mark('i'); }\n"
            f"void scenario(void)\n{{\n    {text}\n    show_notes();\n    show_trace();\n}}\n"
        )
        yield Scenario(f"sleeping-{name}", code, times=1, **LOOSE.get(name, {}))


def ticks(architecture: int) -> Iterator[Scenario]:
    """SysTick: COUNTFLAG and what clears it, reload, current value, pending state."""
    codes = {
        "flag": "SYST_RVR = {n}; SYST_CVR = 0; SYST_CSR = 5; while (!(SYST_CSR & 0x10000)) {{ }} "
        "note(SYST_CSR & 0x10000); spend({n}); note(SYST_CSR & 0x10002); note(SYST_CSR & 0x10002);",
        "flag-cleared-by-value": "SYST_RVR = 100; SYST_CVR = 0; SYST_CSR = 5; spend(400); SYST_CSR = 4; SYST_CVR = 7; "
        "note(SYST_CVR); note(SYST_CSR & 0x10000);",
        "flag-kept-over-stop": "SYST_RVR = 100; SYST_CVR = 0; SYST_CSR = 5; spend(400); SYST_RVR = 0xFFFFFF; "
        "note(SYST_RVR); note(SYST_CSR & 0x10000);",
        "pending-kept": "CPSID(); SYST_RVR = {n}; SYST_CVR = 0; SYST_CSR = 7; spend({n}); SYST_CSR = 0; "
        "note(ICSR >> 26 & 1); CPSIE(); ISB(); mark('.');",
        "pending-without-interrupt": "CPSID(); SYST_RVR = 90; SYST_CVR = 0; SYST_CSR = 5; spend(300); "
        "note(ICSR >> 26 & 1); SYST_CSR = 7; spend(300); note(ICSR >> 26 & 1); stop_tick(); "
        "ICSR = ICSR_SYSTICK_CLEAR; note(ICSR >> 26 & 1); CPSIE(); ISB();",
        "reload-zero": "SYST_RVR = 50; SYST_CVR = 0; SYST_CSR = 7; while (!taken) {{ }} SYST_RVR = 0; "
        "uint32_t now = taken; spend(300); note(taken - now <= 1); note(SYST_CVR); stop_tick();",
        "never-written-reload": "SYST_CVR = 0; SYST_CSR = 7; spend(300); note(taken); stop_tick();",
        "upper-bits": "SYST_RVR = 0xFF001234; note(SYST_RVR); SYST_CVR = 0xFFFFFFFF; note(SYST_CVR);",
        "counts-down": "SYST_RVR = 0xFFFFFF; SYST_CVR = 0; SYST_CSR = 5; spend(20); "
        "uint32_t first = SYST_CVR; spend(20); note(SYST_CVR < first); note(SYST_CVR > 0xFF0000); "
        "stop_tick(); first = SYST_CVR; spend(20); "
        "note(SYST_CVR == first);",
        "priority": "set_priority(15, 0x80); enable_irq(FIRST_IRQ, 0x40); pend_irq(FIRST_IRQ); DSB(); ISB(); "
        "note(taken); stop_tick();",
        "noticed-in-handler": "enable_irq(FIRST_IRQ, 0x40); set_priority(15, 0xC0); pend_irq(FIRST_IRQ); DSB(); "
        "ISB(); mark('.'); stop_tick();",
    }
    for name, body in codes.items():
        random = Random(f"ticks {architecture} {name}")
        text = body.format(n=random.choice((200, 999, 3000)))
        code = (
            f"{NOTES}static volatile uint32_t taken;\n"
            "void systick_handler(void) { if (!taken++) mark('t'); }\n"
            "void irq60_handler(void) { mark('['); start_tick(100); spend(200); stop_tick(); "
            "note(ICSR >> 26 & 1); mark(']'); }\n"
            f"void scenario(void)\n{{\n    {text}\n    show_notes();\n    show_trace();\n}}\n"
        )
        yield Scenario(f"ticks-{name}", code, times=1)

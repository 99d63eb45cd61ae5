"""PRIMASK, BASEPRI, FAULTMASK: interrupts are held back and taken at the right instruction."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from ..cases import Scenario

COUNT = "static volatile uint32_t count;\nvoid irq60_handler(void) { count++; mark('h'); }\n"
FLAG = (
    "static volatile uint32_t flag, woken;\n"
    "void pendsv_handler(void) { flag = 1; mark('p'); }\n"
    "void systick_handler(void) { stop_tick(); flag = 1; mark('t'); }\n"
    "void irq60_handler(void) { flag = 1; mark('i'); }\n"
)
PENDING = {
    "pendsv": "ICSR = ICSR_PENDSV_SET;",
    "systick": "ICSR = ICSR_SYSTICK_SET;",
    "ispr": "pend_irq(60);",
    "stir": "STIR = 60;",
}


def taken_at_the_write(random: Random) -> Iterator[Scenario]:
    """An exception that a write pends is taken at the barrier after it, or at the latest some lines on."""
    for name, pend in PENDING.items():
        code = f"""{FLAG}
void scenario(void)
{{
    enable_irq(60, 0x40);
    for (uint32_t i = 0; i < {random.randint(1, 5)}; i++) {{
        mark('a');
        {pend}
        DSB();
        ISB();
        mark('b');
    }}
    show_trace();
}}
"""
        yield Scenario(f"taken-after-{name}", code)


def waits_two_instructions(random: Random) -> Iterator[Scenario]:
    """A kernel that pends and goes on two instructions later finds the handler's work done."""
    for name, pend in PENDING.items():
        code = f"""{FLAG}
void scenario(void)
{{
    uint32_t late = 0;

    enable_irq(60, {random.choice((0x20, 0x80, 0xE0)):#x});
    for (uint32_t i = 0; i < {random.randint(20, 90)}; i++) {{
        flag = 0;
        {pend}
        DSB();
        ISB();
        if (!flag) {{
            late++;
        }}
    }}
    show("late", late);
    if (late) {{
        default_handler();
    }}
}}
"""
        yield Scenario(f"two-instructions-{name}", code, times=1)


def held_by_mask(random: Random) -> Iterator[Scenario]:
    """Each mask holds an interrupt back, which is taken right after the mask goes."""
    masks = {
        "primask-cps": ("CPSID();", "CPSIE(); ISB();"),
        "primask-msr": ('MSR("primask", 1);', 'MSR("primask", 0); ISB();'),
        "basepri": ('MSR("basepri", 0x40); ISB();', 'MSR("basepri", 0); ISB();'),
        "basepri-max": ('MSR("basepri", 0x40); MSR("basepri_max", 0x20); MSR("basepri_max", 0x80); ISB();',
                        'show("basepri", MRS("basepri")); MSR("basepri", 0); ISB();'),
        "faultmask-cps": ("CPSID_F();", "CPSIE_F(); ISB();"),
        "faultmask-msr": ('MSR("faultmask", 1);', 'MSR("faultmask", 0); ISB();'),
    }  # fmt: skip
    for name, (hold, let) in masks.items():
        priority = random.choice((0x40, 0x60, 0xC0))
        code = f"""{COUNT}
void scenario(void)
{{
    enable_irq(60, {priority:#x});
    {hold}
    mark('a');
    pend_irq(60);
    DSB();
    ISB();
    spend({random.randint(1, 400)});
    show("held", count);
    show("pending", NVIC_ISPR(1) >> 28 & 1);
    mark('b');
    {let}
    mark('c');
    show("taken", count);
    show_trace();
}}
"""
        yield Scenario(name, code)


def basepri_lets_higher(random: Random) -> Iterator[Scenario]:
    """BASEPRI lets interrupts of a higher priority through and holds the others."""
    for level in (0x20, 0x60, 0xA0):
        code = f"""
void irq60_handler(void) {{ mark('0'); }}
void irq61_handler(void) {{ mark('1'); }}
void irq62_handler(void) {{ mark('2'); }}
void irq63_handler(void) {{ mark('3'); }}
void scenario(void)
{{
    enable_irq(60, 0x00);
    enable_irq(61, 0x40);
    enable_irq(62, 0x80);
    enable_irq(63, 0xC0);
    MSR("basepri", {level:#x});
    ISB();
    mark('[');
    for (uint32_t i = 63; i >= 60; i--) {{
        pend_irq(i);
        DSB();
        ISB();
    }}
    mark(']');
    MSR("basepri", 0);
    ISB();
    mark('.');
    show_trace();
}}
"""
        yield Scenario(f"basepri-{level:02x}", code, times=1)


def basepri_only_rises(random: Random) -> Iterator[Scenario]:
    """BASEPRI_MAX takes a value only where it masks more; zero never changes it."""
    steps = [random.choice((0, 0x20, 0x40, 0x60, 0x80, 0xA0, 0xC0)) for _ in range(8)]
    writes = "\n".join(
        f'    MSR("basepri_max", {each:#x}); ISB(); show("now", MRS("basepri"));' for each in steps
    )
    code = f"""
void irq60_handler(void) {{ mark('0'); }}
void irq61_handler(void) {{ mark('1'); }}
void scenario(void)
{{
    enable_irq(60, 0x40);
    enable_irq(61, 0xA0);
    MSR("basepri_max", 0xE0);
{writes}
    pend_irq(61);
    pend_irq(60);
    DSB();
    ISB();
    mark('.');
    MSR("basepri", 0);
    ISB();
    mark('.');
    show_trace();
}}
"""
    yield Scenario("basepri-max", code)


def check_and_sleep(random: Random) -> Iterator[Scenario]:
    """``cpsid i; if (!flag) wfi; cpsie i``: no wake-up is lost."""
    sources = {
        "tick": ("start_tick({reload});", "void systick_handler(void) { flag = 1; ticks++; }"),
        "other": ("enable_irq(60, 0x40); start_tick({reload});",
                  "void systick_handler(void) { pend_irq(60); }\n"
                  "void irq60_handler(void) { flag = 1; ticks++; }"),
    }  # fmt: skip
    for name, (start, handler) in sources.items():
        for reload in (random.randint(150, 400), random.randint(2_000, 9_000), 70_000):
            code = f"""static volatile uint32_t flag, ticks;
{handler}
void scenario(void)
{{
    uint32_t rounds = 0;

    {start.format(reload=reload)}
    while (rounds < {random.randint(4, 40)}) {{
        CPSID();
        if (!flag) {{
            WFI();
        }}
        CPSIE();
        ISB();
        CPSID();
        if (flag) {{
            flag = 0;
            rounds++;
        }}
        CPSIE();
    }}
    stop_tick();
    NVIC_ICER(1) = 1u << 28;
    show("rounds", rounds);
}}
"""
            yield Scenario(f"sleep-{name}-{reload}", code)


def nested_critical(random: Random) -> Iterator[Scenario]:
    """Critical sections that nest, save and restore the mask."""
    for mask in ("primask", "basepri", "faultmask"):
        value = {"primask": 1, "basepri": 0x40, "faultmask": 1}[mask]
        code = f"""{COUNT}
static uint32_t enter(void)
{{
    uint32_t before = MRS("{mask}");

    MSR("{mask}", {value:#x});
    ISB();
    return before;
}}
static void leave(uint32_t before)
{{
    MSR("{mask}", before);
    ISB();
}}
void scenario(void)
{{
    enable_irq(60, 0x60);
    for (uint32_t i = 0; i < {random.randint(2, 8)}; i++) {{
        uint32_t outer = enter();
        uint32_t inner = enter();

        pend_irq(60);
        DSB();
        leave(inner);
        mark(count == i ? 'k' : 'X');
        leave(outer);
        mark(count == i + 1 ? 'o' : 'Y');
    }}
    show("{mask}", MRS("{mask}"));
    show_trace();
}}
"""
        yield Scenario(f"nested-{mask}", code, times=1)


def sleeps_masked_for_ever(random: Random) -> Iterator[Scenario]:
    """Wakes from WFI with PRIMASK set, but never lets the handler run that it waits for."""
    del random
    for mask, note in (("CPSID();", "primask"), ('MSR("basepri", 0x20); ISB();', "basepri")):
        code = f"""static volatile uint32_t flag;
void systick_handler(void) {{ flag = 1; }}
USED static void wait_for_flag(void)
{{
    while (!flag) {{
        WFI();
    }}
}}
void scenario(void)
{{
    SHPR(15) = 0x80;
    {mask}
    start_tick(1000);
    wait_for_flag();
}}
"""
        yield Scenario(f"never-unmasked-{note}", code, fails=True, ends="wait_for_flag")


def disabled_or_unpended(random: Random) -> Iterator[Scenario]:
    """A pending interrupt that is disabled is not taken; a pend that is taken back never is."""
    codes = {
        "disabled": "pend_irq(60); DSB(); ISB(); mark('a'); enable_irq(60, 0x40); DSB(); ISB(); mark('b');",
        "taken-back": "CPSID(); enable_irq(60, 0x40); pend_irq(60); NVIC_ICPR(1) = 1u << 28; CPSIE(); "
        "ISB(); mark('a');",
        "pendsv-back": "CPSID(); ICSR = ICSR_PENDSV_SET; ICSR = ICSR_PENDSV_CLEAR; CPSIE(); ISB(); mark('a');",
        "systick-back": "CPSID(); ICSR = ICSR_SYSTICK_SET; ICSR = ICSR_SYSTICK_CLEAR; CPSIE(); ISB(); "
        "mark('a');",
        "disabled-while-pending": "enable_irq(60, 0x40); CPSID(); pend_irq(60); NVIC_ICER(1) = 1u << 28; "
        "CPSIE(); ISB(); mark('a'); show(\"still\", NVIC_ISPR(1)); NVIC_ISER(1) = 1u << 28; DSB(); ISB(); "
        "mark('b');",
    }
    for name, body in codes.items():
        code = f"{FLAG}void scenario(void)\n{{\n    spend({random.randint(1, 9)});\n    {body}\n"
        code += "    show_trace();\n}\n"
        yield Scenario(name, code, times=1)


def nobody_set_a_handler(random: Random) -> Iterator[Scenario]:
    """The mask goes and an interrupt is taken that only the default handler takes."""
    for number, (name, pend) in enumerate(
        {"irq64": "enable_irq(64, 0); pend_irq(64);", "pendsv": PENDING["pendsv"],
         "systick": "start_tick(500); while (!(ICSR & ICSR_SYSTICK_SET)) { }", "nmi": "ICSR = ICSR_NMI_SET;"}.items()
    ):  # fmt: skip
        hold = "" if name == "nmi" else "CPSID();"
        code = f"""
void scenario(void)
{{
    {hold}
    {pend}
    DSB();
    spend({random.randint(1, 300) + number});
    say("not yet");
    CPSIE();
    ISB();
    spend(100);
    say("never");
}}
"""
        yield Scenario(f"default-{name}", code, fails=True)


def many_sections(random: Random) -> Iterator[Scenario]:
    """An interrupt held off, then thousands of sections with nothing pending, then one held off again."""
    count = random.randint(2000, 6000)
    for name, mask, unmask in (
        ("primask", "CPSID();", "CPSIE();"),
        ("basepri", 'MSR("basepri", 0x40);', 'MSR("basepri", 0);'),
    ):
        code = f"""
static volatile uint32_t calls, early;
void irq60_handler(void) {{ calls++; }}
static void held_off(void)
{{
    uint32_t before = calls;

    {mask}
    pend_irq(60);
    DSB();
    early += calls - before;
    {unmask}
    ISB();
    show("calls", calls);
}}
void scenario(void)
{{
    enable_irq(60, 0x80);
    held_off();
    for (uint32_t i = 0; i < {count}; i++) {{
        {mask}
        early += calls == 0;
        {unmask}
    }}
    held_off();
    show("early", early);
}}
"""
        yield Scenario(f"many-sections-{name}", code, times=1)


FAMILIES = (
    many_sections,
    taken_at_the_write,
    waits_two_instructions,
    held_by_mask,
    basepri_lets_higher,
    basepri_only_rises,
    check_and_sleep,
    nested_critical,
    sleeps_masked_for_ever,
    disabled_or_unpended,
    nobody_set_a_handler,
)

"""Start-up code of other schools: tables of copies, painted stacks, moved vectors, code run from RAM."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from ..cases import Scenario
from .protection import REGION


def tables(random: Random) -> Iterator[Scenario]:
    """What is copied and cleared stands in a table of start, target and size, walked in bytes or words."""
    size = random.randint(5, 30)
    code = f"""
static const uint32_t stored[{size}] = {{ {", ".join(str(random.randrange(1 << 30)) for _ in range(size))} }};
static uint32_t copied[{size}], cleared[40];
struct entry {{ const void *from; void *to; uint32_t bytes; }};
static const struct entry table[] = {{ {{ stored, copied, sizeof copied }}, {{ 0, cleared, sizeof cleared }} }};
void scenario(void)
{{
    uint32_t sum = 0;

    for (uint32_t i = 0; i < sizeof table / sizeof *table; i++) {{
        const uint8_t *from = table[i].from;
        volatile uint8_t *to = table[i].to;

        for (uint32_t at = 0; at < table[i].bytes; at++) {{
            to[at] = from ? from[at] : 0;
        }}
    }}
    for (uint32_t i = 0; i < {size}; i++) {{
        sum = sum * 33 + copied[i];
    }}
    show("sum", sum);
    show("cleared", cleared[39]);
}}
"""
    yield Scenario("tables", code)


def painted(random: Random) -> Iterator[Scenario]:
    """The stack is painted below the stack pointer, and later searched for how deep it was used."""
    depth = random.randint(3, 12)
    code = f"""
extern uint32_t stack_bottom;
__attribute__((noinline)) uint32_t recurse(uint32_t depth)
{{
    volatile uint32_t kept[4];

    kept[0] = depth;
    return depth ? recurse(depth - 1) + kept[0] : 0;
}}
void scenario(void)
{{
    volatile uint32_t *at = &stack_bottom;
    uint32_t here;

    __asm volatile("mov %0, sp" : "=r"(here));
    for (; (uint32_t)at < here - 64; at++) {{
        *at = 0xA5A5A5A5;
    }}
    show("sum", recurse({depth}));
    for (at = &stack_bottom; *at == 0xA5A5A5A5; at++) {{
    }}
    say((uint32_t)at < here && (uint32_t)at > (uint32_t)&stack_bottom ? "used" : "odd");
}}
"""
    yield Scenario("painted", code)


def code_in_ram(random: Random) -> Iterator[Scenario]:
    """A routine is copied to RAM and run: from a constant, from an initialised array, changed between two runs."""
    add, more = random.randint(1, 200), random.randint(1, 200)
    words = f"{{ 0x3000 + {add}, 0x4770 }}"
    start = f"""
typedef uint32_t (*routine)(uint32_t);
#define AT(place) ((routine)((uint32_t)(place) | 1))
static const uint16_t stored[] = {words};
__attribute__((unused)) static uint16_t initialised[] = {words};
static uint16_t place[8] __attribute__((aligned(8), unused));
__attribute__((unused)) static void load(uint16_t *to)
{{
    for (uint32_t i = 0; i < 2; i++) {{
        ((volatile uint16_t *)to)[i] = stored[i];
    }}
    DSB();
    ISB();
}}
"""
    yield Scenario(
        "ram-copied", f'{start}void scenario(void) {{ load(place); show("sum", AT(place)(1)); }}\n'
    )
    yield Scenario(
        "ram-initialised",
        f'{start}void scenario(void) {{ place[0] = 1; show("sum", AT(initialised)(1)); }}\n',
    )
    changed = f"""{start}
void scenario(void)
{{
    uint32_t sum = 0;

    load(place);
    for (uint32_t i = 0; i < 50; i++) {{
        sum = AT(place)(sum);
        ((volatile uint16_t *)place)[0] = (uint16_t)(0x3000 + (i * {more} & 0xFF));
        DSB();
        ISB();
    }}
    show("sum", sum);
}}
"""
    yield Scenario("ram-changed", changed)
    on_stack = f"""{start}
void scenario(void)
{{
    uint16_t here[8] __attribute__((aligned(8)));

    load(here);
    show("sum", AT(here)(2));
}}
"""
    yield Scenario("ram-stack", on_stack, times=1)
    function = """
__attribute__((section(".data.fast"), noinline, long_call)) uint32_t fast(uint32_t a) { return a * 7 + 1; }
void scenario(void) { show("sum", fast(VALUE)); }
""".replace("VALUE", str(random.randint(1, 999)))
    yield Scenario("ram-section", function.replace(", long_call", ""), options=("-mlong-calls",), times=1)
    handler = f"""{start}
static uint32_t vectors[128] __attribute__((aligned(512)));
void irq60_handler(void) {{ mark('f'); }}
void scenario(void)
{{
    /* push {{r0, lr}}; blx through a literal; pop {{r0, pc}} */
    static const uint16_t code[] = {{ 0xB501, 0x4B01, 0x4798, 0xBD01 }};

    for (uint32_t i = 0; i < 4; i++) {{
        ((volatile uint16_t *)place)[i] = code[i];
    }}
    ((volatile uint32_t *)(uint32_t)place)[2] = (uint32_t)irq60_handler;
    for (uint32_t i = 0; i < 112; i++) {{
        vectors[i] = ((const volatile uint32_t *)OWN_CODE)[i];
    }}
    vectors[16 + 60] = (uint32_t)place | 1;
    VTOR = (uint32_t)vectors;
    DSB();
    ISB();
    enable_irq(60, 0x40);
    pend_irq(60);
    DSB();
    ISB();
    pend_irq(60);
    DSB();
    ISB();
    show_trace();
}}
"""
    yield Scenario("ram-handler", handler)
    never = f"""{start}{REGION}
void scenario(void)
{{
    load(place);
    show("sum", AT(place)(1));
    region(0, OWN_RAM, OWN_RAM + RAM_SIZE, 1, 1);
    switch_on(5);
    say("closed");
    show("sum", AT(place)(1));
}}
"""
    yield Scenario("ram-execute-never", never, fails=True)
    opened = never.replace("RAM_SIZE, 1, 1)", "RAM_SIZE, 1, 0)")
    yield Scenario("ram-executable", opened)
    wild = f"""{start}
void scenario(void)
{{
    say("going");
    ((volatile uint16_t *)place)[0] = 0xDE{random.randint(10, 99)};
    AT(place)(1);
    say("never");
}}
"""
    yield Scenario("ram-undefined", wild, fails=True)


def mapped_regions(random: Random) -> Iterator[Scenario]:
    """A whole map of regions as start-up code sets it up: code read-only, RAM without execution, devices."""
    code = f"""{REGION}
static volatile uint32_t ticks;
void systick_handler(void) {{ ticks++; }}
void scenario(void)
{{
    region(0, OWN_CODE, OWN_CODE + CODE_SIZE, 3, 0);
    region(1, OWN_RAM, OWN_RAM + RAM_SIZE, 1, 1);
    region(2, LINK_AREA, LINK_AREA + 0x1000, 1, 1);
    region(3, 0x50000000, 0x50300000, 1, 1);
    switch_on(BACKGROUND);
    start_tick({random.randint(300, 3000)});
    while (ticks < 3) {{
    }}
    stop_tick();
    show("ticks", ticks);
    CHANGE
    show("again", ticks);
}}
"""
    shared = code.replace("BACKGROUND", "5")
    yield Scenario("map-only", code.replace("BACKGROUND", "1").replace("CHANGE", ""))
    yield Scenario(
        "map-background",
        shared.replace("CHANGE", "region(2, OWN_RAM + 32, OWN_RAM + 32, 1, 1);"),
    )
    overlap = code.replace("BACKGROUND", "5").replace(
        "CHANGE", "region(4, OWN_RAM, OWN_RAM + RAM_SIZE, 1, 1);"
    )
    yield Scenario("map-overlap", overlap, fails=True, ends="default_handler|lock-up")
    hard = f"""{REGION}
static uint32_t guarded[16] __attribute__((aligned(64)));
void scenario(void)
{{
    region(0, (uint32_t)guarded, (uint32_t)guarded + 64, 2, 1);
    switch_on(HOW);
    CPSID_F();
    *(volatile uint32_t *)&guarded[{random.randint(0, 15)}] = 9;
    CPSIE_F();
    say("passed");
}}
"""
    yield Scenario("negative-open", hard.replace("HOW", "5"))
    yield Scenario("negative-guarded", hard.replace("HOW", "7"), fails=True, ends="lock-up")


def counts_events(random: Random) -> Iterator[Scenario]:
    """An event ends WFE: SEV, a pending interrupt that is not enabled, the return from an exception."""
    code = f"""
void irq60_handler(void) {{ mark('h'); }}
void scenario(void)
{{
    SCR |= 1u << 4;
    enable_irq(60, 0x40);
    for (uint32_t i = 0; i < {random.randint(2, 5)}; i++) {{
        pend_irq(62);
        WFE();
        mark('p');
        NVIC_ICPR(1) = 1u << 30;
        pend_irq(60);
        DSB();
        ISB();
        WFE();
        mark('r');
        SEV();
        WFE();
        mark('s');
    }}
    show_trace();
}}
"""
    yield Scenario("events", code)


def long_jumps(random: Random) -> Iterator[Scenario]:
    """Code leaves several calls at once, and comes back to where it began."""
    code = f"""
static uint32_t kept[10];
__attribute__((returns_twice)) NAKED static uint32_t begin(uint32_t *place)
{{
    __asm volatile("mov r2, sp\\n stmia r0!, {{r2, r4-r11, lr}}\\n movs r0, #0\\n bx lr\\n");
}}
NAKED static void back(uint32_t *place, uint32_t value)
{{
    __asm volatile("ldmia r0!, {{r2, r4-r11, lr}}\\n mov sp, r2\\n mov r0, r1\\n bx lr\\n");
}}
__attribute__((noinline)) static void deeper(volatile uint32_t depth)
{{
    if (depth == 0) {{
        back(kept, {random.randint(1, 999)});
    }}
    deeper(depth - 1);
    mark('x');
}}
void scenario(void)
{{
    volatile uint32_t tries = 0;
    uint32_t value = begin(kept);

    mark('b');
    tries++;
    if (value == 0) {{
        deeper({random.randint(2, 20)});
    }}
    show("value", value);
    show("tries", tries);
    show_trace();
}}
"""
    yield Scenario("long-jump", code)


FAMILIES = (tables, painted, code_in_ram, mapped_regions, counts_events, long_jumps)

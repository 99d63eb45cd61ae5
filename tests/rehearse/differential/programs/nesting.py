"""Preemption, nesting, priority grouping, tail chaining, pending and active state."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from ..cases import Scenario


def nests_by_priority(random: Random) -> Iterator[Scenario]:
    """Handlers pend each other; who preempts whom is the priorities' doing."""
    for number in range(6):
        priorities = [random.choice((0x00, 0x20, 0x40, 0x60, 0x80, 0xC0)) for _ in range(4)]
        edges = {60: 61, 61: 62, 62: 63, 63: 0}
        if number % 2:
            edges = {60: 63, 63: 61, 61: 62, 62: 0}
        handlers = "".join(
            f"void irq{irq}_handler(void) {{ mark('{irq % 10}'); "
            + (f"pend_irq({after}); DSB(); ISB(); " if after else "")
            + f"mark('{'abcd'[irq % 10]}'); }}\n"
            for irq, after in edges.items()
        )
        enable = "".join(f"    enable_irq({60 + i}, {p:#x});\n" for i, p in enumerate(priorities))
        code = f"""{handlers}
void scenario(void)
{{
{enable}    pend_irq(60);
    DSB();
    ISB();
    mark('.');
    show_trace();
}}
"""
        yield Scenario(f"chain-{number}", code)


def pended_together(random: Random) -> Iterator[Scenario]:
    """Interrupts that pend under a mask are taken by priority, then by number, tail chained."""
    for number in range(4):
        priorities = [random.choice((0x20, 0x40, 0x40, 0x80)) for _ in range(6)]
        order = list(range(60, 66))
        random.shuffle(order)
        handlers = "".join(
            f"void irq{irq}_handler(void) {{ mark('{irq % 10}'); }}\n" for irq in range(60, 66)
        )
        enable = "".join(f"    enable_irq({60 + i}, {p:#x});\n" for i, p in enumerate(priorities))
        pend = "".join(f"    pend_irq({irq});\n" for irq in order)
        code = f"""{handlers}
void pendsv_handler(void) {{ mark('p'); }}
void systick_handler(void) {{ mark('t'); }}
void scenario(void)
{{
{enable}    SHPR(14) = {random.choice((0x00, 0x40, 0xE0)):#x};
    SHPR(15) = {random.choice((0x00, 0x40, 0xE0)):#x};
    CPSID();
{pend}    ICSR = ICSR_PENDSV_SET | ICSR_SYSTICK_SET;
    DSB();
    show("pending", NVIC_ISPR(1) >> 28 | NVIC_ISPR(2) << 4);
    CPSIE();
    ISB();
    mark('.');
    show_trace();
}}
"""
        yield Scenario(f"together-{number}", code)


def grouping(random: Random) -> Iterator[Scenario]:
    """PRIGROUP splits the priority: only the group preempts, the rest orders what is pending."""
    for group in (4, 5, 6, 7):
        low, high = sorted(random.sample((0x20, 0x40, 0x60, 0x80, 0xA0, 0xC0), 2))
        code = f"""
void irq60_handler(void)
{{
    mark('[');
    pend_irq(61);
    pend_irq(62);
    DSB();
    ISB();
    mark(']');
}}
void irq61_handler(void) {{ mark('1'); }}
void irq62_handler(void) {{ mark('2'); }}
void scenario(void)
{{
    AIRCR = 0x05FA0000 | {group} << 8;
    show("group", AIRCR >> 8 & 7);
    enable_irq(60, {high:#x});
    enable_irq(61, {high:#x} & 0xE0);
    enable_irq(62, {low:#x});
    pend_irq(60);
    DSB();
    ISB();
    mark('.');
    show_trace();
}}
"""
        yield Scenario(f"group-{group}", code)


def changes_priority(random: Random) -> Iterator[Scenario]:
    """A handler that changes priorities, its own or another's, sees what follows from it."""
    for own, new in ((0x80, 0x20), (0x40, 0xC0)):
        code = f"""
void irq60_handler(void)
{{
    mark('[');
    pend_irq(61);
    DSB();
    ISB();
    mark('-');
    NVIC_IPR(61) = {random.choice((0x20, 0x10))};
    DSB();
    ISB();
    mark(']');
}}
void irq61_handler(void) {{ mark('1'); NVIC_IPR(60) = {new:#x}; }}
void scenario(void)
{{
    enable_irq(60, {own:#x});
    enable_irq(61, 0xE0);
    pend_irq(60);
    DSB();
    ISB();
    pend_irq(60);
    DSB();
    ISB();
    show("priority", NVIC_IPR(60) << 8 | NVIC_IPR(61));
    show_trace();
}}
"""
        yield Scenario(f"changed-{own:02x}", code)


def active_state(random: Random) -> Iterator[Scenario]:
    """A handler reads its own number, active and pending bits, and RETTOBASE."""
    for number in range(2):
        code = f"""static volatile uint32_t seen[6], again;
void irq60_handler(void)
{{
    seen[0] = MRS("ipsr");
    seen[1] = NVIC_IABR(1) >> 28;
    seen[2] = ICSR & 0xFFF9FF;
    pend_irq(61);
    DSB();
    ISB();
}}
void irq61_handler(void)
{{
    seen[3] = MRS("ipsr");
    seen[4] = NVIC_IABR(1) >> 28;
    seen[5] = ICSR & 0x9FF;
    {"if (!again++) { pend_irq(60); }" if number else ""}
}}
void scenario(void)
{{
    enable_irq(60, 0x80);
    enable_irq(61, {random.choice((0x20, 0x40)):#x});
    pend_irq(60);
    DSB();
    ISB();
    for (uint32_t i = 0; i < 6; i++) {{
        show("seen", seen[i]);
    }}
    show("thread", MRS("ipsr"));
}}
"""
        yield Scenario(f"active-{number}", code, times=1)


def pends_itself(random: Random) -> Iterator[Scenario]:
    """A handler that pends itself is taken again after its return, a bounded number of times."""
    for what, pend, handler in (
        ("irq", "pend_irq(60);", "irq60_handler"),
        ("pendsv", "ICSR = ICSR_PENDSV_SET;", "pendsv_handler"),
        ("systick", "ICSR = ICSR_SYSTICK_SET;", "systick_handler"),
    ):
        times = random.randint(2, 30)
        code = f"""static volatile uint32_t count, deep;
void {handler}(void)
{{
    deep++;
    if (deep > 1) {{
        default_handler();
    }}
    if (++count < {times}) {{
        {pend}
        DSB();
        ISB();
    }}
    deep--;
}}
void scenario(void)
{{
    enable_irq(60, 0x80);
    {pend}
    DSB();
    ISB();
    show("count", count);
}}
"""
        yield Scenario(f"itself-{what}", code)


def nests_deeply(random: Random) -> Iterator[Scenario]:
    """Six levels of preemption on one stack, and all registers come back."""
    handlers = "".join(
        f"""void irq{60 + i}_handler(void)
{{
    uint32_t kept = {random.randint(1, 10**9)};

    mark('{i}');
    {f"pend_irq({61 + i}); DSB(); ISB();" if i < 5 else "spend(30);"}
    digest = digest * 33 + kept;
}}
"""
        for i in range(6)
    )
    enable = "".join(f"    enable_irq({60 + i}, {0xC0 - 0x20 * i:#x});\n" for i in range(6))
    code = f"""static volatile uint32_t digest;
{handlers}
void scenario(void)
{{
{enable}    pend_irq(60);
    DSB();
    ISB();
    show("digest", digest);
    show_trace();
}}
"""
    yield Scenario("six-levels", code)


def livelock(random: Random) -> Iterator[Scenario]:
    """A handler that pends itself for ever leaves thread code no time."""
    del random
    for name, pend, handler in (
        ("irq", "NVIC_ISPR(1) = 1u << 28;", "irq60_handler"),
        ("pendsv", "ICSR = ICSR_PENDSV_SET;", "pendsv_handler"),
    ):
        code = f"""static volatile uint32_t count;
void {handler}(void)
{{
    count++;
    {pend}
}}
USED static void work(void)
{{
    say("working");
    enable_irq(60, 0x80);
    {pend}
    DSB();
    ISB();
    say("never");
}}
void scenario(void) {{ work(); }}
"""
        yield Scenario(f"livelock-{name}", code, fails=True, ends=handler)


def waits_in_a_handler(random: Random) -> Iterator[Scenario]:
    """A handler waits for what only a handler of lower or equal priority would do."""
    for low in (0x40, 0x80):
        code = f"""static volatile uint32_t flag;
void irq60_handler(void)
{{
    pend_irq(61);
    while (!flag) {{
    }}
}}
void irq61_handler(void) {{ flag = 1; }}
void scenario(void)
{{
    enable_irq(60, 0x40);
    enable_irq(61, {low:#x});
    spend({random.randint(1, 50)});
    pend_irq(60);
    DSB();
    ISB();
    say("never");
}}
"""
        yield Scenario(f"handler-waits-{low:02x}", code, fails=True, ends="irq60_handler")
    code = """static volatile uint32_t ticks;
void systick_handler(void) { ticks++; }
void irq60_handler(void)
{
    uint32_t from = ticks;

    while (ticks - from < 2) {
    }
    mark('w');
}
void scenario(void)
{
    enable_irq(60, 0x80);
    SHPR(15) = 0x40;
    start_tick(900);
    pend_irq(60);
    DSB();
    ISB();
    stop_tick();
    show_trace();
}
"""
    yield Scenario("handler-waits-higher", code)
    yield Scenario(
        "handler-waits-same", code.replace("SHPR(15) = 0x40", "SHPR(15) = 0x80"), True, "irq60_handler"
    )


FAMILIES = (
    nests_by_priority,
    pended_together,
    grouping,
    changes_priority,
    active_state,
    pends_itself,
    nests_deeply,
    livelock,
    waits_in_a_handler,
)

"""The architecture's tick timer: reloads from 160 instructions on, polled and by interrupt, on both cores."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from ..cases import Scenario

RELOADS = (160, 250, 500, 999, 1999, 4095, 4096, 9999, 19999, 65535)


def counts_ticks(random: Random) -> Iterator[Scenario]:
    """Ticks of any reload come, and leave thread code its time."""
    for reload in RELOADS:
        code = f"""static volatile uint32_t ticks;
void systick_handler(void) {{ ticks++; }}
void scenario(void)
{{
    uint32_t seen = 0, work = 0;

    start_tick({reload});
    while (seen < {random.randint(3, 25)}) {{
        work++;
        if (ticks != seen) {{
            seen++;
        }}
    }}
    stop_tick();
    show("seen", seen);
    say(work ? "worked" : "no time");
}}
"""
        yield Scenario(f"counts-{reload}", code, times=1)


def works_under_ticks(random: Random) -> Iterator[Scenario]:
    """A sum over an array comes out right under many ticks, whose handler uses all its registers."""
    for reload in (300, 777, 5000):
        size = random.randint(60, 200)
        code = f"""static volatile uint32_t ticks, digest;
static uint32_t table[{size}];
void systick_handler(void)
{{
    ticks++;
    digest = (digest << 5) ^ (digest >> 27) ^ ticks;
}}
void scenario(void)
{{
    uint32_t sum = 0, again = 0;

    for (uint32_t i = 0; i < {size}; i++) {{
        table[i] = i * 2654435761u;
    }}
    start_tick({reload});
    do {{
        sum = 0;
        for (uint32_t i = 0; i < {size}; i++) {{
            sum = sum * 31 + table[i];
        }}
        again++;
    }} while (ticks < {random.randint(5, 20)} || again < 3);
    stop_tick();
    show("sum", sum);
}}
"""
        yield Scenario(f"works-{reload}", code)


def polls_the_flag(random: Random) -> Iterator[Scenario]:
    """COUNTFLAG is set when the timer passes zero and cleared by a read of the register."""
    for reload in (99, 1000, 30000):
        code = f"""
void scenario(void)
{{
    SYST_RVR = {reload};
    SYST_CVR = 0;
    SYST_CSR = 5;
    for (uint32_t i = 0; i < {random.randint(2, 9)}; i++) {{
        while (!(SYST_CSR & 0x10000)) {{
        }}
        mark('t');
    }}
    SYST_CSR = 0;
    show("enable", SYST_CSR & 7);
    show_trace();
}}
"""
        yield Scenario(f"polls-{reload}", code, times=1)


def counts_down(random: Random) -> Iterator[Scenario]:
    """The current value falls, stays below the reload, and a write of anything clears it."""
    for reload in (0xFFFFFF, 5000):
        code = f"""
void scenario(void)
{{
    uint32_t first, second;

    SYST_RVR = {reload};
    SYST_CVR = {random.randint(1, 99)};
    show("cleared", SYST_CVR);
    SYST_CSR = 5;
    spend(20);
    first = SYST_CVR;
    spend(20);
    second = SYST_CVR;
    say(first <= {reload} ? "in range" : "beyond");
    say(second < first ? "falls" : "rises");
    SYST_CSR = 0;
    show("reload", SYST_RVR);
}}
"""
        yield Scenario(f"falls-{reload}", code, times=1)


def delays(random: Random) -> Iterator[Scenario]:
    """A delay of milliseconds by interrupt or by WFI comes to its end."""
    for how in ("spin", "sleep"):
        for reload, wait in ((2000, 50), (20000, 12)):
            code = f"""static volatile uint32_t now;
void systick_handler(void) {{ now++; }}
static void delay(uint32_t ticks)
{{
    uint32_t from = now;

    while (now - from < ticks) {{
        {"WFI();" if how == "sleep" else ""}
    }}
}}
void scenario(void)
{{
    start_tick({reload} - 1);
    delay({wait + random.randint(0, 5)});
    say("waited");
    delay(1);
    say("waited again");
    stop_tick();
}}
"""
            yield Scenario(f"delay-{how}-{reload}", code)


def tick_that_never_comes(random: Random) -> Iterator[Scenario]:
    """A delay whose timer was never started, has no interrupt, or a reload of zero waits for ever."""
    del random
    starts = {
        "not-started": "",
        "no-interrupt": "SYST_RVR = 1000; SYST_CVR = 0; SYST_CSR = 5;",
        "reload-zero": "start_tick(0);",
        "masked": "CPSID(); start_tick(1000);",
    }
    for name, start in starts.items():
        for how in ("WFI();", ""):
            code = f"""static volatile uint32_t now;
void systick_handler(void) {{ now++; }}
USED static void delay(uint32_t ticks)
{{
    uint32_t from = now;

    while (now - from < ticks) {{
        {how}
    }}
}}
void scenario(void)
{{
    {start}
    delay(3);
    say("never");
}}
"""
            yield Scenario(f"{name}-{'sleep' if how else 'spin'}", code, fails=True, ends="delay", times=1)


def tick_without_handler(random: Random) -> Iterator[Scenario]:
    """The timer is started, and nobody wrote its handler."""
    for reload in (200, 20000):
        code = f"""
void scenario(void)
{{
    say("ticking");
    start_tick({reload});
    spend({random.randint(20000, 40000)});
    say("never");
}}
"""
        yield Scenario(f"no-handler-{reload}", code, fails=True)


def both_tick(random: Random) -> Iterator[Scenario]:
    """Both cores tick, each with a reload of its own, and both finish."""
    for first, second in ((200, 333), (1000, 100000), (50000, 400)):
        body = """static volatile uint32_t ticks;
void systick_handler(void) {{ ticks++; }}
void scenario(void)
{{
    start_tick({reload});
    while (ticks < {count}) {{
    }}
    stop_tick();
    say("ticked");
}}
"""
        count = random.randint(4, 12)
        yield Scenario(
            f"both-{first}-{second}",
            body.format(reload=first, count=count),
            partner=body.format(reload=second, count=count),
            times=1,
        )


FAMILIES = (
    counts_ticks,
    works_under_ticks,
    polls_the_flag,
    counts_down,
    delays,
    tick_that_never_comes,
    tick_without_handler,
    both_tick,
)

"""Copies: initialised data, code moved to RAM, a secondary that the primary copies before it releases it."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from ..cases import ANYWHERE, LOCK_UP, Scenario

IN_RAM = '__attribute__((section(".data.code"), noinline, long_call))'


def initialised(random: Random) -> Iterator[Scenario]:
    """Start-up code copies .data and clears .bss; both are as the source says."""
    words = [random.randint(0, 0xFFFFFFFF) for _ in range(random.randint(10, 60))]
    code = f"""static uint32_t kept[] = {{ {", ".join(f"{word:#x}" for word in words)} }};
static uint32_t cleared[64];
static const char *text = "copied text";
void scenario(void)
{{
    uint32_t sum = 0, ones = 0;

    for (uint32_t i = 0; i < {len(words)}; i++) {{
        sum = sum * 31 + kept[i];
        kept[i] = i;
    }}
    for (uint32_t i = 0; i < 64; i++) {{
        ones |= cleared[i];
    }}
    show("sum", sum);
    show("cleared", ones);
    say(text);
}}
"""
    yield Scenario("data", code)


def functions_in_ram(random: Random) -> Iterator[Scenario]:
    """A function that start-up code copied to RAM with the data runs there."""
    code = f"""{IN_RAM} static uint32_t work(uint32_t value)
{{
    for (uint32_t i = 0; i < {random.randint(3, 30)}; i++) {{
        value = value * 1664525u + 1013904223u;
    }}
    return value;
}}
void scenario(void)
{{
    show("value", work({random.randint(1, 1000)}));
    say((uint32_t)work >= OWN_RAM ? "in RAM" : "in flash");
}}
"""
    yield Scenario("function", code)


def block_moves(random: Random) -> Iterator[Scenario]:
    """Copies by bytes, words, double words and blocks, overlapping ones too."""
    moves = {
        "bytes": "for (uint32_t i = 0; i < 64; i++) { ((uint8_t *)to)[i + 1] = ((uint8_t *)from)[i]; }",
        "blocks": '__asm volatile("movs r2, #4\\n 1: ldmia %0!, {r3-r6}\\n stmia %1!, {r3-r6}\\n subs r2, #1\\n bne 1b"'
        ' : "+r"(f), "+r"(t)::"r2", "r3", "r4", "r5", "r6", "cc", "memory");',
        "pairs": '__asm volatile("movs r2, #8\\n 1: ldrd r3, r4, [%0], #8\\n strd r3, r4, [%1], #8\\n subs r2, #1\\n '
        'bne 1b" : "+r"(f), "+r"(t)::"r2", "r3", "r4", "cc", "memory");',
        "backwards": "for (uint32_t i = 60; i > 0; i--) { from[i / 4 + 1] = from[i / 4]; to[i / 4] = from[i / 4]; }",
        "unaligned": 'for (uint32_t i = 0; i < 15; i++) { uint32_t v; __asm volatile("ldr %0, [%1]" : "=r"(v) : '
        '"r"((uint8_t *)from + i * 4 + 1)); __asm volatile("str %0, [%1]" ::"r"(v), "r"((uint8_t *)to + i * 4 + 3) '
        ': "memory"); }',
    }
    for name, move in moves.items():
        code = f"""static uint32_t from[20] __attribute__((aligned(8))), to[20] __attribute__((aligned(8)));
void scenario(void)
{{
    uint32_t *f = from, *t = to, sum = 0;

    for (uint32_t i = 0; i < 20; i++) {{
        from[i] = (i + 1) * {random.randint(10**6, 2 * 10**8)}u;
    }}
    {move}
    for (uint32_t i = 0; i < 20; i++) {{
        sum = sum * 31 + to[i] + from[i];
    }}
    (void)f;
    (void)t;
    show("sum", sum);
}}
"""
        yield Scenario(f"moves-{name}", code, times=1)


COPY = """
#define RUN_AT 0x38012000
void release_sampler(void)
{
    const volatile uint32_t *from = (const volatile uint32_t *)SAMPLER_CODE;
    volatile uint32_t *to = (volatile uint32_t *)RUN_AT;

    for (uint32_t i = 0; i < LENGTH / 4; i++) {
        to[i] = from[i];
    }
    DSB();
    ISB();
    VECTOR_REGISTER = RUN_AT;
    DSB();
    CONTROL_REGISTER = CONTROL_REGISTER & ~2u;
}
void scenario(void) {}
"""
COPIED = (
    (
        "[build.station]",
        '[area.sampler-run]\nmemory = "ram"\noffset = "72 KiB"\nsize = "32 KiB"\npurpose = "code"\n\n[build.station]',
    ),
    ('stored_in = "sampler-code"', 'stored_in = "sampler-code"\nruns_in = "sampler-run"'),
    ('ram = ["sampler-ram"]', 'ram = ["sampler-ram", "sampler-run"]'),
)


def copied_secondary(random: Random) -> Iterator[Scenario]:
    """The primary copies the secondary's build to RAM, whole or not, before it releases it."""
    own = f"""static const uint32_t values[] = {{ {random.randint(1, 10**9)}, {random.randint(1, 10**9)} }};
void scenario(void)
{{
    for (volatile uint32_t i = 0; i < 2; i++) {{
        show("value", values[i]);
    }}
    say((uint32_t)&scenario > 0x38000000 ? "in RAM" : "in flash");
    show("VTOR", VTOR);
}}
"""
    for name, length, fails in (("whole", "0x2000", False), ("short", "0x80", True), ("nothing", "0", True)):
        yield Scenario(
            f"secondary-{name}",
            COPY.replace("LENGTH", length),
            fails=fails,
            ends=ANYWHERE if name == "short" else LOCK_UP,
            culprit="sampler",
            cores=("station",),
            partner=own,
            other_defines=("RUNS_AT=0x38012000",),
            layout=COPIED,
            times=2,
        )


FAMILIES = (initialised, functions_in_ram, block_moves, copied_secondary)

"""Float instructions: with and without the coprocessor, in handlers and tasks, with lazy stacking.

The board's second core has a float unit, its first one has none.
"""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from ..cases import Core, Scenario

SAMPLER: tuple[Core, ...] = ("sampler",)
HARD = ("-march=armv8-m.main+fp", "-mfloat-abi=softfp")
ENABLE = "    CPACR |= 0xFu << 20;\n    DSB();\n    ISB();\n"
BITS = """
static uint32_t bits(float value)
{
    union { float f; uint32_t u; } both = { value };

    return both.u;
}
"""


def computes(random: Random) -> Iterator[Scenario]:
    """A series in single precision, by the float unit or by the compiler's library."""
    for name, options, head in (("unit", HARD, ENABLE), ("library", (), "")):
        code = f"""{BITS}static volatile float seed = {random.randint(1, 99)}.25f;
USED static void compute(void)
{{
    float sum = seed;

    for (uint32_t i = 1; i < {random.randint(10, 40)}; i++) {{
        sum = sum * 0.75f + (float)i / seed;
    }}
    show("sum", bits(sum));
    show("int", (uint32_t)(int32_t)sum);
}}
void scenario(void)
{{
{head}    compute();
}}
"""
        cores = SAMPLER if options else ("station", "sampler")
        yield Scenario(f"computes-{name}", code, cores=cores, options=options, times=2)


def not_enabled(random: Random) -> Iterator[Scenario]:
    """A float instruction without the coprocessor enabled, or on a core without one: NOCP."""
    del random
    text = '__asm volatile(".fpu fpv5-sp-d16\\n vmov s0, %0" ::"r"(1));'
    code = f'void scenario(void)\n{{\n    say("going");\n    {text}\n    say("never");\n}}\n'
    yield Scenario("not-enabled", code, fails=True)
    enabled = code.replace('    say("going")', f'{ENABLE}    show("access", CPACR);\n    say("going")')
    yield Scenario("no-unit", enabled, fails=True, cores=("station",))
    privileged = code.replace(
        '    say("going")',
        '    CPACR = 5u << 20; /* privileged code only */\n    DSB();\n    ISB();\n    say("going")',
    )
    yield Scenario("privileged-only", privileged.replace('"never"', '"computed"'), cores=SAMPLER)
    recovers = f"""static volatile uint32_t cfsr;
void usage_fault_handler(void)
{{
    cfsr = CFSR;
    CFSR = cfsr;
    CPACR = 0xFu << 20;
    DSB();
    ISB();
}}
{BITS}
void scenario(void)
{{
    uint32_t back;

    SHCSR |= SHCSR_USAGE_ENABLE;
    __asm volatile(".fpu fpv5-sp-d16\\n vmov s1, %1\\n vadd.f32 s1, s1, s1\\n vmov %0, s1"
        : "=r"(back) : "r"(0x3FC00000));
    show("status", cfsr);
    show("value", back);
}}
"""
    yield Scenario("enabled-on-demand", recovers, cores=SAMPLER)


def handlers(random: Random) -> Iterator[Scenario]:
    """Handlers and threads both use the registers; nobody's values are lost, lazily stacked or not."""
    for name, fpccr in (("lazy", "0xC0000000"), ("eager", "0x80000000"), ("none-in-handler", "0xC0000000")):
        work = "" if name == "none-in-handler" else "other = other * 1.5f + 0.25f;\n    "
        code = f"""{BITS}static volatile float other = 1.0f;
static volatile uint32_t link, frames, calls;
USED void work(uint32_t lr)
{{
    link = lr;
    frames |= FPCCR & 1;
    calls++;
    {work}
}}
NAKED void irq60_handler(void)
{{
    __asm volatile("mov r0, lr\\n push {{r4, lr}}\\n bl work\\n pop {{r4, pc}}\\n");
}}
USED static void compute(void)
{{
    float sum = {random.randint(1, 9)}.5f;

    for (uint32_t i = 0; i < {random.randint(5, 20)}; i++) {{
        sum = sum * 1.0625f + (float)i;
        pend_irq(60);
        DSB();
        ISB();
        sum -= 0.125f;
    }}
    show("sum", bits(sum));
    show("other", bits(other));
    show("link", link);
    show("lazy", frames);
    show("calls", calls);
    show("control", MRS("control"));
}}
void scenario(void)
{{
{ENABLE}    FPCCR = {fpccr};
    enable_irq(60, 0x40);
    pend_irq(60);
    DSB();
    ISB();
    show("link", link);
    compute();
}}
"""
        yield Scenario(f"handlers-{name}", code, cores=SAMPLER, options=HARD, times=2)


def tasks(random: Random) -> Iterator[Scenario]:
    """Two float tasks switched by PendSV, which keeps s16 to s31 where the frame is a float one."""
    for reload in (0, 700, 4000):
        code = f"""{BITS}
struct task {{ uint32_t *stack; }};
static struct task tasks[2];
static uint64_t stacks[2][160];
static volatile uint32_t current, finished;
struct task *volatile running;
static volatile float results[2];
USED void choose_next(void) {{ current ^= 1; running = &tasks[current]; }}
NAKED void pendsv_handler(void)
{{
    __asm volatile(
        ".fpu fpv5-sp-d16\\n"
        "mrs r0, psp\\n"
        "tst lr, #0x10\\n"
        "it eq\\n"
        "vstmdbeq r0!, {{s16-s31}}\\n"
        "stmdb r0!, {{r4-r11, lr}}\\n"
        "ldr r1, =running\\n ldr r2, [r1]\\n str r0, [r2]\\n"
        "bl choose_next\\n"
        "ldr r1, =running\\n ldr r2, [r1]\\n ldr r0, [r2]\\n"
        "ldmia r0!, {{r4-r11, lr}}\\n"
        "tst lr, #0x10\\n"
        "it eq\\n"
        "vldmiaeq r0!, {{s16-s31}}\\n"
        "msr psp, r0\\n bx lr\\n .ltorg\\n");
}}
void systick_handler(void) {{ ICSR = ICSR_PENDSV_SET; }}
USED static void compute(uint32_t me)
{{
    float sum = (float)me + 1.0f;

    for (uint32_t i = 0; i < {random.randint(30, 120)}; i++) {{
        sum = sum * 0.875f + (float)(i + me);
        {"" if reload else "ICSR = ICSR_PENDSV_SET; DSB(); ISB();"}
    }}
    results[me] = sum;
    CPSID();
    finished++;
    CPSIE();
}}
static void second(void)
{{
    compute(1);
    for (;;) {{
        {"" if reload else "ICSR = ICSR_PENDSV_SET; DSB(); ISB();"}
    }}
}}
USED static void first(void)
{{
    {f"start_tick({reload});" if reload else ""}
    compute(0);
    while (finished < 2) {{
        {"" if reload else "ICSR = ICSR_PENDSV_SET; DSB(); ISB();"}
    }}
    stop_tick();
    CPSID();
}}
NAKED static void on_process_stack(void *top)
{{
    __asm volatile(
        "push {{r4, lr}}\\n msr psp, r0\\n movs r0, #2\\n msr control, r0\\n isb 0xF\\n bl first\\n"
        "movs r0, #0\\n msr control, r0\\n isb 0xF\\n pop {{r4, pc}}\\n");
}}
void scenario(void)
{{
    uint32_t *stack = (uint32_t *)&stacks[1][160];

{ENABLE}    *--stack = 0x01000000;
    *--stack = (uint32_t)second & ~1u;
    stack -= 6;
    *--stack = 0xFFFFFFFD;
    stack -= 8;
    tasks[1].stack = stack;
    running = &tasks[0];
    SHPR(14) = 0xE0;
    SHPR(15) = 0xC0;
    on_process_stack(&stacks[0][160]);
    show("first", bits(results[0]));
    show("second", bits(results[1]));
}}
"""
        yield Scenario(f"tasks-{reload}", code, cores=SAMPLER, options=HARD, times=2)


def state(random: Random) -> Iterator[Scenario]:
    """FPSCR's rounding mode and flags, default values, and CONTROL.FPCA."""
    code = f"""{BITS}
USED static void compute(void)
{{
    volatile float third = 1.0f, three = {random.choice((3, 7, 9))}.0f;
    uint32_t fpscr;

    third = 1.0f / three;
    show("after", MRS("control"));
    show("nearest", bits(third));
    __asm volatile("vmrs %0, fpscr" : "=r"(fpscr));
    show("flags", fpscr & 0x9F);
    __asm volatile("vmsr fpscr, %0" ::"r"(0x00400000));
    third = 1.0f / three;
    show("up", bits(third));
    __asm volatile("vmsr fpscr, %0" ::"r"(0));
}}
void scenario(void)
{{
    show("access", CPACR);
{ENABLE}    show("access", CPACR);
    show("FPCCR", FPCCR & 0xC0000000);
    show("FPDSCR", FPDSCR & 0x07C00000);
    show("before", MRS("control"));
    compute();
}}
"""
    yield Scenario("state", code, cores=SAMPLER, options=HARD, times=2)


FAMILIES = (computes, not_enabled, handlers, tasks, state)

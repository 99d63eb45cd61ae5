"""Stacks: overflow of the main and process stack with and without limit registers, many stacks, deep use."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from ..cases import Scenario

RECURSE = """
__attribute__((noinline)) uint32_t recurse(uint32_t depth)
{
    volatile uint32_t kept[8];

    for (uint32_t i = 0; i < 8; i++) {
        kept[i] = depth + i;
    }
    return depth ? recurse(depth - 1) + kept[depth & 7] : kept[0];
}
"""
ON_PSP = """
static void work(void) __attribute__((used, noinline));
static uint64_t stack[%d];
NAKED static void on_process_stack(void *top, void *limit)
{
    __asm volatile(
        "push {r4, lr}\\n"
        "msr psplim, r1\\n"
        "msr psp, r0\\n"
        "movs r0, #2\\n"
        "msr control, r0\\n"
        "isb 0xF\\n"
        "bl work\\n"
        "movs r0, #0\\n"
        "msr control, r0\\n"
        "isb 0xF\\n"
        "pop {r4, pc}\\n");
}
"""
REPORTS = """
NAKED void usage_fault_handler(void)
{
    __asm volatile("push {r4, lr}\\n bl overflowed\\n pop {r4, pc}\\n");
}
USED void overflowed(void)
{
    show("CFSR", CFSR);
    say("stack overflow");
    rest();
}
"""


def limits(random: Random) -> Iterator[Scenario]:
    """A recursion that passes the limit register is a UsageFault; one that keeps within it is none."""
    for depth, fails in ((random.randint(3, 8), False), (random.randint(200, 400), True)):
        for register in ("msplim", "psplim"):
            size = 160
            if register == "msplim":
                code = f"""{RECURSE}
extern uint32_t stack_bottom;
void scenario(void)
{{
    MSR("msplim", (uint32_t)&stack_bottom + 0x200);
    show("limit", MRS("msplim") - (uint32_t)&stack_bottom);
    show("sum", recurse({depth}));
    MSR("msplim", 0);
}}
"""
            else:
                code = f"""{RECURSE}{ON_PSP % size}
static void work(void)
{{
    show("sum", recurse({depth}));
}}
void scenario(void)
{{
    on_process_stack(&stack[{size}], &stack[8]);
    say("back");
}}
"""
            ends = "default_handler|lock-up" if fails else ""
            yield Scenario(f"{register}-{'deep' if fails else 'flat'}", code, fails=fails, ends=ends)
            if fails:
                handler = REPORTS.replace("rest();", "for (;;) { WFI(); }")
                head = "    SHCSR |= SHCSR_USAGE_ENABLE;\n"
                if register == "msplim":
                    handler = handler.replace(
                        "overflowed(void)\n{", 'overflowed(void)\n{\n    MSR("msplim", 0);'
                    )
                own = code.replace("void scenario(void)\n{\n", f"{handler}void scenario(void)\n{{\n{head}")
                yield Scenario(
                    f"{register}-reported", own, fails=True, ends="overflowed|default_handler|lock-up"
                )


def stacks_anywhere(random: Random) -> Iterator[Scenario]:
    """Process stacks in .bss, with big arrays on them, and back on the main stack again."""
    for size in (64, 256, 1024):
        use = size * 4 // 2
        code = f"""{ON_PSP % size}
static void work(void)
{{
    volatile uint32_t table[{use // 4}];
    uint32_t sum = 0;

    for (uint32_t i = 0; i < {use // 4}; i++) {{
        table[i] = i * {random.randint(3, 10**6)};
    }}
    for (uint32_t i = 0; i < {use // 4}; i++) {{
        sum += table[i];
    }}
    show("sum", sum);
}}
void scenario(void)
{{
    for (uint32_t i = 0; i < {random.randint(1, 4)}; i++) {{
        on_process_stack(&stack[{size}], &stack[0]);
    }}
    show("control", MRS("control"));
}}
"""
        yield Scenario(f"bss-{size}", code)


def overflow_without_limit(random: Random) -> Iterator[Scenario]:
    """No limit register: a recursion runs off the start of the RAM and faults there."""
    code = f"""{RECURSE}
void scenario(void)
{{
    spend({random.randint(1, 99)});
    show("sum", recurse(100000000));
}}
"""
    yield Scenario(
        "runs-off-ram",
        code,
        fails=True,
        cores=("station",),
        times=2,
    )


def big_frames(random: Random) -> Iterator[Scenario]:
    """Interrupts on a nearly full stack that still fits, with a limit register that allows it."""
    code = f"""{RECURSE}
extern uint32_t stack_bottom;
void irq60_handler(void) {{ mark('i'); pend_irq(61); DSB(); ISB(); mark('j'); }}
void irq61_handler(void) {{ mark('k'); (void)recurse(2); }}
void scenario(void)
{{
    MSR("msplim", (uint32_t)&stack_bottom);
    enable_irq(60, 0x80);
    enable_irq(61, 0x40);
    for (uint32_t i = 0; i < {random.randint(1, 4)}; i++) {{
        pend_irq(60);
        DSB();
        ISB();
        show("sum", recurse(i + 2));
    }}
    show_trace();
}}
"""
    yield Scenario("interrupts-fit", code)


def exception_entry_overflows(random: Random) -> Iterator[Scenario]:
    """The stack pointer stands just above its limit: an exception's frame does not fit."""
    code = f"""{ON_PSP % 64}
static void work(void)
{{
    spend({random.randint(1, 20)});
    MSR("psplim", MRS("psp") - 8);
    ISB();
    pend_irq(60);
    DSB();
    ISB();
    MSR("psplim", 0);
    say("never");
}}
void irq60_handler(void) {{ mark('i'); }}
void scenario(void)
{{
    enable_irq(60, 0x40);
    on_process_stack(&stack[64], 0);
    say("never");
}}
"""
    yield Scenario("entry-overflows", code, fails=True)


def unusual_stack_pointers(random: Random) -> Iterator[Scenario]:
    """The frame of an exception is aligned to 8 bytes whatever the stack pointer was."""
    code = f"""static volatile uint32_t low;
USED void note(uint32_t *frame) {{ low |= (uint32_t)frame & 7; mark((frame[7] >> 9 & 1) ? 'p' : 'n'); }}
NAKED void irq60_handler(void)
{{
    __asm volatile("mov r0, sp\\n push {{r4, lr}}\\n bl note\\n pop {{r4, pc}}\\n");
}}
NAKED static void pend_odd(volatile uint32_t *set, uint32_t bit)
{{
    __asm volatile("sub sp, #4\\n str r1, [r0]\\n dsb 0xF\\n isb 0xF\\n add sp, #4\\n bx lr\\n");
}}
NAKED static void pend_even(volatile uint32_t *set, uint32_t bit)
{{
    __asm volatile("sub sp, #8\\n str r1, [r0]\\n dsb 0xF\\n isb 0xF\\n add sp, #8\\n bx lr\\n");
}}
void scenario(void)
{{
    enable_irq(60, 0x40);
    for (uint32_t i = 0; i < {random.randint(1, 5)}; i++) {{
        pend_odd(&NVIC_ISPR(1), 1u << 28);
        pend_even(&NVIC_ISPR(1), 1u << 28);
    }}
    show("low bits", low);
    show_trace();
}}
"""
    yield Scenario("alignment", code)


FAMILIES = (
    limits,
    stacks_anywhere,
    overflow_without_limit,
    big_frames,
    exception_entry_overflows,
    unusual_stack_pointers,
)

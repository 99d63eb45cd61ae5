"""Exceptions in any order, supervisor calls, returns, frames, and tasks that PendSV switches."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from ...cases import LOCK_UP, Scenario
from .helpers import NOTES, ON_PROCESS_STACK, RECOVERING

IRQS = tuple(f"irq6{number}_handler" for number in range(6))
LETTERS = "abcdef"


def _pend(random: Random) -> str:
    return random.choice(
        [
            *(f"pend_irq(FIRST_IRQ + {number})" for number in range(6)),
            "ICSR = ICSR_PENDSV_SET",
            "ICSR = ICSR_SYSTICK_SET",
        ]
    )


def _action(random: Random, architecture: int, calls: bool = True) -> str:
    """A statement that changes or reads what decides which exception is taken."""
    number = random.randrange(6)
    irq, bit = f"FIRST_IRQ + {number}", f"1u << (FIRST_IRQ + {number}) % 32"
    word = "FIRST_IRQ / 32"
    level = random.choice((0x40, 0x80, 0xC0))
    choices = [
        f"{_pend(random)}; DSB(); ISB();",
        f"{_pend(random)}; DSB(); ISB();",
        f"{_pend(random)}; {_pend(random)}; DSB(); ISB();",
        f"CPSID(); {_pend(random)}; {_pend(random)}; mark('.'); CPSIE(); ISB();",
        f"NVIC_ICER({word}) = {bit}; DSB(); ISB();",
        f"NVIC_ISER({word}) = {bit}; DSB(); ISB();",
        f"NVIC_ICPR({word}) = {bit}; DSB(); ISB();",
        "CPSID(); ICSR = ICSR_PENDSV_SET; ICSR = ICSR_PENDSV_CLEAR; CPSIE(); ISB();",
        "CPSID(); ICSR = ICSR_SYSTICK_SET; note(ICSR & 0x17FFF1FF); ICSR = ICSR_SYSTICK_CLEAR; CPSIE(); ISB();",
        f"NVIC_ICER({word}) = {bit}; set_priority(16 + {irq}, {level:#x}); NVIC_ISER({word}) = {bit}; DSB(); ISB();",
        f"CPSID(); set_priority({random.choice((14, 15))}, {level:#x}); CPSIE(); ISB();",
        "note(ICSR & 0x17FFF1FF);",
        f"note(NVIC_ISPR({word}) | NVIC_ISER({word}) >> 8);",
        'note(MRS("ipsr"));',
        "ICSR = ICSR_NMI_SET; DSB(); ISB();",
        "if (!MRS(\"ipsr\")) { CPSID(); ICSR = ICSR_PENDSV_SET; WFI(); mark('w'); CPSIE(); ISB(); }",
        "SEV(); WFE(); mark('e');",
    ]
    if calls:
        choices.append("SVC(3);")
    if architecture > 6:
        choices += [
            f"note(NVIC_IABR({word}));",
            "note(SHCSR);",
            f"STIR = {irq}; DSB(); ISB();",
            f'{{ uint32_t old = MRS("basepri"); MSR("basepri_max", {level:#x}); ISB(); {_pend(random)}; '
            f"DSB(); ISB(); mark('<'); MSR(\"basepri\", old); ISB(); mark('>'); }}",
            f"CPSID_F(); {_pend(random)}; mark('['); CPSIE_F(); ISB(); mark(']');",
            f"set_priority(16 + {irq}, {level:#x}); DSB(); ISB();",
        ]
    return random.choice(choices)


def _mixed(random: Random, architecture: int, calls: bool, grouping: int = 0) -> str:
    handlers = []
    for name, letter in (
        *zip(IRQS, LETTERS, strict=True),
        ("pendsv_handler", "p"),
        ("systick_handler", "t"),
        ("svc_handler", "s"),
        ("nmi_handler", "n"),
    ):
        own = letter not in "sn"
        actions = [_action(random, architecture, calls and own) for _ in range(random.randint(1, 3))]
        if letter == "n":
            actions = ["note(ICSR & 0x1FF);"]
        inside = "\n        ".join(actions)
        handlers.append(
            f"void {name}(void)\n{{\n    mark('{letter}');\n    if (fuel) {{\n        fuel--;\n        {inside}\n"
            f"    }}\n    mark('{letter.upper()}');\n}}\n"
        )
    levels = (0x40, 0x80, 0xC0) if not grouping else (0x10, 0x20, 0x40, 0x48, 0x60, 0x80, 0xA0, 0xC0, 0xC8)
    setup = [f"enable_irq(FIRST_IRQ + {number}, {random.choice(levels):#x});" for number in range(6)]
    setup += [f"set_priority({number}, {random.choice(levels):#x});" for number in (14, 15)]
    if grouping:
        setup.append(f"AIRCR = 0x05FA0000 | {grouping} << 8;")
    body = "\n    ".join(
        [*setup, *(_action(random, architecture, calls) for _ in range(random.randint(6, 14)))]
    )
    return (
        f"{NOTES}static volatile uint32_t fuel = {random.randint(4, 14)};\n{''.join(handlers)}"
        f"void scenario(void)\n{{\n    {body}\n    show_notes();\n    show_trace();\n}}\n"
    )


def mixed(architecture: int, count: int) -> Iterator[Scenario]:
    """Handlers and thread code that pend, mask, enable, prioritise and call at random, with their order as text."""
    for number in range(count):
        random = Random(f"mixed {architecture} {number}")
        grouping = random.choice((0, 0, 1, 3, 4, 5)) if architecture > 6 else 0
        yield Scenario(f"mixed-{number}", _mixed(random, architecture, not grouping, grouping), times=1)


def calls(architecture: int) -> Iterator[Scenario]:
    """SVC: its number, arguments in the frame, from either stack, from handlers, escalated where it cannot be taken."""
    for number in range(6):
        random = Random(f"calls {architecture} {number}")
        values = [random.randint(1, 10**6) for _ in range(2)]
        level, svc = random.choice(((0x80, 0x40), (0xC0, 0x80), (0x40, 0x80), (0x80, 0x80)))
        numbers = [random.randrange(256) for _ in range(random.randint(1, 4))]
        work = "\n    ".join(
            f'note(TRY("mov r0, r1\\n svc #{each}\\n mov r1, r0", {random.choice(values)}, {values[1]}));'
            for each in numbers
        )
        code = f"""{RECOVERING}
USED void serve(uint32_t *frame, uint32_t link)
{{
    uint8_t number = ((uint8_t *)frame[6])[-2];

    note(number | (link & 0xFF) << 8 | (frame[7] & 0x1FF) << 16);
    frame[0] = frame[0] * 3 + number;
}}
ENTRY(svc_handler, "serve")
static uint64_t stack[64];
USED static void work(void) {{
    {work}
}}
{ON_PROCESS_STACK}
void irq60_handler(void) {{ mark('['); work(); mark(']'); }}
void scenario(void)
{{
    set_priority(11, {svc:#x});
    enable_irq(FIRST_IRQ, {level:#x});
    work();
    on_process_stack(&stack[64]);
    pend_irq(FIRST_IRQ);
    DSB();
    ISB();
    show_notes();
    show("faults", faults);
    show_trace();
}}
"""
        yield Scenario(f"calls-{number}", code, times=1)


def returns(architecture: int, has_float: bool = False) -> Iterator[Scenario]:
    """Every value of the link register with which a handler can return: what goes on where, what is a fault."""
    for number, lowest in enumerate((0xF1, 0xF9, 0xFD, 0xF5, 0xF0, 0xFB, 0xE9, 0xF3)):
        link = 0xFFFF_FF00 | lowest
        random = Random(f"returns {architecture} {number}")
        if not link & 0x10 and not has_float:
            continue  # UNPREDICTABLE
        nested = random.random() < 0.4 and link & 0x10 > 0
        body = "pend_irq(FIRST_IRQ + 1);" if nested else "pend_irq(FIRST_IRQ);"
        sound = (link in (0xFFFF_FFF9, 0xFFFF_FFFD) and not nested) or (link == 0xFFFF_FFF1 and nested)
        code = f"""{NOTES}
NAKED void irq60_handler(void)
{{
    __asm volatile("mrs r0, msp\\n msr psp, r0\\n ldr r0, ={link:#x}\\n bx r0\\n .ltorg");
}}
void irq61_handler(void) {{ mark('['); pend_irq(FIRST_IRQ); DSB(); ISB(); mark(']'); }}
USED void failed(uint32_t *frame, uint32_t link)
{{
    note(link);
    note(MRS("ipsr"));
#if __ARM_ARCH > 6
    note(CFSR);
    note(HFSR);
#endif
    note(frame[7] & 0x1FF);
    show_notes();
    show_trace();
    say("fault");
    default_handler();
}}
ENTRY(hard_fault_handler, "failed")
ENTRY(usage_fault_handler, "failed")
void scenario(void)
{{
    {"SHCSR |= SHCSR_USAGE_ENABLE;" if architecture > 6 and random.random() < 0.5 else ""}
    enable_irq(FIRST_IRQ, 0x40);
    enable_irq(FIRST_IRQ + 1, 0x80);
    {body}
    DSB();
    ISB();
    mark('.');
    show("psp", MRS("control") & 2);
    show_trace();
}}
"""
        yield Scenario(
            f"returns-{link & 0xFF:02x}{'-nested' if nested else ''}",
            code,
            fails=not sound,
            ends="default_handler|" + LOCK_UP if not sound else "",
            times=1,
            options=("-fomit-frame-pointer",),
        )


def stacked(random: Random) -> Iterator[Scenario]:
    """The frame on a stack that is a multiple of four only, with CCR.STKALIGN set and clear."""
    for aligned in (0, 1):
        for offset in (0, 4):
            code = f"""{NOTES}
static uint64_t stack[64];
USED void seen(uint32_t *frame)
{{
    note((uint32_t)frame - (uint32_t)stack);
    note(frame[7] & 0x2FF);
}}
ENTRY(irq60_handler, "seen")
USED static void work(void)
{{
    pend_irq(FIRST_IRQ);
    DSB();
    ISB();
}}
NAKED static void on_stack(void *top)
{{
    __asm volatile(
        "push {{r4, lr}}\\n msr psp, r0\\n movs r0, #2\\n msr control, r0\\n isb 0xF\\n"
        "ldr r0, =0xE000E200 + ({{IRQ}}) / 32 * 4\\n movs r1, #1\\n lsls r1, #({{IRQ}}) %% 32\\n str r1, [r0]\\n"
        "dsb 0xF\\n isb 0xF\\n"
        "movs r0, #0\\n msr control, r0\\n isb 0xF\\n pop {{r4, pc}}\\n .ltorg");
}}
void scenario(void)
{{
    CCR = {"CCR | 0x200" if aligned else "CCR & ~0x200u"};
    DSB();
    enable_irq(FIRST_IRQ, 0x40);
    on_stack((uint32_t *)&stack[64] - {offset // 4});
    note(MRS("psp") - (uint32_t)stack);
    CCR |= 0x200;
    show_notes();
}}
""".replace("{IRQ}", "60").replace("%%", "%")
            yield Scenario(f"stacked-{aligned}-{offset}", code, times=1, options=("-fomit-frame-pointer",))


TASKS = """
struct task { uint32_t *stack; };
static struct task tasks[TASKS];
static uint64_t stacks[TASKS][48];
volatile uint32_t running;
static volatile uint32_t finished;
USED uint32_t *next_task(uint32_t *stack)
{
    tasks[running].stack = stack;
    running = (running + 1) % TASKS;
    return tasks[running].stack;
}
NAKED void pendsv_handler(void)
{
    __asm volatile(
        "mrs r0, psp\\n subs r0, #32\\n stm r0!, {r4-r7}\\n mov r4, r8\\n mov r5, r9\\n mov r6, r10\\n mov r7, r11\\n"
        "stm r0!, {r4-r7}\\n subs r0, #32\\n mov r4, lr\\n ldr r1, =next_task\\n blx r1\\n mov lr, r4\\n"
        "adds r0, #16\\n ldm r0!, {r4-r7}\\n mov r8, r4\\n mov r9, r5\\n mov r10, r6\\n mov r11, r7\\n msr psp, r0\\n"
        "subs r0, #32\\n ldm r0!, {r4-r7}\\n bx lr\\n .ltorg\\n");
}
static void yield_now(void) { ICSR = ICSR_PENDSV_SET; DSB(); ISB(); }
static void make(uint32_t number, void (*code)(uint32_t))
{
    uint32_t *frame = (uint32_t *)&stacks[number][48] - 8;

    frame[0] = number;
    frame[5] = (uint32_t)default_handler;
    frame[6] = (uint32_t)code & ~1u;
    frame[7] = 0x01000000;
    tasks[number].stack = frame - 8;
}
"""


def tasks(architecture: int) -> Iterator[Scenario]:
    """Tasks on the process stack that PendSV switches, as code of Armv6-M has to do it."""
    for number in range(4):
        random = Random(f"tasks {architecture} {number}")
        count, rounds = random.randint(2, 4), random.randint(3, 7)
        ticking = number % 2
        make = "".join(f"make({each}, other);\n    " for each in range(1, count))
        code = f"""#define TASKS {count}
{TASKS}
static volatile uint32_t digest;
void systick_handler(void) {{ ICSR = ICSR_PENDSV_SET; }}
static void other(uint32_t me)
{{
    uint32_t sum = me;

    for (uint32_t i = 0; i < {rounds}; i++) {{
        sum = sum * 17 + i;
        {"spend(200);" if ticking else "mark((char)('0' + me)); yield_now();"}
    }}
    CPSID();
    digest += sum;
    finished++;
    CPSIE();
    for (;;) {{
        yield_now();
    }}
}}
USED static void work(void)
{{
    {f"start_tick({random.choice((700, 1500))});" if ticking else ""}
    while (finished < TASKS - 1) {{
        {"" if ticking else "mark('0'); yield_now();"}
    }}
}}
{ON_PROCESS_STACK}
void scenario(void)
{{
    {make}set_priority(14, 0xC0);
    set_priority(15, 0xC0);
    on_process_stack(&stacks[0][48]);
    stop_tick();
    show("digest", digest);
    show_trace();
}}
"""
        yield Scenario(f"tasks-{number}", code, times=1, options=("-fomit-frame-pointer",))

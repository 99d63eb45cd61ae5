"""Task switches by PendSV with the process stack, supervisor calls, and calls that cannot be taken."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from ..cases import LOCK_UP, Scenario

KERNEL = """
struct task { uint32_t *stack; };
static struct task tasks[TASKS];
static uint32_t stacks[TASKS][96] __attribute__((aligned(8)));
static volatile uint32_t current, finished;
struct task *volatile running;

USED void choose_next(void)
{
    current = (current + 1) % TASKS;
    running = &tasks[current];
}

NAKED void pendsv_handler(void)
{
    __asm volatile(
        "mrs r0, psp\\n"
        "stmdb r0!, {r4-r11, lr}\\n"
        "ldr r1, =running\\n"
        "ldr r2, [r1]\\n"
        "str r0, [r2]\\n"
        "bl choose_next\\n"
        "ldr r1, =running\\n"
        "ldr r2, [r1]\\n"
        "ldr r0, [r2]\\n"
        "ldmia r0!, {r4-r11, lr}\\n"
        "msr psp, r0\\n"
        "bx lr\\n"
        ".ltorg\\n");
}

static void make_task(uint32_t number, void (*code)(uint32_t))
{
    uint32_t *stack = &stacks[number][96];

    *--stack = 0x01000000;
    *--stack = (uint32_t)code & ~1u;
    for (uint32_t i = 0; i < 5; i++) {
        *--stack = 0;
    }
    *--stack = number;
    *--stack = 0xFFFFFFFD;
    for (uint32_t i = 0; i < 8; i++) {
        *--stack = 0x1000 * number + i;
    }
    tasks[number].stack = stack;
}

__attribute__((unused)) static void yield_now(void)
{
    ICSR = ICSR_PENDSV_SET;
    DSB();
    ISB();
}
"""


def kernel(tasks: int) -> str:
    """C of a small switcher for so many tasks."""
    return f"#define TASKS {tasks}\n{KERNEL}"


def main_on_psp(body: str) -> str:
    """``scenario`` that runs ``body`` as task 0: it is called on the process stack and never returns there."""
    return f"""
USED static void first_task(void)
{{
{body}
}}
NAKED static void on_process_stack(uint32_t *top)
{{
    __asm volatile(
        "push {{r4, lr}}\\n"
        "msr psp, r0\\n"
        "movs r0, #2\\n"
        "msr control, r0\\n"
        "isb 0xF\\n"
        "bl first_task\\n"
        "movs r0, #0\\n"
        "msr control, r0\\n"
        "isb 0xF\\n"
        "pop {{r4, pc}}\\n");
}}
"""


def switches(random: Random) -> Iterator[Scenario]:
    """Tasks that yield to each other run in turn and keep their registers."""
    for number in range(4):
        tasks = random.randint(2, 4)
        rounds = random.randint(2, 6)
        body = f"""    for (uint32_t i = 0; i < {rounds}; i++) {{
        mark('0');
        yield_now();
    }}
    while (finished < {tasks - 1}) {{
        yield_now();
    }}"""
        start = "".join(f"    make_task({i}, other);\n" for i in range(1, tasks))
        code = f"""{kernel(tasks)}{main_on_psp(body)}
static volatile uint32_t digest;
static void other(uint32_t me)
{{
    uint32_t sum = me;

    for (uint32_t i = 0; i < {rounds}; i++) {{
        mark((char)('0' + me));
        sum = sum * 17 + i;
        yield_now();
    }}
    digest += sum;
    finished++;
    for (;;) {{
        yield_now();
    }}
}}
void scenario(void)
{{
{start}    running = &tasks[0];
    SHPR(14) = 0xE0;
    on_process_stack(&stacks[0][96]);
    show("digest", digest);
    show_trace();
}}
"""
        yield Scenario(f"yields-{number}", code)


def preempts(random: Random) -> Iterator[Scenario]:
    """A tick switches between tasks that never yield."""
    for reload in (500, 2000, 9999):
        tasks = random.randint(2, 3)
        rounds = random.randint(300, 900)
        body = f"    start_tick({reload});\n    while (finished < {tasks - 1}) {{\n        mine++;\n    }}"
        start = "".join(f"    make_task({i}, other);\n" for i in range(1, tasks))
        code = f"""{kernel(tasks)}
static volatile uint32_t mine;
{main_on_psp(body)}
void systick_handler(void)
{{
    ICSR = ICSR_PENDSV_SET;
}}
static volatile uint32_t digest;
static void other(uint32_t me)
{{
    uint32_t sum = 0;

    for (uint32_t i = 0; i < {rounds}; i++) {{
        sum = (sum ^ i) * 16777619u + me;
    }}
    CPSID();
    digest ^= sum;
    finished++;
    CPSIE();
    for (;;) {{
    }}
}}
void scenario(void)
{{
{start}    running = &tasks[0];
    SHPR(14) = 0xE0;
    SHPR(15) = 0xC0;
    on_process_stack(&stacks[0][96]);
    stop_tick();
    show("digest", digest);
    say(mine ? "shared" : "starved");
}}
"""
        yield Scenario(f"preempts-{reload}", code)


SVC_ENTRY = """
USED void serve(uint32_t *frame, uint32_t link)
{
    uint8_t number = ((uint8_t *)frame[6])[-2];

    served++;
    last_link = link;
    switch (number) {
    case 0: frame[0] = frame[0] + frame[1]; break;
    case 1: frame[0] = frame[0] * frame[1]; break;
    case 2: frame[0] = MRS("ipsr"); break;
    default: frame[0] = 0xBAD00000 + number; break;
    }
}
NAKED void svc_handler(void)
{
    __asm volatile(
        "tst lr, #4\\n"
        "ite eq\\n"
        "mrseq r0, msp\\n"
        "mrsne r0, psp\\n"
        "mov r1, lr\\n"
        "push {r4, lr}\\n"
        "bl serve\\n"
        "pop {r4, pc}\\n");
}
#define CALL(number, first, second) ({ \\
    register uint32_t a_ __asm("r0") = (first); \\
    register uint32_t b_ __asm("r1") = (second); \\
    __asm volatile("svc " #number : "+r"(a_) : "r"(b_) : "memory", "r2", "r3", "r12", "lr", "cc"); \\
    a_; })
"""


def supervisor_calls(random: Random) -> Iterator[Scenario]:
    """SVC passes its number and arguments; the result comes back in the caller's frame."""
    a, b = random.randint(2, 5000), random.randint(2, 5000)
    head = f"static volatile uint32_t served, last_link;\n{SVC_ENTRY}"
    body = f"""    show("sum", CALL(0, {a}, {b}));
    show("product", CALL(1, {a}, {b}));
    show("exception", CALL(2, 0, 0));
    show("unknown", CALL({random.randint(3, 200)}, 1, 2));
    show("served", served);
    show("link", last_link);"""
    yield Scenario("svc-main-stack", f"{head}void scenario(void)\n{{\n{body}\n}}\n")
    on_psp = main_on_psp(body)
    yield Scenario(
        "svc-process-stack",
        f"{head}static uint32_t stack[128] __attribute__((aligned(8)));{on_psp}"
        "void scenario(void)\n{\n    on_process_stack(&stack[128]);\n}\n",
    )
    nested = f"""{head}
void irq60_handler(void) {{ show("in handler", CALL(0, {a}, 1)); mark('i'); }}
void scenario(void)
{{
    SHPR(11) = 0x20;
    enable_irq(60, 0x80);
    pend_irq(60);
    DSB();
    ISB();
    show_trace();
}}
"""
    yield Scenario("svc-from-handler", nested)
    body = """    MSR("control", 3);
    ISB();
    work();
    __asm volatile("svc 77" ::: "memory", "r0", "r1", "r2", "r3", "r12", "lr", "cc");
    for (uint32_t i = 0; i < 4; i++) {
        show("seen", seen[i]);
    }"""
    unprivileged = f"""{head}static uint32_t stack[128] __attribute__((aligned(8)));
static volatile uint32_t seen[4];
USED static void work(void) /* the board's ports are for privileged code only */
{{
    seen[0] = MRS("control");
    seen[1] = CALL(0, {a}, 5);
    MSR("primask", 1);
    seen[2] = MRS("primask");
    MSR("control", 2);
    ISB();
    seen[3] = MRS("control");
}}
{main_on_psp(body)}
void scenario(void)
{{
    on_process_stack(&stack[128]);
}}
""".replace("    default: frame", '    case 77: MSR("control", 2); ISB(); break;\n    default: frame')
    yield Scenario("svc-unprivileged", unprivileged)


def calls_that_escalate(random: Random) -> Iterator[Scenario]:
    """SVC under a mask or from a handler of equal priority is a HardFault; in HardFault, a lock-up."""
    enters = {
        "primask": "CPSID();",
        "basepri": f'SHPR(11) = 0x80; MSR("basepri", {random.choice((0x20, 0x40, 0x80)):#x}); ISB();',
        "faultmask": "CPSID_F();",
    }
    for name, enter in enters.items():
        head = "void svc_handler(void) { mark('s'); }\n"
        call = f'    {enter}\n    say("calling");\n    SVC(1);\n    say("never");\n'
        if name == "faultmask":
            yield Scenario(
                f"escalates-{name}", f"{head}void scenario(void)\n{{\n{call}}}\n", fails=True, ends=LOCK_UP
            )
            continue
        yield Scenario(f"escalates-{name}", f"{head}void scenario(void)\n{{\n{call}}}\n", fails=True)
        recovers = f"""{head}
void hard_fault_handler(void)
{{
    show("forced", HFSR);
    HFSR = 0x40000000;
    mark('f');
}}
void scenario(void)
{{
    {enter}
    SVC(1);
    mark('.');
    CPSIE();
    MSR("basepri", 0);
    ISB();
    SVC(2);
    show_trace();
}}
"""
        yield Scenario(f"escalates-{name}-recovers", recovers)
    same = """
void svc_handler(void) { mark('s'); }
void irq60_handler(void) { mark('i'); SVC(3); mark('j'); }
void scenario(void)
{
    SHPR(11) = %s;
    enable_irq(60, 0x40);
    pend_irq(60);
    DSB();
    ISB();
    show_trace();
}
"""
    yield Scenario("svc-same-priority", same % "0x40", fails=True)
    yield Scenario("svc-lower-priority", same % "0xC0", fails=True)
    yield Scenario("svc-higher-priority", same % "0x20")
    twice = """
void svc_handler(void) { mark('s'); SVC(9); }
void scenario(void)
{
    SVC(1);
    say("never");
}
"""
    yield Scenario("svc-in-svc", twice, fails=True)
    hard = """
void hard_fault_handler(void) { SVC(1); }
void svc_handler(void) { }
void scenario(void)
{
    CPSID();
    SVC(1);
}
"""
    yield Scenario("svc-in-hard-fault", hard, fails=True, ends=LOCK_UP)


def bad_returns(random: Random) -> Iterator[Scenario]:
    """EXC_RETURN values and frames that an exception return refuses."""
    del random
    for name, value in {"reserved": "0xFFFFFFA0", "handler-from-first": "0xFFFFFFF1"}.items():
        code = f"""
NAKED void irq60_handler(void)
{{
    __asm volatile("ldr r0, ={value}\\n bx r0\\n .ltorg\\n");
}}
void scenario(void)
{{
    enable_irq(60, 0x80);
    pend_irq(60);
    DSB();
    ISB();
    say("never");
}}
"""
        yield Scenario(f"return-{name}", code, fails=True)
    frames = {
        "no-thumb": "    frame[7] &= ~0x01000000u;",
        "nowhere": "    frame[6] = 0x60000000;",
        "data": "    frame[6] = 0x50200000;",
        "ipsr": "    frame[7] |= 16 + 60;",
    }
    for name, change in frames.items():
        code = f"""
USED void change(uint32_t *frame)
{{
{change}
}}
NAKED void irq60_handler(void)
{{
    __asm volatile("mov r0, sp\\n push {{r4, lr}}\\n bl change\\n pop {{r4, pc}}\\n");
}}
void scenario(void)
{{
    enable_irq(60, 0x80);
    pend_irq(60);
    DSB();
    ISB();
    spend(5);
    say("never");
}}
"""
        yield Scenario(f"frame-{name}", code, fails=True)


def skips_an_instruction(random: Random) -> Iterator[Scenario]:
    """A handler that moves the frame's return address skips what it stands before."""
    code = f"""static volatile uint32_t calls;
USED void change(uint32_t *frame) {{ calls++; frame[6] += 2; frame[0] = {random.randint(1, 10**9)}; }}
NAKED void svc_handler(void)
{{
    __asm volatile("mov r0, sp\\n push {{r4, lr}}\\n bl change\\n pop {{r4, pc}}\\n");
}}
void scenario(void)
{{
    register uint32_t value __asm("r0") = 1;

    __asm volatile("svc 0\\n udf #0\\n" : "+r"(value)::"memory", "r1", "r2", "r3", "r12", "cc");
    show("value", value);
    show("calls", calls);
}}
"""
    yield Scenario("frame-skips", code)


FAMILIES = (switches, preempts, supervisor_calls, calls_that_escalate, bad_returns, skips_an_instruction)

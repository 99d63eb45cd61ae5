"""Kernels with protected tasks, tickless idle, sleep between interrupts, deferred work, priorities of tasks."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from ..cases import OTHER, Core, Scenario
from .faults import ENABLE, RECOVERING
from .protection import REGION
from .switching import kernel, main_on_psp

CORES: tuple[Core, ...] = ("station", "sampler")
LOOSE = "the emulator does not sleep at the return from an exception; DDI 0553 SCR.SLEEPONEXIT"

PROTECTED = f"""{REGION}
static uint32_t stack_a[64] __attribute__((aligned(256))), stack_b[64] __attribute__((aligned(256)));
static volatile uint32_t gone, calls, done_b;
extern uint32_t stack_top;
void scenario(void);
USED static void task_a(void);
USED static void task_b(void);
USED void called(uint32_t *frame)
{{
    uint8_t number = ((uint8_t *)frame[6])[-2];

    calls = calls * 10 + number;
    if (number == 5) {{
        ICSR = ICSR_PENDSV_SET;
    }}
}}
NAKED void svc_handler(void)
{{
    __asm volatile("tst lr, #4\\n ite eq\\n mrseq r0, msp\\n mrsne r0, psp\\n push {{r4, lr}}\\n bl called\\n"
        "pop {{r4, pc}}\\n");
}}
USED void end_task(uint32_t *frame)
{{
    show("status", CFSR & 0xFF);
    show("at stack", MMFAR & 0xFF);
    CFSR = 0xFF;
    gone++;
    region(7, (uint32_t)stack_b, (uint32_t)stack_b + 256, 1, 1);
    frame = &stack_b[56];
    frame[6] = (uint32_t)task_b & ~1u;
    frame[7] = 0x01000000;
    MSR("psp", frame);
}}
NAKED void mem_manage_handler(void)
{{
    __asm volatile("mrs r0, psp\\n push {{r4, lr}}\\n bl end_task\\n pop {{r4, pc}}\\n");
}}
static void protect(void)
{{
    region(0, OWN_CODE, OWN_CODE + CODE_SIZE, 3, 0);
    region(7, (uint32_t)stack_a, (uint32_t)stack_a + 256, 1, 1);
    SHCSR |= SHCSR_MEM_ENABLE;
    switch_on(5);
}}
NAKED static void run_task(uint32_t *top)
{{
    __asm volatile(
        "push {{r4-r11, lr}}\\n msr psp, r0\\n movs r0, #3\\n msr control, r0\\n isb 0xF\\n bl task_a\\n"
        "pop {{r4-r11, pc}}\\n");
}}
void pendsv_handler(void)
{{
    MPU_CTRL = 0;
    show("calls", calls);
    show("gone", gone);
    say("kernel ends");
    NVIC_ISER(0) = 0;
    REPORT
}}
"""


def protected_tasks(random: Random) -> Iterator[Scenario]:
    """Unprivileged tasks in regions of their own; a kernel ends the one that leaves them, and goes on with the next."""
    finish = 'say("done"); DMB(); LINK->sampler_done = 1; for (;;) { WFI(); }'
    ends = {
        "other-stack": ("*(volatile uint32_t *)&stack_b[3] = 1;", True),
        "kernel-data": ("gone = 7;", True),
        "reads-kernel": ("(void)*(volatile uint32_t *)&calls;", True),
        "own-stack": ('*(volatile uint32_t *)&stack_a[3] = 1; SVC(3); __asm volatile("b task_b");', False),
    }
    for name, (text, _) in ends.items():
        code = f"""{PROTECTED.replace("REPORT", finish)}
static void task_a(void)
{{
    SVC(1);
    SVC({random.randint(2, 9)});
    {text}
    for (;;) {{ }}
}}
static void task_b(void)
{{
    SVC(4);
    SVC(5);
    for (;;) {{ }}
}}
void scenario(void)
{{
    SHPR(14) = 0; SHPR(4) = 0x40; SHPR(11) = 0x80;
    protect();
    run_task(&stack_a[64]);
}}
"""
        yield Scenario(f"protected-{name}", code, cores=("sampler",), times=1)
    stray = f"""{PROTECTED.replace("REPORT", "for (;;) { }").replace("gone++;", "gone++; for (;;) { NOP(); }")}
static void task_a(void) {{ SVC({random.randint(1, 9)}); *(volatile uint32_t *)&stack_b[1] = 5; for (;;) {{ }} }}
static void task_b(void) {{ for (;;) {{ }} }}
void scenario(void)
{{
    protect();
    run_task(&stack_a[64]);
}}
"""
    yield Scenario("protected-stray", stray, fails=True, ends="end_task|mem_manage_handler", times=2)


def unprivileged_access(random: Random) -> Iterator[Scenario]:
    """LDRT and STRT use the permissions of unprivileged code, from a kernel too."""
    for name, text, access in (
        ("ldrt", "ldrt r3, [r1]", 0),
        ("strt", "strt r2, [r1]", 0),
        ("ldrt-open", "ldrt r3, [r1]", 1),
    ):
        code = f"""{RECOVERING}{REGION}
static uint32_t guarded[64] __attribute__((aligned(32)));
void scenario(void)
{{
{ENABLE}    region(0, (uint32_t)guarded, (uint32_t)guarded + 64, {access}, 1);
    switch_on(5);
    TRY("{text}", guarded + {random.randint(0, 9)}, 5);
    TRY("ldr r3, [r1]", guarded, 5);
    MPU_CTRL = 0;
    show_faults();
}}
"""
        yield Scenario(f"as-user-{name}", code, times=1)


def tickless(random: Random) -> Iterator[Scenario]:
    """Interrupts masked, the tick set to the next deadline, WFI, the tick's state looked at, unmasked."""
    rounds, deadline = random.randint(3, 6), random.randint(900, 9000)
    code = f"""
static volatile uint32_t ticks;
void systick_handler(void) {{ ticks++; mark('t'); }}
void scenario(void)
{{
    for (uint32_t i = 0; i < {rounds}; i++) {{
        CPSID();
        SYST_CSR = 0;
        SYST_RVR = {deadline} + 100 * i;
        SYST_CVR = 0;
        SYST_CSR = 7;
        DSB();
        WFI();
        ISB();
        mark((ICSR >> 26 & 1) ? 'p' : 'n');
        mark((SYST_CSR >> 16 & 1) ? 'c' : 'z');
        CPSIE();
        ISB();
        mark('w');
    }}
    SYST_CSR = 0;
    show("ticks", ticks);
    show_trace();
}}
"""
    yield Scenario("tickless", code)


def sleep_on_exit(random: Random) -> Iterator[Scenario]:
    """All work is done in handlers; the last of them lets thread code go on."""
    count = random.randint(3, 9)
    code = f"""
static volatile uint32_t ticks;
void systick_handler(void)
{{
    mark('t');
    if (++ticks == {count}) {{
        SCR &= ~2u;
        SYST_CSR = 0;
    }}
}}
void scenario(void)
{{
    SCR |= 2;
    start_tick({random.randint(300, 6000)});
    WFI();
    mark('m');
    show("ticks", ticks);
    show_trace();
}}
"""
    for core in CORES:
        texts = {core: f"{core}: up\n{core}: ticks {count:08x}\n{core}: order {'t' * count}m\n{core}: done\n"}
        texts[OTHER[core]] = f"{OTHER[core]}: up\n{OTHER[core]}: done\n"
        yield Scenario("sleep-on-exit", code, cores=(core,), loose=LOOSE, texts=tuple(texts.items()))
    never = code.replace("SCR &= ~2u;", 'say("last");')
    texts = (("station", "station: up\n"), ("sampler", "sampler: up\nsampler: last\n"))
    yield Scenario("sleep-on-exit-stays", never, fails=True, cores=("sampler",), loose=LOOSE, texts=texts)


def deferred(random: Random) -> Iterator[Scenario]:
    """Interrupts of three priorities put work into a queue that PendSV empties at the lowest priority."""
    code = f"""
static volatile uint32_t head, tail, queue[16], sum;
static void put_in(uint32_t what)
{{
    uint32_t kept = MRS("basepri");

    MSR("basepri", 0x20);
    queue[head++ % 16] = what;
    MSR("basepri", kept);
    ICSR = ICSR_PENDSV_SET;
}}
void irq60_handler(void) {{ mark('a'); put_in({random.randint(1, 99)}); pend_irq(61); DSB(); put_in(3); mark('b'); }}
void irq61_handler(void) {{ mark('c'); put_in({random.randint(1, 99)}); }}
void systick_handler(void) {{ mark('t'); put_in(7); stop_tick(); }}
void pendsv_handler(void)
{{
    mark('[');
    while (tail != head) {{
        sum = sum * 31 + queue[tail++ % 16];
    }}
    mark(']');
}}
void scenario(void)
{{
    SHPR(14) = 0xE0;
    SHPR(15) = 0x80;
    enable_irq(60, 0x60);
    enable_irq(61, 0x40);
    pend_irq(60);
    DSB();
    ISB();
    start_tick(500);
    while (sum == 0 || SYST_CSR & 1) {{ }}
    spend(10);
    show("sum", sum);
    show_trace();
}}
"""
    yield Scenario("deferred", code)


def mutexes(random: Random) -> Iterator[Scenario]:
    """A lock of tasks that switch by time, taken with exclusives; the counts are whole."""
    rounds, period = random.randint(20, 60), random.choice([400, 1500])
    body = f"""    for (uint32_t i = 0; i < {rounds}; i++) {{
        add();
    }}
    while (finished < 2) {{
        yield_now();
    }}"""
    code = f"""{kernel(3)}
static volatile uint32_t lock, count;
static void add(void)
{{
    uint32_t seen, failed;

    do {{
        __asm volatile("ldrex %0, [%2]\\n cmp %0, #0\\n itte eq\\n"
            "moveq %0, #1\\n strexeq %1, %0, [%2]\\n movne %1, #1\\n"
            : "=&r"(seen), "=&r"(failed) : "r"(&lock) : "cc", "memory");
        if (failed) {{
            yield_now();
        }}
    }} while (failed);
    DMB();
    uint32_t kept = count;
    spend(3);
    count = kept + 1;
    DMB();
    lock = 0;
}}
{main_on_psp(body)}
static void other(uint32_t me)
{{
    for (uint32_t i = 0; i < {rounds}; i++) {{
        add();
    }}
    finished++;
    for (;;) {{
        yield_now();
    }}
}}
void systick_handler(void) {{ ICSR = ICSR_PENDSV_SET; }}
void scenario(void)
{{
    SHPR(14) = 0xFF;
    SHPR(15) = 0xC0;
    make_task(1, other);
    make_task(2, other);
    running = &tasks[0];
    start_tick({period});
    on_process_stack(&stacks[0][96]);
    stop_tick();
    show("count", count);
}}
"""
    yield Scenario("mutex", code)
    lost = code.replace("lock = 0;", "").replace("finished < 2", "finished < 2 && count < 9999999")
    yield Scenario(
        "mutex-kept",
        lost,
        fails=True,
        ends="add|yield_now|other|first_task|pendsv_handler|choose_next",
    )


def coroutines(random: Random) -> Iterator[Scenario]:
    """Stacks switched without an exception: the stack pointer is moved by hand."""
    code = f"""
static uint32_t other_stack[128] __attribute__((aligned(8)));
static uint32_t *kept[2];
NAKED static void swap(uint32_t **from, uint32_t *to)
{{
    __asm volatile("push {{r4-r11, lr}}\\n mov r2, sp\\n str r2, [r0]\\n mov sp, r1\\n pop {{r4-r11, pc}}\\n");
}}
USED static void other(void)
{{
    for (uint32_t i = 0; i < {random.randint(2, 5)}; i++) {{
        mark('o');
        swap(&kept[1], kept[0]);
    }}
    mark('e');
    for (;;) {{
        swap(&kept[1], kept[0]);
    }}
}}
void irq60_handler(void) {{ mark('i'); }}
void scenario(void)
{{
    enable_irq(60, 0x40);
    kept[1] = &other_stack[128 - 9];
    kept[1][8] = (uint32_t)other | 1;
    for (uint32_t i = 0; i < 6; i++) {{
        mark('m');
        pend_irq(60);
        swap(&kept[0], kept[1]);
    }}
    show_trace();
}}
"""
    yield Scenario("coroutines", code)


FAMILIES = (protected_tasks, unprivileged_access, tickless, sleep_on_exit, deferred, mutexes, coroutines)

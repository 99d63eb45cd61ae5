"""Memory protection regions, privilege, and code that may not be executed."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from ..cases import LOCK_UP, Scenario
from .faults import ENABLE, RECOVERING

REGION = """
static void region(uint32_t number, uint32_t start, uint32_t end, uint32_t access, uint32_t never)
{
    MPU_RNR = number;
    MPU_RLAR = 0;
    MPU_RBAR = start | access << 1 | never;
    MPU_RLAR = ((end - 1) & ~31u) | 1;
}
static void switch_on(uint32_t control)
{
    MPU_MAIR0 = 0x000000FF;
    DMB();
    MPU_CTRL = control;
    DSB();
    ISB();
}
"""
READ_WRITE, ANYBODY, READ_ONLY = 0, 1, 2


def regions(random: Random) -> Iterator[Scenario]:
    """Read-only, execute-never and background accesses: status and address are those of a MemManage fault."""
    tries = {
        "write-read-only": ("str r2, [r1]", "(uint32_t)guarded + 32", READ_ONLY, 1),
        "execute-never": ("blx r1", "((uint32_t)guarded + 32) | 1", READ_WRITE, 1),
        "read-allowed": ("ldr r3, [r1]", "(uint32_t)guarded + 32", READ_ONLY, 1),
        "write-before": ("str r2, [r1]", "(uint32_t)guarded", READ_ONLY, 1),
        "write-after": ("str r2, [r1]", "(uint32_t)guarded + 96", READ_ONLY, 1),
        "write-register": ("strb r2, [r1]", "SERIAL", READ_ONLY, 1),
    }
    for name, (text, address, access, never) in tries.items():
        enabled = random.random() < 0.7
        code = f"""{RECOVERING}{REGION}
static uint32_t guarded[64] __attribute__((aligned(32)));
void scenario(void)
{{
{ENABLE if enabled else ""}    region(0, (uint32_t)guarded + 32, (uint32_t)guarded + 96, {access}, {never});
    region(1, SERIAL, SERIAL + 32, 2, 1);
    switch_on(5);
    TRY("{text}", {address}, {random.randint(1, 999)});
    MPU_CTRL = 0;
    DSB();
    ISB();
    show_faults();
    show("first", guarded[0]);
}}
"""
        if name == "execute-never":
            code = code.replace("(uint32_t)guarded + 96, 0", "(uint32_t)guarded + 96, 1")
        yield Scenario(f"region-{name}", code, times=1)
    fails = f"""{REGION}
static uint32_t guarded[64] __attribute__((aligned(32)));
void scenario(void)
{{
    region(0, (uint32_t)guarded, (uint32_t)guarded + 64, 2, 1);
    switch_on(5);
    say("guarded");
    *(volatile uint32_t *)&guarded[3] = 1;
    say("never");
}}
"""
    yield Scenario("region-default", fails, fails=True)
    empty = f"""{REGION}
void scenario(void)
{{
    say("going");
    switch_on(1);
    say("never");
}}
"""
    yield Scenario("no-background", empty, fails=True, ends="default_handler|" + LOCK_UP)


def stack_guard(random: Random) -> Iterator[Scenario]:
    """A read-only region below a process stack catches an overflow, or nothing where the stack fits."""
    for depth in (random.randint(2, 5), random.randint(80, 200)):
        deep = depth > 50
        code = f"""{REGION}
__attribute__((noinline)) uint32_t recurse(uint32_t depth)
{{
    volatile uint32_t kept[6];

    kept[depth % 6] = depth;
    return depth ? recurse(depth - 1) + kept[depth % 6] : 1;
}}
static uint64_t stack[128] __attribute__((aligned(32)));
static void work(void) __attribute__((used, noinline));
NAKED static void on_process_stack(void *top)
{{
    __asm volatile(
        "push {{r4, lr}}\\n msr psp, r0\\n movs r0, #2\\n msr control, r0\\n isb 0xF\\n bl work\\n"
        "movs r0, #0\\n msr control, r0\\n isb 0xF\\n pop {{r4, pc}}\\n");
}}
static void work(void)
{{
    show("sum", recurse({depth}));
}}
void mem_manage_handler(void)
{{
    show("status", CFSR & 0xFF);
    for (;;) {{
        NOP();
    }}
}}
void scenario(void)
{{
    SHCSR |= SHCSR_MEM_ENABLE;
    region(1, (uint32_t)stack, (uint32_t)stack + 64, 2, 1);
    switch_on(5);
    on_process_stack(&stack[128]);
    MPU_CTRL = 0;
}}
"""
        yield Scenario(
            f"guard-{'deep' if deep else 'flat'}", code, fails=deep, ends="mem_manage_handler" if deep else ""
        )


def privilege(random: Random) -> Iterator[Scenario]:
    """Unprivileged code: no write of masks, no access to the system space, back by SVC only."""
    accesses = {
        "system-space": ("ldr r3, [r1]", "0xE000ED04"),
        "nvic": ("str r2, [r1]", "0xE000E100"),
        "systick": ("ldr r3, [r1]", "0xE000E010"),
        "stir": ("str r2, [r1]", "0xE000EF00"),
        "ram": ("ldr r3, [r1]", "OWN_RAM"),
    }
    for name, (text, address) in accesses.items():
        code = f"""{RECOVERING}
void svc_handler(void) {{ MSR("control", 0); ISB(); }}
void scenario(void)
{{
{ENABLE if random.random() < 0.7 else ""}    MSR("control", 1);
    ISB();
    TRY("{text}", {address}, 1);
    MSR("basepri", 0x40);
    SVC(0);
    show("basepri", MRS("basepri"));
    show("control", MRS("control"));
    show_faults();
}}
"""
        yield Scenario(f"unprivileged-{name}", code, times=1)


def execute_never(random: Random) -> Iterator[Scenario]:
    """Code copied to RAM runs there; the device and system regions are never executed."""
    code = f"""
static uint16_t code[16] __attribute__((aligned(4)));
void scenario(void)
{{
    uint32_t (*function)(uint32_t) = (uint32_t (*)(uint32_t))((uint32_t)code | 1);

    code[0] = 0x3000 + {random.randint(1, 200)}; /* adds r0, # */
    code[1] = 0x4770;                            /* bx lr */
    DSB();
    ISB();
    show("sum", function(1));
    code[0] = 0x3000 + {random.randint(1, 200)};
    DSB();
    ISB();
    show("sum", function(2));
}}
"""
    yield Scenario("code-in-ram", code)


def limited_task(random: Random) -> Iterator[Scenario]:
    """An unprivileged task with a stack limit and exclusives calls a kernel, sleeps through ticks, and is ended."""
    calls = "".join(f"svc {number}\\n " for number in random.sample(range(1, 9), 4))
    code = f"""{REGION}
static uint32_t stack[64] __attribute__((aligned(256)));
static volatile uint32_t calls, ticks;
void systick_handler(void) {{ ticks++; }}
USED void called(uint32_t *frame)
{{
    uint8_t number = ((uint8_t *)frame[6])[-2];

    calls = calls * 10 + number;
    if (number == 9) {{
        MSR("control", MRS("control") & ~1u);
    }}
}}
NAKED void svc_handler(void) {{ __asm volatile("mrs r0, psp\\n b called\\n"); }}
NAKED static void run_task(uint32_t *top, uint32_t *limit)
{{
    __asm volatile("push {{r4-r11, lr}}\\n msr psplim, r1\\n msr psp, r0\\n movs r2, #3\\n msr control, r2\\n"
        "isb 0xF\\n sub sp, #DEEP\\n ldrex r2, [sp]\\n strex r3, r2, [sp]\\n {calls}"
        "mov r4, #1000\\n1: subs r4, #1\\n bne 1b\\n"
        "svc 9\\n movs r2, #0\\n msr control, r2\\n isb 0xF\\n pop {{r4-r11, pc}}\\n");
}}
void scenario(void)
{{
    region(0, OWN_CODE, OWN_CODE + CODE_SIZE, 3, 0);
    region(7, (uint32_t)stack, (uint32_t)stack + 256, 1, 1);
    switch_on(5);
    start_tick({random.randint(150, 400)});
    run_task(&stack[64], &stack[8]);
    stop_tick();
    MPU_CTRL = 0;
    show("calls", calls);
    show("ticked", ticks > 1);
}}
"""
    yield Scenario("limited-task", code.replace("DEEP", str(8 * random.randint(1, 12))))
    deep = code.replace("DEEP", str(8 * random.randint(25, 27)))
    yield Scenario("limited-task-deep", deep, fails=True)


def user_trigger(random: Random) -> Iterator[Scenario]:
    """Unprivileged code may write STIR where CCR.USERSETMPEND says so."""
    code = f"""
static volatile uint32_t count;
void irq63_handler(void) {{ count++; }}
void svc_handler(void) {{ MSR("control", MRS("control") & ~1u); }}
void scenario(void)
{{
    enable_irq(63, {random.choice([0x20, 0x80, 0xE0])});
    CCR |= ALLOWED;
    MSR("control", 1);
    ISB();
    STIR = 63;
    DSB();
    ISB();
    SVC(1);
    ISB();
    show("count", count);
}}
"""
    yield Scenario("user-trigger", code.replace("ALLOWED", "CCR_USERSETMPEND"))
    yield Scenario("user-trigger-denied", code.replace("ALLOWED", "0"), fails=True, times=1)


FAMILIES = (regions, stack_guard, privilege, execute_never, limited_task, user_trigger)

"""How programs end that do not finish: default handlers, sleep without a wake-up, loops, lock-ups, NULL vectors."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from ..cases import LOCK_UP, Scenario


def sleeps_for_ever(random: Random) -> Iterator[Scenario]:
    """WFI where nothing can wake the core: no source, a disabled one, one of no higher priority."""
    sleep = "USED static void sleep_for_ever(void)\n{\n    for (;;) {\n        WFI();\n    }\n}\n"
    setups = {
        "no-source": "",
        "pended-disabled": "pend_irq(60);",
        "tick-without-interrupt": "SYST_RVR = 1000; SYST_CVR = 0; SYST_CSR = 5;",
        "masked-by-basepri": 'MSR("basepri", 0x40); ISB(); enable_irq(60, 0x80); pend_irq(60);',
    }
    for name, setup in setups.items():
        code = f"""{sleep}
void irq60_handler(void) {{ mark('i'); }}
void scenario(void)
{{
    spend({random.randint(1, 99)});
    say("sleeping");
    {setup}
    sleep_for_ever();
}}
"""
        yield Scenario(f"sleep-{name}", code, fails=True, ends="sleep_for_ever")
    once = """static volatile uint32_t ticks;
void systick_handler(void) { ticks++; }
USED static void sleep_for_ever(void)
{
    while (ticks < 5) {
        WFI();
    }
    stop_tick();
    WFI();
    say("never");
}
void scenario(void)
{
    start_tick(%d);
    sleep_for_ever();
}
"""
    for reload in (500, 20000):
        yield Scenario(f"sleep-after-ticks-{reload}", once % reload, fails=True, ends="sleep_for_ever")


def sleeps_and_wakes(random: Random) -> Iterator[Scenario]:
    """Sleep that something does end: a tick, the other core, a pending event, an interrupt under PRIMASK."""
    del random
    codes = {
        "tick": "void systick_handler(void) { stop_tick(); }\nvoid scenario(void)\n{\n    start_tick(20000);\n"
        '    WFI();\n    say("awake");\n}\n',
        "primask": "void scenario(void)\n{\n    CPSID();\n    start_tick(900);\n    WFI();\n    stop_tick();\n"
        '    ICSR = ICSR_SYSTICK_CLEAR;\n    CPSIE();\n    say("awake");\n}\n',
        "pending": "void irq60_handler(void) { mark('i'); }\nvoid scenario(void)\n{\n    CPSID();\n"
        "    enable_irq(60, 0x40);\n    pend_irq(60);\n    DSB();\n    WFI();\n    mark('w');\n    CPSIE();\n"
        "    ISB();\n    show_trace();\n}\n",
        "event": 'void scenario(void)\n{\n    SEV();\n    WFE();\n    say("awake");\n}\n',
    }
    for name, code in codes.items():
        yield Scenario(f"wakes-{name}", code)


def loops(random: Random) -> Iterator[Scenario]:
    """Endless loops that wait for what never comes."""
    codes = {
        "branch": "    for (;;) {\n    }\n",
        "nops": "    for (;;) {\n        NOP();\n    }\n",
        "flag": "    while (!flag) {\n    }\n",
        "count": "    for (;;) {\n        flag++;\n        if (flag == 0) {\n            flag = 1;\n        }\n    }\n",
        "register": "    while (!(SYST_CSR & 0x10000)) {\n    }\n",
        "shared": "    while (LINK->word[29] != 0x1234) {\n    }\n",
        "masked": "    CPSID();\n    for (;;) {\n    }\n",
        "wfe": "    for (;;) {\n        WFE();\n    }\n",
    }
    for name, body in codes.items():
        code = f"""static volatile uint32_t flag;
USED static void wait(void)
{{
    (void)flag;
{body}}}
void scenario(void)
{{
    spend({random.randint(1, 50)});
    say("waiting");
    wait();
}}
"""
        yield Scenario(f"loop-{name}", code, fails=True, ends="wait")
    ticking = """static volatile uint32_t ticks;
void systick_handler(void) { ticks++; }
USED static void wait(void)
{
    for (;;) {
        WFI();
    }
}
void scenario(void)
{
    start_tick(%d);
    wait();
}
"""
    for reload in (1000, 20000):
        yield Scenario(f"scheduler-loop-{reload}", ticking % reload, fails=True, ends="wait|systick_handler")


def lock_ups(random: Random) -> Iterator[Scenario]:
    """Faults that no handler may take."""
    codes = {
        "fault-in-hard-fault": "void hard_fault_handler(void) { (void)REG(UNMAPPED); }\n"
        "void scenario(void) { (void)REG(UNMAPPED + 0x100); }\n",
        "undefined-in-hard-fault": 'void hard_fault_handler(void) { __asm volatile("udf #3"); }\n'
        'void scenario(void) { __asm volatile("udf #4"); }\n',
        "fault-in-nmi": 'void nmi_handler(void) { __asm volatile("udf #5"); }\n'
        "void scenario(void) { ICSR = ICSR_NMI_SET; DSB(); ISB(); }\n",
        "faultmask": 'void scenario(void) { CPSID_F(); __asm volatile("udf #6"); }\n',
    }
    for name, code in codes.items():
        yield Scenario(f"lock-up-{name}", code, fails=True, ends=LOCK_UP)
    fault = f'void scenario(void) {{ spend({random.randint(1, 20)}); __asm volatile("udf #7"); }}\n'
    vectors = {
        "null": "{ .word = 0 }",
        "erased": "{ .word = 0xFFFFFFFF }",
        "unmapped": "{ .word = 0x60000001 }",
        "even": "{ .word = SAMPLER_CODE + 0x200 }",
    }
    for name, vector in vectors.items():
        yield Scenario(f"hard-fault-{name}", fault, fails=True, ends=LOCK_UP, defines=(f"VECTOR_3={vector}",))


def bad_interrupt_vectors(random: Random) -> Iterator[Scenario]:
    """An interrupt's vector is zero, erased, without Thumb bit or unmapped: a HardFault or UsageFault follows."""
    vectors = {
        "null": "{ .word = 0 }",
        "erased": "{ .word = 0xFFFFFFFF }",
        "unmapped": "{ .word = 0x60000001 }",
        "device": "{ .word = 0x50200001 }",
    }
    for name, vector in vectors.items():
        code = f"""
void scenario(void)
{{
    enable_irq(60, {random.choice((0x20, 0xE0)):#x});
    say("pending");
    pend_irq(60);
    DSB();
    ISB();
    spend(10);
    say("never");
}}
"""
        yield Scenario(f"vector-{name}", code, fails=True, defines=(f"VECTOR_76={vector}",))
        unused = code.replace("    enable_irq", "    if (0) enable_irq").replace(
            'say("never")', 'say("fine")'
        )
        yield Scenario(f"vector-{name}-unused", unused, defines=(f"VECTOR_76={vector}",), times=1)


def reset_vectors(random: Random) -> Iterator[Scenario]:
    """The released core's first two vectors are wrong."""
    del random
    plain = "void scenario(void) {}\n"
    for name, vector in {
        "null": "{ .word = 0 }",
        "erased": "{ .word = 0xFFFFFFFF }",
        "unmapped": "{ .word = 0x60000001 }",
    }.items():
        yield Scenario(
            f"reset-{name}", plain, fails=True, ends=LOCK_UP + "|default_handler", cores=("sampler",),
            defines=(f"VECTOR_1={vector}",), times=1,
        )  # fmt: skip
    yield Scenario(
        "stack-nowhere", plain, fails=True, ends="default_handler|" + LOCK_UP, cores=("sampler",),
        defines=("VECTOR_0={ .word = 0x60000000 }",),
    )  # fmt: skip


def patient_station(random: Random) -> Iterator[Scenario]:
    """The station waits for the sampler a bounded time, and says so when it stays silent."""
    codes = {
        "loops": (
            "USED static void wait(void)\n{\n    for (;;) {\n    }\n}\nvoid scenario(void) { wait(); }\n",
            "wait",
        ),
        "sleeps": ("void scenario(void) { rest(); }\n", "rest"),
        "faults": ('void scenario(void) { __asm volatile("udf #0"); }\n', "default_handler"),
    }
    for name, (code, ends) in codes.items():
        for patience in (3_000, 300_000):
            yield Scenario(
                f"silent-{name}-{patience}",
                "void rest(void);\n" + code,
                fails=True,
                ends=ends,
                cores=("sampler",),
                other_defines=(f"PATIENCE={patience + random.randint(0, 99)}",),
            )
    busy = "void scenario(void)\n{\n    spend(%d);\n}\n"
    for rounds, patience in ((200, 4_000_000), (20_000, 4_000_000)):
        yield Scenario(
            f"slow-{rounds}",
            busy % rounds,
            cores=("sampler",),
            other_defines=(f"PATIENCE={patience}",),
            times=1,
        )


FAMILIES = (
    sleeps_for_ever,
    sleeps_and_wakes,
    loops,
    lock_ups,
    bad_interrupt_vectors,
    reset_vectors,
    patient_station,
)

"""The calls that led to a finding: of the stack in use alone, up to where that begins."""

from __future__ import annotations

from dataclasses import replace

import pytest
from rehearse.differential.building import Builder
from rehearse.differential.cases import V6, Case, Source
from rehearse.differential.judge import product_of
from rehearse.differential.programs.switching import kernel, main_on_psp
from rehearse.differential.suite import all_cases

from gemel.rehearsal.result import RehearsalFinding

FAULT = "(*(volatile uint32_t *)0x70000000)"
OWN = "    while (finished < 2) {\n        yield_now();\n    }"
TASKS = f"""{kernel(3)}
static uint32_t own_stack[160] __attribute__((aligned(8)));
__attribute__((noinline)) static uint32_t fails(uint32_t me)
{{
    yield_now();
    yield_now();
    return me == FAILING ? {FAULT} : 1;
}}
__attribute__((noinline)) static uint32_t works(uint32_t me)
{{
    yield_now();
    return fails(me) + 1;
}}
{main_on_psp(OWN)}
static void other(uint32_t me)
{{
    yield_now();
    mark((char)('0' + works(me) % 8));
    finished++;
    for (;;) {{
        yield_now();
    }}
}}
void scenario(void)
{{
    make_task(1, other);
    make_task(2, other);
    running = &tasks[0];
    on_process_stack(&own_stack[160]);
}}
"""

COROUTINES = f"""
static uint32_t stacks[2][96] __attribute__((aligned(8)));
static uint32_t *left[3];
__attribute__((naked, noinline)) static void swap(uint32_t **from, uint32_t **to)
{{
    __asm volatile(
        "push {{r4-r7, lr}}\\n"
        "mov r2, sp\\n"
        "str r2, [r0]\\n"
        "ldr r2, [r1]\\n"
        "mov sp, r2\\n"
        "pop {{r4-r7, pc}}\\n");
}}
__attribute__((noinline)) static uint32_t fails(uint32_t me)
{{
    swap(&left[me], &left[2]);
    return me == FAILING ? {FAULT} : 1;
}}
__attribute__((noinline)) static uint32_t works(uint32_t me)
{{
    swap(&left[me], &left[2]);
    return fails(me) + 1;
}}
static void other0(void)
{{
    for (;;) {{
        mark((char)('0' + works(0) % 8));
    }}
}}
static void other1(void)
{{
    for (;;) {{
        mark((char)('0' + works(1) % 8));
    }}
}}
__attribute__((noinline)) static void turns(void)
{{
    swap(&left[2], &left[0]);
    swap(&left[2], &left[1]);
}}
void scenario(void)
{{
    left[0] = &stacks[0][90];
    left[1] = &stacks[1][90];
    stacks[0][94] = (uint32_t)other0;
    stacks[1][94] = (uint32_t)other1;
    for (uint32_t i = 0; i < 5; i++) {{
        turns();
    }}
    if (FAILING == 2) {{
        mark((char)('0' + {FAULT} % 8));
    }}
}}
"""


POINTER = """
static void (*volatile hook)(void) = (void (*)(void))TARGET;
__attribute__((noinline)) static void serves(void)
{
    hook();
    mark('s');
}
__attribute__((noinline)) static void interrupts(void)
{
    pend_irq(60);
    ISB();
    mark('i');
}
void irq60_handler(void) { serves(); }
void scenario(void)
{
    enable_irq(60, 0x40);
    interrupts();
}
"""
FIRST_FRAME = """
static uint32_t stack[64] __attribute__((aligned(8)));
static void task(void) { for (;;) { } }
NAKED void svc_handler(void)
{
    __asm volatile("msr psp, r0\\n ldr r0, =0xFFFFFFFD\\n bx r0\\n .ltorg");
}
void scenario(void)
{
    register uint32_t *frame __asm("r0") = &stack[48];

    frame[6] = (uint32_t)task;
    frame[7] = STATUS;
    __asm volatile("svc 0" :: "r"(frame) : "memory");
}
"""
DEAD_END = """
__attribute__((noinline, used)) void gives_up(void) { for (;;) WAIT; }
void scenario(void) { enable_irq(60, 0x40); gives_up(); }
"""


def found(code: str, level: str, kind: str, builder: Builder, core: str = "station") -> RehearsalFinding:
    """The finding of that kind about a program of one core."""
    own, other = Source(code, (), "gcc", (level,)), Source()
    case = Case("case", "calls", *((own, other) if core == "station" else (other, own)))
    finding = product_of(case, builder.build(case)).rehearse().finding(kind)
    assert finding is not None
    assert finding.place is not None
    return finding


def functions(finding: RehearsalFinding) -> list[str]:
    """The functions of the calls that led to a finding, outermost first, and that of its place."""
    places = (*finding.calls, *(() if finding.place is None else (finding.place,)))
    return [place.function.partition(" + ")[0] for place in places]


def calls_of(code: str, level: str, failing: int, builder: Builder) -> list[str]:
    """The functions of the calls that led to the fault, outermost first, and that of the fault."""
    return functions(found(code.replace("FAILING", str(failing)), level, "unmapped-read", builder))


@pytest.mark.parametrize("level", ["-O0", "-Os"])
@pytest.mark.parametrize("failing", [1, 2])
def test_calls_of_a_task_are_its_own(failing: int, level: str, builder: Builder) -> None:
    """Where tasks wait in functions, the calls of none of them lead to another one's fault."""
    assert calls_of(TASKS, level, failing, builder) == ["other", "works", "fails"]


@pytest.mark.parametrize("level", ["-O0", "-Os"])
@pytest.mark.parametrize("failing", [0, 1])
def test_calls_of_a_coroutine_are_its_own(failing: int, level: str, builder: Builder) -> None:
    """The same without exceptions, where code moves the main stack pointer."""
    assert calls_of(COROUTINES, level, failing, builder) == [f"other{failing}", "works", "fails"]


@pytest.mark.parametrize("level", ["-O0", "-Os"])
def test_calls_of_the_stack_that_a_core_started_with(level: str, builder: Builder) -> None:
    """Back on it they lead there from the start again."""
    *calls, last = calls_of(COROUTINES, level, 2, builder)
    assert last == "scenario"
    assert "works" not in calls
    assert "turns" not in calls
    assert calls


@pytest.mark.parametrize("level", ["-O0", "-Os"])
@pytest.mark.parametrize(
    ("target", "kind"),
    [
        ("0", "invalid-state"),
        ("0x10000200", "invalid-state"),
        ("0x60000001", "fetch-outside-code"),
        ("0x1001F001", "fetch-outside-code"),
    ],
)
def test_a_call_by_a_wrong_pointer_is_the_last_one(
    target: str, kind: str, level: str, builder: Builder
) -> None:
    """Who called by a pointer that is null, even or no code is named, though no code runs at the target."""
    finding = found(POINTER.replace("TARGET", target), level, kind, builder)
    assert functions(finding)[-2] == "serves"
    assert finding.calls[-1].source.startswith("program.c:5")


def test_a_first_frame_without_the_thumb_bit(builder: Builder) -> None:
    """A task's frame whose xPSR lacks bit 24 is named as that, and not as a wrong address of a function."""
    finding = found(FIRST_FRAME.replace("STATUS", "0"), "-O1", "invalid-state", builder)
    assert finding.what == "core station returns from SVCall to a frame without the Thumb bit"
    assert "task" in finding.found
    assert "0x0100_0000" in finding.expected


@pytest.mark.parametrize("wait", ["WFI()", "WFE()", "NOP()"])
def test_a_core_that_gave_up_is_named_and_not_who_waits_for_it(wait: str, builder: Builder) -> None:
    """The sampler stays in a loop that interrupts would not end; the station polls for what it was to write."""
    code = DEAD_END.replace("WAIT", wait)
    finding = found(code, "-O1", "goal-not-reached", builder, "sampler")
    assert finding.core == "sampler"
    assert functions(finding)[-1] == "gives_up"
    assert "core station waits" in finding.found


def test_a_return_to_zero_is_no_call_where_flash_is_there(builder: Builder) -> None:
    """On a device with flash at 0 a return address that was overwritten is named as that, too."""
    code = """
__attribute__((noinline)) void fills(volatile uint32_t *at, int words) { while (words--) at[words] = 0; }
__attribute__((noinline)) uint32_t overruns(void) { volatile uint32_t own[2]; fills(own, 6); return own[0]; }
void scenario(void) { show("never", overruns()); }
"""
    program = Source(code, (), "gcc", ("-O2",), V6)
    case = Case("case", "calls", program, replace(program, code="void scenario(void) {}\n"))
    finding = product_of(case, builder.build(case)).rehearse().finding("invalid-state")
    assert finding is not None
    assert finding.what == "core station returns to address zero"
    assert "overruns" in finding.found
    assert "overwrote the stack" in finding.next_step


def test_a_fault_in_a_function_of_the_other_core_s_build(builder: Builder) -> None:
    """A function that both cores see may be called by both: its fault is the caller's, by function and line."""
    case = next(each for each in all_cases() if "fault-in-function-of-other-core" in each.name)
    rehearsal = product_of(case, builder.build(case)).rehearse()
    (finding,) = (each for each in rehearsal.findings if each.severity == "error")
    assert (finding.kind, finding.core) == ("unmapped-read", case.fails)
    assert functions(finding)[-2:] == ["scenario", "lent"]
    assert finding.place is not None
    assert finding.place.source == "program.c:1"


RECURRING = """
USED void works(void) { static volatile uint32_t count; show("again", count++); }
NAKED void starts_again(void)
{
    __asm volatile("ldr r0, =stack_top\\n mov sp, r0\\n bl works\\n udf #3\\n .ltorg");
}
USED void repairs(uint32_t *frame) { CFSR = CFSR; frame[6] = (uint32_t)starts_again & ~1u; }
NAKED void hard_fault_handler(void) { __asm volatile("mrs r0, msp\\n b repairs"); }
void scenario(void) { starts_again(); }
"""


def test_a_goal_that_is_not_reached_as_one_fault_recurs(builder: Builder) -> None:
    """Text is sent before each fault, so that only the budget ends it; who waits, around YIELD, is told as that."""
    waits = Source("void scenario(void) { enable_irq(60, 0x40); }")
    case = Case("case", "calls", waits, Source(RECURRING))
    (finding,) = product_of(case, builder.build(case)).rehearse(budget=100_000).findings
    assert (finding.kind, finding.core) == ("goal-not-reached", "sampler")
    assert "times core sampler meets UDF #3" in finding.found
    assert "starts_again + " in finding.found
    assert "core station waits: it reads 0x3801_0004" in finding.found

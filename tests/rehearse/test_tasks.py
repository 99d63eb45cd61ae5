"""Functions that end a program, of a core that does nothing else and of a task under ticks; where tasks wait."""

from __future__ import annotations

from types import SimpleNamespace
from typing import TYPE_CHECKING, cast

import pytest
from rehearse.differential.building import Builder
from rehearse.differential.cases import Case, Source
from rehearse.differential.judge import product_of
from rehearse.differential.programs.switching import kernel, main_on_psp

from gemel.rehearsal.emulator.core.call_stack import threads
from gemel.rehearsal.verdict.program_ends import GOES_ON, MAX_TEXT, PROGRAM_ENDS

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore

SYMBOLS = {
    "std::terminate": "_ZSt9terminatev",
    "core::panicking::panic_fmt": "_RNvNtCs5bUE3vf0DXq_4core9panicking9panic_fmt",
    "__rustc::rust_begin_unwind": "_RNvCshGpAVYOtgW1_7___rustc17rust_begin_unwind",
}
"""How linkers name functions that are no functions of C."""


@pytest.mark.parametrize("name", [*PROGRAM_ENDS, "stay", "aborted"])
def test_an_end_of_the_program_is_named_as_that(name: str, builder: Builder) -> None:
    """A library's functions that end a program stay in a loop: the finding says which, and who calls it."""
    code = (
        f'void leave(void) __asm("{SYMBOLS.get(name, name)}");\n'
        '__attribute__((noinline)) void leave(void) { for (;;) { __asm volatile(""); } }\n'
        'void scenario(void) { leave(); __asm volatile("nop"); }\n'
    )
    case = Case(name, "endings", Source(code), Source())
    (finding,) = product_of(case, builder.build(case)).rehearse().findings
    reason = PROGRAM_ENDS.get(name)
    assert ("it came there by" in finding.found) is (reason is not None)
    if reason:
        assert f"it came there by {reason}, in scenario + " in finding.found
        assert finding.next_step == "correct what leads there, see the calls"


@pytest.mark.parametrize(("trap", "kind"), [("bkpt 0", "breakpoint"), ("udf 0", "undefined-instruction")])
@pytest.mark.parametrize("name", ["abort", "__rustc::rust_begin_unwind", "Error_Handler", "measure"])
def test_an_end_of_the_program_that_traps(name: str, trap: str, kind: str, builder: Builder) -> None:
    """A breakpoint or UDF with which a library ends a program says why it does, and one elsewhere does not."""
    code = (
        f'void leave(void) __asm("{SYMBOLS.get(name, name)}");\n'
        f'__attribute__((noinline)) void leave(void) {{ __asm volatile("{trap}"); }}\n'
        'void scenario(void) { leave(); __asm volatile("nop"); }\n'
    )
    case = Case(name, "endings", Source(code), Source())
    (finding,) = product_of(case, builder.build(case)).rehearse().findings
    reason = PROGRAM_ENDS.get(name, name if name == "Error_Handler" else None)
    assert finding.kind == kind
    assert ("it came there by" in finding.found) is (reason is not None)
    assert reason is None or f"it came there by {reason}, in scenario + " in finding.found


STOPS = ["sys_halt", "kernelPanic", "vAssertCalled", "Error_Handler", "fatal"]
COUNTS = "static volatile uint32_t rounds;\nvoid scenario(void) { for (;;) { rounds++; } }\n"


@pytest.mark.parametrize("long", [False, True])
@pytest.mark.parametrize(("compiler", "level"), [("gcc", "-O0"), ("gcc", "-O2"), ("clang", "-O2")])
@pytest.mark.parametrize("name", [*STOPS, "halted", "error_count"])
def test_a_program_that_stops_itself_says_why(
    name: str, compiler: str, level: str, long: bool, builder: Builder
) -> None:
    """The function is named with the text that it is given and who calls it: a tick that it masks is not the cause.

    In a long run nothing follows calls; the stack shows them.
    """
    code = (
        f"static const char *volatile kept;\n__attribute__((noinline)) void {name}(const char *reason)\n"
        "{ CPSID(); kept = reason; for (;;) { NOP(); } }\n"
        f'__attribute__((noinline)) void measure(void) {{ {name}("no more levels"); NOP(); }}\n'
        "void scenario(void) { start_tick(2000); measure(); NOP(); }\nvoid systick_handler(void) { }\n"
    )
    flags = ("-fno-optimize-sibling-calls",)
    case = Case(
        name, "endings", Source(code, (), compiler, (level, *flags)), Source(COUNTS) if long else Source()
    )
    result = product_of(case, builder.build(case)).rehearse(budget=1_200_000)
    (finding,) = [each for each in result.findings if each.core == "station"]
    assert (f'it came there by {name}("no more levels"), in measure + ' in finding.found) is (name in STOPS)
    assert ("SysTick" in finding.next_step) is (name not in STOPS)
    assert [each.function.split()[0] for each in finding.calls][-2:] == ["scenario", "measure"]


@pytest.mark.parametrize("more", [0, 1])
def test_a_long_text_is_cut(more: int, builder: Builder) -> None:
    """MAX_TEXT characters of what a program gives as its reason are shown."""
    code = (
        "__attribute__((noinline)) void sys_halt(const char *reason) { (void)reason; for (;;) { NOP(); } }\n"
        f'void scenario(void) {{ sys_halt("{"x" * (MAX_TEXT + more)}"); NOP(); }}\n'
    )
    case = Case("long", "endings", Source(code, (), "gcc", ("-O0",)), Source())
    (finding,) = product_of(case, builder.build(case)).rehearse().findings
    assert f'sys_halt("{"x" * MAX_TEXT}"), in scenario' in finding.found


@pytest.mark.parametrize(("name", "noted"), [("sys_halt", True), ("finish", False)])
def test_a_core_that_stops_itself_after_its_goal_is_a_note(name: str, noted: bool, builder: Builder) -> None:
    """What was to be reached was reached; that a program then stops may be its end, or a fault that nobody saw."""
    code = (
        f"__attribute__((noinline)) void {name}(void) {{ CPSID(); for (;;) {{ NOP(); }} }}\n"
        f'void scenario(void) {{ say("done"); {name}(); NOP(); }}\n'
    )
    waits = "void scenario(void) { for (volatile int i = 0; i < 20000; i++) { } }\n"
    case = Case(name, "endings", Source(code), Source(waits))
    result = product_of(case, builder.build(case)).rehearse()
    assert result.passes
    note = f"core station has stopped by {name}, in scenario + "
    assert any(each.startswith(note) for each in result.notes) is noted


GOALS = "".join(
    f'[[rehearsal.goal]]\ncore = "{core}"\ntext = "{core}: done"\n\n' for core in ("station", "sampler")
)
TASKS = f"""static volatile uint32_t ended;
{kernel(2).replace("% TASKS;", "% (ended ? 1 : TASKS);")}
{main_on_psp("    start_tick(2000); for (;;) { WFI(); }")}
void systick_handler(void) {{ yield_now(); }}
void leave(void) __asm("SYMBOL");
USED void leave(void) {{ LEAVE }}
static void task(uint32_t me) {{ TASK for (;;) {{ yield_now(); }} }}
void scenario(void)
{{
    make_task(1, task);
    running = &tasks[0];
    SHPR(14) = 0xE0;
    on_process_stack(&stacks[0][96]);
}}
"""
AWAKE = Source("void scenario(void) { enable_irq(DOORBELL, 0x40); }\n")
STAYS, SLEEPS = "for (;;) { NOP(); }", "for (;;) { WFI(); }"
ENDS = {
    **{name: (name, STAYS, True) for name in PROGRAM_ENDS if name not in GOES_ON},
    **{f"{name} and goes on": (name, STAYS, False) for name in GOES_ON},
    "sleeps": ("abort", SLEEPS, True),
    "calls a handler": ("std::terminate", "spend(1 << 30);", True),
    "another function": ("stay", STAYS, False),
    "ends its task": ("abort", "ended = 1; " + STAYS, False),
    "comes back": ("abort", "spend(50);", False),
}


def test_a_core_that_waits_for_one_whose_task_ended(builder: Builder) -> None:
    """Without goals the core with the task is the cause; that the other one still waits for it is no finding."""
    code = TASKS.replace("SYMBOL", "abort").replace("LEAVE", STAYS).replace("TASK ", "leave(); ")
    case = Case("waits", "endings", Source(), Source(code), layout=((GOALS, ""),))
    (finding,) = product_of(case, builder.build(case)).rehearse(budget=3_000_000).findings
    assert (finding.kind, finding.core) == ("endless-loop", "sampler")


@pytest.mark.parametrize("level", ["-O0", "-O2"])
@pytest.mark.parametrize("name", ENDS)
def test_a_task_that_ended_while_others_go_on(name: str, level: str, builder: Builder) -> None:
    """Without goals a task in such a function fails, with who calls it; one that was ended or came back does not."""
    function, leave, fails = ENDS[name]
    code = TASKS.replace("SYMBOL", SYMBOLS.get(function, function)).replace("LEAVE", leave)
    source = Source(code.replace("TASK ", "leave(); "), (), "gcc", (level,))
    case = Case(name, "endings", source, AWAKE, layout=((GOALS, ""),))
    result = product_of(case, builder.build(case)).rehearse(budget=3_000_000)
    if not fails:
        assert (result.outcome, result.findings) == ("started", ())
        return
    (finding,) = result.findings
    assert (finding.kind, finding.core) == ("endless-loop", "station")
    assert f": {PROGRAM_ENDS[function]}, in task + " in finding.what
    assert finding.calls[-1].function.startswith("task + ") or "spend" in finding.what
    assert finding.place is not None


WAITS = """__attribute__((noinline)) static void wait_for_water(void) { ended = 1; yield_now(); }
static void task"""


@pytest.mark.parametrize("level", ["-O0", "-O2"])
@pytest.mark.parametrize("counts", [True, False])
@pytest.mark.parametrize("waits", [True, False])
def test_where_tasks_wait_of_a_goal_that_is_not_reached(
    waits: bool, counts: bool, level: str, builder: Builder
) -> None:
    """The functions that each task is in which has not run for long, not those of one that runs again and again."""
    code = TASKS.replace("LEAVE", STAYS).replace("SYMBOL", "leave").replace("static void task", WAITS)
    code = code.replace("TASK ", "wait_for_water(); " if waits else "")
    code = code.replace(
        "{ yield_now(); }", "{ static volatile unsigned ticks; ticks++; yield_now(); }", int(counts)
    )
    case = Case("waits", "endings", Source(code, (), "gcc", (level,)), AWAKE)
    found = product_of(case, builder.build(case)).rehearse(budget=3_000_000).findings
    (finding,) = [each for each in found if each.core == "station"]
    assert finding.kind == ("goal-not-reached" if counts else "endless-loop")
    assert ("; no other task has run since instruction " in finding.found) is waits
    assert (": stacks in task > wait_for_water" in finding.found) is waits
    assert "what its tasks wait for" in finding.next_step or not waits


def test_a_frame_that_a_kernel_dropped_is_no_task() -> None:
    """Of two frames on one stack the older one is what a handler put there to return by, or left behind."""
    one, two = [0x2000_1000], [0x2000_2000]
    left = {0xF00: (one, 50, 0x104), 0xE00: (one, 40, 0x102), 0xD00: (two, 10, 0x106)}
    core = SimpleNamespace(
        runs=True,
        stack_watch=SimpleNamespace(left=left),
        interrupts=SimpleNamespace(active=[], handler=15),
        bus=SimpleNamespace(read_bytes=lambda at, size: b""),
    )
    found = [(each.stack, each.time, each.runs) for each in threads(cast("EmulatedCore", core), 30)]
    assert found == [(0x2000_1000, 50, True), (0x2000_2000, 10, False)]

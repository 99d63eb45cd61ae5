"""High-water marks: of the main stack and of each task's stack, as a program measures them by paint."""

from __future__ import annotations

import re
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, cast

import pytest
from device_programs import SLEEP, result, run, word
from kernel_products import product
from rehearsals import gauge
from rehearse.differential.building import Builder
from rehearse.differential.cases import Case, Source
from rehearse.differential.judge import product_of
from rehearse.differential.programs.switching import kernel, main_on_psp
from rehearse.test_if_then import image_of
from thumb import assembled

from gemel.layout.reader import read_layout
from gemel.rehearsal.emulator.core.alignment_looks import MAX_LOOKS
from gemel.rehearsal.emulator.core.backing import Backing
from gemel.rehearsal.emulator.core.stack_moves import comes_from_stack
from gemel.rehearsal.emulator.core.stack_watch import StackWatch
from gemel.rehearsal.plan import MemoryPlan
from gemel.rehearsal.result import Rehearsal
from gemel.rehearsal.session import RehearsalOptions, rehearse

if TYPE_CHECKING:
    from gemel.rehearsal.emulator.core.emulated_core import EmulatedCore

OWN = "    recurse(5);\n    while (finished < 2) {\n        yield_now();\n    }"
PAINTED = f"""{kernel(3)}
static uint32_t own_stack[160] __attribute__((aligned(8)));
__attribute__((noinline)) static uint32_t recurse(uint32_t depth)
{{
    volatile uint32_t kept[3];

    kept[depth % 3] = depth;
    return depth ? recurse(depth - 1) + kept[depth % 3] : 1;
}}
static void paint(uint32_t *stack, uint32_t words)
{{
    for (uint32_t i = 0; i < words; i++) {{
        ((volatile uint32_t *)stack)[i] = 0xA5A5A5A5;
    }}
}}
static void measure(const char *name, uint32_t *stack, uint32_t words)
{{
    uint32_t free = 0;

    while (((volatile uint32_t *)stack)[free] == 0xA5A5A5A5) {{
        free++;
    }}
    show(name, 4 * (words - free));
}}
{main_on_psp(OWN)}
static void other(uint32_t me)
{{
    mark((char)('0' + recurse(me == 1 ? DEPTH : 1) % 8));
    finished++;
    for (;;) {{
        yield_now();
    }}
}}
void scenario(void)
{{
    paint(stacks[1], 96);
    paint(stacks[2], 96);
    paint(own_stack, 160);
    make_task(1, other);
    make_task(2, other);
    running = &tasks[0];
    on_process_stack(&own_stack[160]);
    measure("own", own_stack, 160);
    measure("one", stacks[1], 96);
    measure("two", stacks[2], 96);
}}
"""


RESERVED = 4
"""Bytes at the end of the deepest frame that keep it aligned: they are used, and the paint there stays."""


@pytest.mark.parametrize("level", ["-O0", "-O2"])
@pytest.mark.parametrize("depth", [2, 7])
def test_each_task_uses_what_its_paint_says(depth: int, level: str, builder: Builder) -> None:
    """Two stacks side by side in one array, one elsewhere: bytes used, room and variable of each."""
    source = Source(PAINTED.replace("DEPTH", str(depth)), (), "gcc", (level,))
    result = product_of(case := Case("case", "stacks", source, Source()), builder.build(case)).rehearse()
    assert result.passes
    measured = {
        name: int(used, 16)
        for name, used in re.findall(r"station: (own|one|two) (\w+)", result.texts["station"])
    }
    station = result.cores[0]
    used = {(stack.name, stack.used) for stack in station.stacks}
    own = measured["own"] + RESERVED
    assert used == {("own_stack", own), ("stacks", measured["one"]), ("stacks", measured["two"])}
    rooms = sorted(stack.room or 0 for stack in station.stacks)
    assert rooms[0] == 96 * 4
    assert rooms[1:] in ([2 * 96 * 4, 160 * 4], [160 * 4, 2 * 96 * 4])
    assert result.cores[1].stacks == ()


IN_SECTION = r"""
__asm__(".pushsection .task_stack, \"aw\", %nobits\n .balign 8\nown_stack: .space 4 * 160\n .popsection");
extern uint32_t own_stack[];"""
"""The stack as a section that a script reserves for it: no variable, no size."""


@pytest.mark.parametrize(
    ("level", "name"), [("-O0", "own_stack"), ("-O2", "own_stack"), ("-O2", "section .task_stack")]
)
def test_a_task_that_uses_more_than_its_stack_is_named(level: str, name: str, builder: Builder) -> None:
    """One that it fills to its last word is sound; of one that is too small the function that is deepest is named."""

    def rehearsed(words: int) -> Rehearsal:
        code = PAINTED.replace("DEPTH", "2")
        if name != "own_stack":
            code = code.replace("static uint32_t own_stack[160] __attribute__((aligned(8)));", IN_SECTION)
        case = Case("case", "stacks", Source(code.replace("160", str(words)), (), "gcc", (level,)), Source())
        return product_of(case, builder.build(case)).rehearse()

    (needed,) = [stack.used for stack in rehearsed(160).cores[0].stacks if stack.name == name]
    fits = rehearsed(needed // 4)
    assert fits.passes
    assert (needed, needed) in {(stack.used, stack.room) for stack in fits.cores[0].stacks}
    for fewer in (2, 20):
        (finding,) = rehearsed(needed // 4 - fewer).findings
        assert finding.kind == "below-stack-limit"
        assert finding.what == f"core station uses more of the stack {name} than it has"
        assert f"{4 * fewer} bytes below {name}, in " in finding.found
        assert finding.place is not None
        assert finding.place.function.startswith("recurse")


POOL = """
extern uint8_t bss_end[], stack_bottom[];
static uint32_t *next_free, pool[600] __attribute__((aligned(8), unused));
__attribute__((noinline)) static uint32_t *allocate(uint32_t words)
{
    uint32_t *block = next_free;

    block[0] = words;
    next_free += words + 2;
    return block + 2;
}
"""


def allocated(filler: int) -> str:
    """The painted tasks with stacks that are allocated, with so many written words of other data between them."""
    code = re.sub(
        r"static uint32_t stacks\[TASKS\]\[96\][^;]*;", f"{POOL}static uint32_t *stacks[TASKS];", PAINTED
    )
    code = re.sub(r"static uint32_t own_stack\[160\][^;]*;", "static uint32_t *own_stack;", code)
    data = f"    for (uint32_t i = 0, *data = allocate({filler}); i < {filler}; i++) data[i] = 0x01010101 * i + 7;\n"
    allocations = "    next_free = (uint32_t *)HEAP;\n" + "".join(
        f"    {name} = allocate({words});\n{data}"
        for name, words in (("stacks[1]", 96), ("stacks[2]", 96), ("own_stack", 160))
    )
    return code.replace("void scenario(void)\n{\n", "void scenario(void)\n{\n" + allocations)


HEAPS = {
    "a pool": "pool",
    "right after the variables": "bss_end",
    "right below the main stack": "stack_bottom - 4 * (96 + 96 + 160 + 3 * (DATA + 4))",
}


@pytest.mark.parametrize("data", [6, 40])
@pytest.mark.parametrize("heap", HEAPS)
def test_stacks_in_a_heap_are_told_apart(heap: str, data: int, builder: Builder) -> None:
    """Stacks that are allocated use what their paint says; the heap around them and below the main stack is not use.

    No variable shows where the first begins; what code sets the process stack pointer to does.
    The heap does not count either where the limit that the layout gives the main stack is below it.
    """
    code = allocated(data).replace("HEAP", HEAPS[heap].replace("DATA", str(data))).replace("DEPTH", "5")
    case = Case("case", "stacks", Source(code, (), "gcc", ("-O1",)), Source())
    result = (built := product_of(case, builder.build(case))).rehearse()
    assert result.passes
    own, *tasks = [int(used, 16) for used in re.findall(r"station: \w+ (\w{8})\b", result.texts["station"])]
    station = result.cores[0]
    *lower, highest = [stack.used for stack in sorted(station.stacks, key=lambda each: each.top)]
    assert lower == tasks
    assert own <= highest <= own + RESERVED
    assert {stack.name for stack in station.stacks} == {"pool" if heap == "a pool" else ""}
    assert station.stack_room == 0x800
    assert 32 <= (station.stack_used or 0) <= 128
    text = f"{built.read.text}\n[rehearsal.stack_size]\nstation = 0x2000\n"
    built.read = read_layout(text.encode(), "x.toml")
    lower_limit = built.rehearse().cores[0]
    assert (lower_limit.stack_room, lower_limit.stack_used) == (0x2000, station.stack_used)


SWAPPED = r"""
uint32_t own[96] __attribute__((aligned(8))), one[96] __attribute__((aligned(8)));
uint32_t two[96] __attribute__((aligned(8)));
static uint32_t *volatile saved_main, *volatile saved_one, *volatile saved_two;
__attribute__((naked, noinline)) void swap(uint32_t *volatile *from, uint32_t *to)
{
    __asm__("push {r4-r7, lr}\n mov r2, sp\n str r2, [r0]\n mov sp, r1\n pop {r4-r7, pc}");
}
__attribute__((noinline)) static uint32_t recurse(uint32_t depth)
{
    volatile uint32_t kept[4];

    kept[depth & 3] = depth;
    return depth ? recurse(depth - 1) + kept[depth & 3] : 1;
}
static void first(void) { for (;;) { recurse(2); swap(&saved_one, saved_two); } }
static void second(void) { for (;;) { recurse(4); swap(&saved_two, saved_main); } }
__attribute__((used)) void body(void)
{
    saved_one = &one[91];
    saved_one[4] = (uint32_t)first;
    saved_two = &two[91];
    saved_two[4] = (uint32_t)second;
    for (int i = 0; i < 3; i++) {
        swap((uint32_t *volatile *)&saved_main, saved_one);
    }
}
__attribute__((naked, noinline)) static void on_own(void)
{
    __asm__("push {r4, lr}\n ldr r0, =own + 384\n msr psp, r0\n movs r0, #2\n msr control, r0\n isb\n bl body\n"
            " movs r0, #0\n msr control, r0\n isb\n pop {r4, pc}\n .ltorg");
}
void scenario(void) { on_own(); }
"""


@pytest.mark.parametrize("level", ["-O0", "-O2"])
def test_tasks_that_are_switched_without_exceptions_have_stacks_of_their_own(
    level: str, builder: Builder
) -> None:
    """A kernel that only moves the process stack pointer in thread mode: three stacks side by side, each apart."""
    case = Case("case", "stacks", Source(SWAPPED, (), "gcc", (level,)), Source())
    result = product_of(case, builder.build(case)).rehearse()
    assert result.passes
    used = {stack.name: stack.used for stack in result.cores[0].stacks}
    assert (sorted(used), len(result.cores[0].stacks)) == (["one", "own", "two"], 3)
    assert 20 <= used["one"] < used["two"] <= 384


@pytest.mark.parametrize("size", [32, 36, 104, 108])
def test_a_frame_that_a_handler_puts_below_the_last_one_is_on_that_stack(size: int) -> None:
    """Kernels return to thread mode by a frame of their own below the interrupted one; further away is another task."""
    for distance, stacks in ((size, 1), (size + 8, 2)):
        watch = StackWatch(cast("EmulatedCore", SimpleNamespace(pc=0, time=0, now=lambda: 0)))
        watch.leaves(0x2000_1000, 0)
        watch.resumes(0x2000_1000 - distance, 0x2000_1000 - distance + size)
        assert len(watch.process_stacks) == stacks


DEEP_TASK = """__attribute__((noinline)) static uint32_t inner(void) { return *(volatile uint32_t *)OWN_RAM & 1; }
__attribute__((noinline)) static uint32_t descend(void)
{
    volatile uint32_t kept[WORDS];

    kept[0] = inner();
    return kept[0] + inner();
}
static void other"""


@pytest.mark.parametrize("level", ["-O0", "-O2"])
def test_a_task_that_grows_into_another_ones_stack_is_named(level: str, builder: Builder) -> None:
    """Of two stacks in one array the upper one may be filled to its last word; a word more is in use by the other."""
    code = PAINTED.replace("static void other", DEEP_TASK).replace("finished < 2", "finished < 9")
    code = code.replace("recurse(me == 1 ? DEPTH : 1)", "(me == 1 ? recurse(1) : descend())")
    code = code.replace("(;;) {\n        yield_now();", "(;;) {\n        finished++;\n        yield_now();")
    seen: set[bool] = set()
    for words in (60, 68, 76, 80, 84, 92, 120):
        source = Source(code.replace("WORDS", str(words)), (), "gcc", (level,))
        case = Case("case", "stacks", source, Source())
        result = product_of(case, builder.build(case)).rehearse()
        found = result.finding("stacks-overlap")
        seen.add(found is not None)
        if found:
            assert "uses RAM of a process stack for another process stack" in found.what
            assert [each for each in result.findings if each.severity == "error"] == [found]
            assert found.place
            assert found.place.function.partition(" ")[0] in ("descend", "inner")
        used = max(stack.used for stack in result.cores[0].stacks if stack.name == "stacks")
        assert (used > 4 * 96) is (found is not None)
    assert seen == {False, True}


def test_the_stack_of_a_task_that_ended_may_be_used_again() -> None:
    """RAM of a stack that thread code has left is another one's; where that code goes on after all, they overlap."""
    reports: list[str] = []
    core = SimpleNamespace(pc=0, time=0, blocks=SimpleNamespace(sets_limits=False))
    core.now, core.report = lambda: core.time, lambda kind, *_: reports.append(kind)
    watch = StackWatch(cast("EmulatedCore", core))
    watch.resumes(0x2000_0FE0, 0x2000_1000)
    core.time = 10
    watch.leaves(0x2000_0F00, 0)
    watch.resumes(0x2000_17E0, 0x2000_1800)
    core.time = 20
    watch.leaves(0x2000_0E00, 0)
    watch.resumes(0x2000_0E00, 0x2000_0E20)
    assert reports == []
    watch.leaves(0x2000_0E00, 0)
    watch.resumes(0x2000_0F00, 0x2000_0F20)
    assert reports == ["stacks-overlap"]


SPLIT = """ldr r0, ={process:#x}
 msr psp, r0
 ldr r0, ={main:#x}
 msr msp, r0
 movs r0, #2
 msr control, r0
 isb
 push {{r4}}
 svc 0
 pop {{r4}}
"""
TOP = 0x3800_8000
SPLITS = {
    "one stack": (TOP, TOP, True),
    "below the handlers": (TOP - 32, TOP, False),
    "within the handlers": (TOP - 24, TOP, True),
    "far below": (TOP - 0x1000, TOP, False),
    "handlers below": (TOP, TOP - 0x100, False),
    "handlers right below": (TOP, TOP - 40, False),
    "handlers within": (TOP, TOP - 32, True),
    "handlers elsewhere": (TOP, TOP - 0x7000, False),
}


@pytest.mark.parametrize("name", SPLITS)
def test_a_process_stack_that_handlers_use_is_found(name: str) -> None:
    """A main stack's area may be split in any way, as long as handlers and thread code stay apart."""
    process, main, found = SPLITS[name]
    program = SPLIT.format(process=process, main=main)
    result = run(program + SLEEP, "", handler="push {r4-r10, lr}\n bl 1f\n pop {r4-r10, pc}\n1: ")
    finding = result.finding("stacks-overlap")
    assert (finding is not None) is found
    if finding:
        assert "for its main stack" in finding.what


def test_kernels_task_stacks_fit_their_variables() -> None:
    """Every task of the kernel has a stack of its own, within its variable; main stack and process stacks apart."""
    result = product("mainline", "gcc-O2", "gcc-O2").rehearse()
    for core in result.cores:
        assert len(core.stacks) >= 3
        assert all(stack.name and stack.room and 32 <= stack.used <= stack.room for stack in core.stacks)
        assert core.stack_used is None or core.stack_used < (core.stack_room or 0)


RECURSE = "1: push {{r4, lr}}\n sub sp, #{frame}\n subs r0, #1\n beq 2f\n bl 1b\n2: add sp, #{frame}\n pop {{r4, pc}}\n"
STORE = "str r0, [sp]\n"
DEEP = {
    "small frames": "movs r0, #{depth}\n bl 1f\n b 9f\n" + RECURSE,
    "a large frame": "sub.w sp, sp, #{bytes}\n" + STORE,
    "a frame by register": "ldr r1, ={bytes}\n sub.w sp, sp, r1\n" + STORE,
    "a frame by addition": "ldr r1, =-{bytes}\n add sp, r1\n" + STORE,
    "a frame by move": "mov r1, sp\n sub.w r1, r1, #{bytes}\n mov sp, r1\n" + STORE,
    "an exception frame": "ldr r1, =0x38008000 - {bytes} + 88\n msr msp, r1\n svc #0\n",
}


@pytest.mark.parametrize("size", [0x200, 0x800, 0xA04, 0x1800])
@pytest.mark.parametrize("way", DEEP)
def test_stack_limit_is_held_however_it_is_passed(way: str, size: int, tmp_path: Path) -> None:
    """A stack of each size that is used to its last word is sound; one that is passed is found."""
    for beyond, found in ((0, False), (64, True)):
        depth = size // 32 + (2 if beyond else 0)
        program = DEEP[way].format(depth=depth, frame=24, bytes=(size & ~7) + beyond)
        program += "9: wfi\n b 9b\n .ltorg\n"
        image = image_of("ldr r2, =0x38000100\n str r2, [r2]\n" + program, tmp_path)
        layout = (
            gauge("in-place", with_table=False).read.text + f"\n[rehearsal.stack_size]\nstation = {size}\n"
        )
        options = RehearsalOptions(budget=50_000, isolate=False, exact=False)
        rehearsal = rehearse(read_layout(layout.encode(), "x.toml"), image, {}, options)
        assert (rehearsal.finding("below-stack-limit") is not None) is found, rehearsal.findings


PUSHES = {
    "push": ("push {r0-r4, lr}", 24),
    "push.w": ("push.w {r0-r11, lr}", 52),
    "one word": ("str r0, [sp, #-4]!", 4),
    "two words": ("strd r0, r1, [sp, #-8]!", 8),
    "stmdb": ("stmdb sp!, {r4, r5}", 8),
    "a byte": ("strb r0, [sp, #-4]!", 4),
}


@pytest.mark.parametrize("way", PUSHES)
@pytest.mark.parametrize("size", [0x40, 0x1400])
def test_a_single_push_across_the_limit_is_found(way: str, size: int, tmp_path: Path) -> None:
    """It begins above the limit, so that the stack pointer passes that with the last push alone, by 4 bytes or more.

    One that ends at the limit is sound, and so is code that then writes a variable right below the stack.
    """
    push, pushed = PUSHES[way]
    layout = gauge("in-place", with_table=False).read.text + f"\n[rehearsal.stack_size]\nstation = {size}\n"
    read = read_layout(layout.encode(), "x.toml")
    for beyond in (-4, 0, *range(4, pushed + 1, 4)):
        program = (
            f"ldr r2, =0x38000100\n str r2, [r2]\n ldr r1, ={size - pushed + beyond}\n sub.w sp, sp, r1\n"
            f" str r0, [sp]\n {push}\n ldr r1, =0x38008000 - {size}\n subs r1, #4\n str r0, [r1]\n"
        )
        image = image_of(program + SLEEP, tmp_path)
        rehearsal = rehearse(read, image, {}, RehearsalOptions(budget=50_000, isolate=False, exact=False))
        found = rehearsal.finding("below-stack-limit")
        assert (found is not None) is (beyond > 0), (beyond, rehearsal.findings)


def test_paint_below_the_main_stack_is_not_use(tmp_path: Path) -> None:
    """Start-up code that fills its own main stack with one value has used no more than it pushes."""
    program = (
        "ldr r0, =0x38007000\n mov r1, sp\n ldr r2, =0x55555555\n1: str r2, [r0]\n adds r0, #4\n"
        " cmp r0, r1\n blo 1b\n push {r0-r7}\n pop {r0-r7}\n9: wfi\n b 9b\n .ltorg\n"
    )
    image = image_of(program, tmp_path)
    layout = gauge("in-place", with_table=False).read.text
    layout += "\n[rehearsal.stack_size]\nstation = 0x1000\n"
    options = RehearsalOptions(budget=50_000, isolate=False, exact=False)
    station = rehearse(read_layout(layout.encode(), "x.toml"), image, {}, options).cores[0]
    assert (station.stack_used, station.stack_room) == (32, 0x1000)


MOVES = {
    "mov": "ldr r1, ={top}\n mov sp, r1\n",
    "after a save": "mov r5, sp\n ldr r2, =0x38000100\n str r5, [r2, #4]\n ldr r1, ={top}\n mov sp, r1\n",
    "mov.w": "ldr r1, ={top}\n mov.w sp, r1\n",
    "from a call": "ldr r0, ={top}\n bl 3f\n b 4f\n3: bx lr\n4: mov sp, r0\n",
    "ldr": "ldr r2, =0x38000100\n ldr r1, ={top}\n str r1, [r2, #8]!\n ldr sp, [r2], #4\n",
    "literal": "ldr sp, ={top}\n",
    "msr": "ldr r1, ={top}\n msr msp, r1\n",
    "ldm": "ldr r2, =0x38000100\n ldr r1, ={top}\n str r1, [r2, #8]\n ldm r2, {{r1, r3, r6, r8}}\n mov sp, r6\n",
}
BACK = "mov sp, r4\n"
OVERFLOW = "ldr r1, ={deep}\n sub.w sp, sp, r1\n str r0, [sp]\n"


@pytest.mark.parametrize("gap", [0, 8])
@pytest.mark.parametrize(("way", "size"), [*((way, 0x40) for way in MOVES), ("mov", 0x7000)])
def test_a_main_stack_that_is_moved_to_another_stack(way: str, size: int, gap: int, tmp_path: Path) -> None:
    """A stack below the first one does not pass its limit, by a push or by a frame; back on it, code may."""
    layout = gauge("in-place", with_table=False).read.text + f"\n[rehearsal.stack_size]\nstation = {size}\n"
    read = read_layout(layout.encode(), "x.toml")
    beginning = "mrs r0, ipsr\n cbnz r0, 8f\n ldr r2, =0x38000100\n str r2, [r2]\n mov r4, sp\n" + MOVES[
        way
    ].format(top=0x3800_8000 - size - gap)
    end = "9: wfi\n b 9b\n8: bx lr\n .ltorg\n"
    for more, found in (("", False), (BACK, False), (BACK + OVERFLOW.format(deep=size + 64), True)):
        for first in ("push {r0-r3}\n", "svc #0\n"):
            image = image_of(beginning + first + more + end, tmp_path)
            rehearsal = rehearse(read, image, {}, RehearsalOptions(budget=50_000, isolate=False, exact=False))
            assert (rehearsal.finding("below-stack-limit") is not None) is found, rehearsal.findings


@pytest.mark.parametrize("past", [0, 1, 3])
@pytest.mark.parametrize("way", MOVES)
def test_a_stack_pointer_drops_its_two_lowest_bits(way: str, past: int) -> None:
    """A stack top that is no multiple of four works, each time that it is set (DDI 0553, "SP", from memory)."""
    twice = (
        f"movs r7, #2\n2: {MOVES[way].format(top=0x3800_7000 + past)} push {{r0}}\n subs r7, #1\n bne 2b\n"
    )
    rehearsal = run(f"{twice} mov r3, sp\n" + result("r3") + SLEEP, "")
    assert word(rehearsal) == 0x3800_6FFC


@pytest.mark.parametrize(
    ("code", "moved"),
    [
        ("sub.w r0, r3, #31\n mov sp, r0", -32),
        ("subs r0, r3, #6\n mov r1, r0\n nop\n mov sp, r1", -8),
        ("subs r0, r3, #6\n mov.w sp, r0", -8),
        ("movs r0, #3\n negs r0, r0\n add sp, r0", -4),
        ("movs r0, #41\n sub.w sp, sp, r0", -44),
        ("movs r0, #7\n sub.w sp, sp, r0, lsl #1", -16),
        ("sub.w sp, sp, #6", -8),
        ("strb r0, [sp, #-1]!", -4),
        ("cmp r3, r3\n it eq\n subeq.w sp, sp, #5", -8),
        ("cmp r3, r3\n it ne\n subne.w sp, sp, #5", 0),
        ("movs r0, #40\n sub.w sp, sp, r0", -40),
        ("sub.w r0, r3, #32\n mov sp, r0", -32),
        ("movs r0, #5\n sub.w sp, sp, r0, lsl #2", -20),
    ],
)
@pytest.mark.parametrize("again", [1, 3])
def test_a_stack_pointer_that_is_computed_drops_them_too(code: str, moved: int, again: int) -> None:
    """The next instruction finds a multiple of four, each time (DDI 0553, "SP", from memory)."""
    body = f"mov r3, sp\n mov r5, #{again}\n2: mov sp, r3\n {code}\n mov r2, sp\n subs r5, #1\n bne 2b\n"
    rehearsal = run(body + "mov sp, r3\n subs r2, r2, r3\n" + result("r2") + SLEEP, "")
    assert word(rehearsal) == moved & 0xFFFF_FFFF


IN_BLOCKS = {
    "add": ("movs r0, #5\n cmp r3, r3\n itt eq\n addeq sp, r0\n moveq r6, sp", 4),
    "add, and one is skipped": (
        "movs r0, #5\n cmp r3, r3\n itet eq\n addeq sp, r0\n movne r6, #1\n moveq r6, sp",
        4,
    ),
    "sub, and a push": (
        "movs r0, #5\n cmp r3, r3\n ittt eq\n subeq.w sp, sp, r0\n pusheq {r0}\n moveq r6, sp",
        -12,
    ),
    "mov": ("sub.w r0, r3, #5\n cmp r3, r3\n itt eq\n moveq sp, r0\n moveq r6, sp", -8),
    "ldr": ("sub.w r0, r3, #5\n str r0, [r3]\n cmp r3, r3\n itt eq\n ldreq sp, [r3]\n moveq r6, sp", -8),
    "writeback": ("cmp r3, r3\n itt eq\n strbeq r0, [sp, #-1]!\n moveq r6, sp", -4),
    "none": ("movs r0, #5\n cmp r3, r3\n itet ne\n addne sp, r0\n moveq r6, sp\n movne r6, #1", 0),
    "a multiple": ("cmp r3, r3\n itt eq\n subeq.w sp, sp, #8\n moveq r6, sp", -8),
}


@pytest.mark.parametrize("again", [1, 3])
@pytest.mark.parametrize("name", IN_BLOCKS)
def test_the_next_instruction_of_an_if_then_block_finds_none(name: str, again: int) -> None:
    """The core does not stop in a block (DDI 0553, "SP", from memory)."""
    code, moved = IN_BLOCKS[name]
    body = f"mov r3, sp\n subs r3, #64\n mov r5, #{again}\n2: mov sp, r3\n {code}\n subs r5, #1\n bne 2b\n"
    rehearsal = run(body + "mov sp, r3\n subs r2, r6, r3\n" + result("r2") + SLEEP, "")
    assert word(rehearsal) == moved & 0xFFFF_FFFF


@pytest.mark.parametrize(("count", "moved"), [(MAX_LOOKS, -8), (MAX_LOOKS + 1, -6)])
def test_it_drops_them_so_many_times(count: int, moved: int) -> None:
    """A pointer that is computed is looked at ``MAX_LOOKS`` times, as the limits of a rehearsal say."""
    loop = f"mov r3, sp\n mov r5, #{count}\n2: movs r0, #8\n cmp r5, #1\n it eq\n moveq r0, #6\n"
    program = f"{loop} sub.w sp, sp, r0\n mov r2, sp\n mov sp, r3\n subs r5, #1\n bne 2b\n subs r2, r2, r3\n"
    assert word(run(program + result("r2") + SLEEP, "")) == moved & 0xFFFF_FFFF


@pytest.mark.parametrize(
    ("code", "register", "expected"),
    [
        ("mov r1, sp\n subs r1, #64", 1, True),
        (
            "subs r3, r0, #3\n bic.w r3, r3, #7\n mov r2, sp\n subs r3, r2, r3\n ldr r5, [r0]\n mov r4, r3",
            4,
            True,
        ),
        ("add r0, sp, #16\n bl .\n mov r1, r0", 1, False),
        ("add r4, sp, #16\n bl .\n mov r1, r4", 1, True),
        ("mov r1, sp\n ldr r1, [r0]", 1, False),
        ("mov r1, sp\n movw r1, #0x1000\n movt r1, #0x3800", 1, False),
        ("pop {r1, r2}", 2, False),
        ("nop", 0, False),
    ],
)
def test_what_a_stack_pointer_is_computed_from(
    code: str, register: int, expected: bool, tmp_path: Path
) -> None:
    """Compilers' ways to a variable array start from the stack pointer, a switch of stacks from memory."""
    assert comes_from_stack(assembled(code, tmp_path), register) is expected


@pytest.mark.parametrize("fill", [b"\xff", b"\xde\xad\xbe\xef"])
def test_bytes_that_no_longer_hold_the_fill_are_counted(fill: bytes) -> None:
    """Wherever the range begins and ends, past the memory too; a byte written with the fill's value does not count."""
    memory = Backing(MemoryPlan("ram", "ram", 64, fill, ()), 0)
    assert memory.touched(0, 64) == 0
    for offset, data in ((0, b"\0"), (9, b"\0\1"), (33, (fill * 4)[1:5] + b"\0"), (63, b"\0")):
        memory.write(offset, data)
    held = memory.read(0, 64)
    for first in range(64):
        for size in (1, 5, 64):
            differ = [held[at] != (fill * 64)[at] for at in range(first, min(first + size, 64))]
            assert memory.touched(first, size) == sum(differ)

"""High-water marks: of the main stack and of each task's stack, as a program measures them by paint."""

from __future__ import annotations

import re

import pytest
from kernel_products import product
from rehearse.differential.building import GCC, Builder
from rehearse.differential.cases import Case, Source
from rehearse.differential.judge import product_of
from rehearse.differential.programs.switching import kernel, main_on_psp
from tools import required_tool

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


@pytest.mark.parametrize("level", ["-O0", "-O2"])
@pytest.mark.parametrize("depth", [2, 7])
def test_each_task_uses_what_its_paint_says(
    depth: int, level: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Two stacks side by side in one array, one elsewhere: bytes used, room and variable of each."""
    required_tool(GCC)
    builder = Builder(tmp_path_factory.mktemp("programs"))
    source = Source(PAINTED.replace("DEPTH", str(depth)), (), "gcc", (level,))
    result = product_of(case := Case("case", "stacks", source, Source()), builder.build(case)).rehearse()
    assert result.passes
    measured = {
        name: int(used, 16)
        for name, used in re.findall(r"station: (own|one|two) (\w+)", result.texts["station"])
    }
    station = result.cores[0]
    used = {(stack.name, stack.used) for stack in station.stacks}
    assert used == {("own_stack", measured["own"]), ("stacks", measured["one"]), ("stacks", measured["two"])}
    rooms = sorted(stack.room or 0 for stack in station.stacks)
    assert rooms[0] == 96 * 4
    assert rooms[1:] in ([2 * 96 * 4, 160 * 4], [160 * 4, 2 * 96 * 4])
    assert result.cores[1].stacks == ()


def test_kernels_task_stacks_fit_their_variables() -> None:
    """Every task of the kernel has a stack of its own, within its variable; main stack and process stacks apart."""
    result = product("mainline", "gcc-O2", "gcc-O2").rehearse()
    for core in result.cores:
        assert len(core.stacks) >= 3
        assert all(stack.name and stack.room and 32 <= stack.used <= stack.room for stack in core.stacks)
        assert core.stack_used is None or core.stack_used < (core.stack_room or 0)

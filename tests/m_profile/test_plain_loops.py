"""Loops that copy or fill memory: gone through at once, with the end that each instruction by itself gives."""

from __future__ import annotations

from pathlib import Path

import pytest
from start_runs import FROM, RAM, STORED, ran
from verdict_builds import builds_of, layout_of

from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.m_profile.execution import start_ways as module
from gemel.m_profile.execution.start_run import StartRun
from gemel.spans import Span

SIZE = 164 * 1024
ENDS = f"ldr r0, ={RAM}\nldr r1, ={RAM + SIZE}\nmovs r2, #0\n"
FILLS = {
    "words, to an end": f"{ENDS}1: str r2, [r0], #4\ncmp r0, r1\nblo 1b\n",
    "bytes, until equal": f"{ENDS}1: strb r2, [r0]\nadds r0, #1\ncmp r0, r1\nbne 1b\n",
    "a test first": f"{ENDS}1: cmp r0, r1\nbhs 2f\nstr r2, [r0]\nadds r0, #4\nb 1b\n2:\n",
    "a signed test": f"{ENDS}1: str r2, [r0], #4\ncmp r0, r1\nblt 1b\n",
    "down": f"{ENDS}1: subs r1, #4\nstr r2, [r1]\ncmp r1, r0\nbhi 1b\n",
    "an index down to zero": f"{ENDS}subs r1, r1, r0\n1: subs r1, #4\nstr r2, [r0, r1]\nbne 1b\n",
    "a count that passes zero": f"{ENDS}ldr r1, ={SIZE - 1}\n1: strb r2, [r0], #1\nsubs r1, #1\nbcs 1b\n",
    "four at a time": f"{ENDS}movs r3, #0\nmovs r4, #0\nmovs r5, #0\n1: stmia r0!, {{r2-r5}}\ncmp r0, r1\nbne 1b\n",
    "two and two": f"{ENDS}1: strd r2, r2, [r0]\nstr r2, [r0, #8]\nstr r2, [r0, #12]\nadds r0, #16\n"
    "cmp r0, r1\nbne 1b\n",
    "half-words": f"{ENDS}1: strh r2, [r0], #2\ncmp r1, r0\nbhi 1b\n",
    "a register that is tested": f"{ENDS}subs r1, r1, r0\n1: strb r2, [r0], #1\nsubs r1, #1\ncbz r1, 2f\nb 1b\n2:\n",
    "a store in an IT block": f"{ENDS}1: cmp r0, r1\nittt lo\nstrlo r2, [r0]\naddlo r0, #4\nblo 1b\n",
    "variables on the stack": f"{ENDS}str r0, [sp, #-8]!\nstr r1, [sp, #4]\n1: ldr r0, [sp]\nadds r3, r0, #4\n"
    "str r3, [sp]\n"
    "movs r2, #0\nstr r2, [r0]\nldr r0, [sp]\nldr r1, [sp, #4]\ncmp r0, r1\nblo 1b\nadd sp, #8\n",
    "the C library's": f"ldr r0, ={RAM}\nldr r2, ={SIZE}\nmovs r1, #0\nbl 8f\nb 9f\n8: adds r2, r0\nmovs r3, r0\n"
    "1: cmp r3, r2\nbne 2f\nbx lr\n2: strb r1, [r3]\nadds r3, #1\nb 1b\n9:\n",
}


@pytest.mark.parametrize("name", FILLS)
def test_the_end_of_a_long_fill_is_seen(name: str, tmp_path: Path) -> None:
    """164 KiB in whatever way, to the very last byte; it takes more instructions than are followed one by one."""
    run = ran(FILLS[name], tmp_path)
    assert (run.why_not, run.written[0]) == ("", Span(RAM, SIZE))


COPIES = {
    "words": "1: ldr r3, [r2], #4\nstr r3, [r0], #4\ncmp r0, r1\nblo 1b\n",
    "bytes": "1: ldrb r3, [r2], #1\nstrb r3, [r0], #1\ncmp r0, r1\nblo 1b\n",
    "by index": "movs r4, #0\nsubs r1, r1, r0\n1: ldr r3, [r2, r4]\nstr r3, [r0, r4]\n"
    "adds r4, #4\ncmp r4, r1\nbne 1b\n",
    "down": "subs r4, r1, r0\n1: subs r4, #4\nldr r3, [r2, r4]\nstr r3, [r0, r4]\nbne 1b\n",
    "several": "1: ldmia r2!, {r3-r6}\nstmia r0!, {r3-r6}\ncmp r0, r1\nblo 1b\n",
    "and a count": "movs r5, #0\n1: ldr r3, [r2], #4\nstr r3, [r0], #4\nadds r5, #1\ncmp r0, r1\nblo 1b\n"
    f"ldr r0, ={RAM + 0x2000}\nldr r2, ={FROM}\nstr r5, [r0]\n",
}


@pytest.mark.parametrize("name", COPIES)
def test_a_copy_is_seen_with_where_it_comes_from(name: str, tmp_path: Path) -> None:
    """Four thousand bytes, each from its own place."""
    run = ran(f"ldr r0, ={RAM}\nldr r1, ={RAM + STORED}\nldr r2, ={FROM}\n{COPIES[name]}", tmp_path)
    assert (run.why_not, [tuple(each) for each in run.copies]) == ("", [(FROM, Span(RAM, STORED))])


OTHERS = {
    "what ends at a byte of what is copied": f"ldr r2, ={FROM}\n1: ldrb r3, [r2], #1\nstrb r3, [r0], #1\n"
    "cmp r3, #0xF9\nbne 1b\n",
    "a value that counts": "movs r2, #0\n1: str r2, [r0], #4\nadds r2, #1\ncmp r0, r1\nblo 1b\n",
    "a gap in each turn": "1: str r2, [r0], #8\ncmp r0, r1\nblo 1b\n",
    "steps that grow": "movs r3, #4\n1: str r2, [r0]\nadds r0, r3\nadds r3, #4\ncmp r0, r1\nblo 1b\n",
    "a mask": "1: str r2, [r0], #4\nlsrs r3, r0, #12\nlsls r3, r3, #31\nbpl 1b\n",
    "a device's answer": "ldr r4, =0x40020000\n1: ldr r3, [r4]\ncmp r3, #0\nbeq 2f\nstr r2, [r0], #4\n"
    "2: cmp r0, r1\nblo 1b\n",
}


@pytest.mark.parametrize("name", [*FILLS, *OTHERS])
def test_what_is_gone_through_at_once_ends_as_by_single_instructions(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All that a run shows is the same, for loops that are plain and for those that only seem so."""
    ends = f"ldr r0, ={RAM}\nldr r1, ={RAM + 0x2000}\nmovs r2, #0\n"
    source = (
        FILLS[name].replace(str(SIZE), str(0x2000)).replace(ENDS, ends).replace(str(SIZE - 1), str(0x1FFF))
        if name in FILLS
        else ends + OTHERS[name]
    )
    source = source + f"ldr r6, ={RAM + 0x4000}\nstr r0, [r6]\n"
    at_once = ran(source, tmp_path)
    monkeypatch.setattr(module, "MAX_TRIES", 0)
    assert at_once == ran(source, tmp_path)


def _runs(station: str, sampler: str) -> dict[str, StartRun | None]:
    """Less the instructions, of which a run comes to more where its loops take fewer."""
    read, builds = layout_of("v7"), builds_of("v7", station, sampler)
    runs = Inspection(read, join(read, builds).image, builds).start_runs
    return {name: run and run._replace(gone=frozenset(), is_whole=False) for name, run in runs.items()}


@pytest.mark.parametrize(
    "pair",
    [
        ("station-library", "sampler-library"),
        ("station-tables", "sampler-stacks"),
        ("station", "sampler-board"),
    ],
)
def test_start_up_code_of_builds_does_the_same_at_once(
    pair: tuple[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """By a library, by tables and by labels."""
    at_once = _runs(*pair)
    monkeypatch.setattr(module, "MAX_TRIES", 0)
    assert at_once == _runs(*pair)


def test_a_loop_is_tried_no_more_often_than_the_limit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each attempt costs as much as the loop itself: MAX_TRIES of them for an instruction."""
    tried = list[int]()
    monkeypatch.setattr(module, "goes_through_plain_loop", lambda core, _: bool(tried.append(core.pc)))
    ran(f"{ENDS}{OTHERS['a gap in each turn']}", tmp_path)
    assert {tried.count(at) for at in tried} == {module.MAX_TRIES}

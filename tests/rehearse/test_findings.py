"""Each finding from a real compile: the small device of testdata/rehearsal, one fault at a time."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, cast

import pytest
from device_programs import DEVICE, RELEASE, SLEEP, load, run, store
from rehearsals import Case, device, kinds
from rehearse.differential.building import Builder
from rehearse.test_offers import layout, rehearsed

from gemel.rehearsal.raw_run import MAX_EVENTS, MAX_TEXT, RawEvent
from gemel.rehearsal.verdict.wording import words_for
from gemel.structs import replace

if TYPE_CHECKING:
    from gemel.rehearsal.verdict.code_names import CodeNames

SOURCES = {"station": "station.c", "sampler": "sampler.c"}

FATAL_OF_STATION = [
    ("unmapped-read", [("unmapped-read", "station")], "fault", "0x6000_0000"),
    ("unmapped-write", [("unmapped-write", "station")], "fault", "0x6000_0000"),
    ("jump-to-null", [("fetch-outside-code", "station")], "", "0x0000_0000"),
    ("write-to-flash", [("write-to-flash", "station")], "fault", "0x1000_3000"),
    ("asks-for-reset", [("reset-requested", "station")], "fault", ""),
    ("never-released", [("never-released", "station")], "ask_sampler", "sleeps"),
    ("without-key", [("release-without-key", "station")], "", "0x0000_0001"),
    ("wrong-address", [("released-at-wrong-address", "station")], "write_vector", "0x3000_8400"),
    ("released-before-vector", [("released-before-vector", "station")], "release_sampler", "0x5000_0010"),
    ("short-copy", [("copy-differs", "station")], "release_sampler", "offset 0x8100"),
    ("endless-loop", [("endless-loop", "station")], "fault", "neither"),
    ("counts-for-ever", [("never-released", "station")], "fault", "the budget ended"),
    ("write-to-other-core", [("write-to-other-core", "station")], "fault", "0x2000_4000"),
]
FATAL_OF_SAMPLER = [
    ("unmapped-read", [("unmapped-read", "sampler")], "fault", "0x6000_0000"),
    ("jump-into-data", [("fetch-outside-code", "sampler")], "", "0x3000_8"),
    ("undefined-instruction", [("undefined-instruction", "sampler")], "fault", "0xDE07"),
    ("breakpoint", [("breakpoint", "sampler")], "fault", "HardFault handler unexpected"),
    ("unaligned-pair", [("alignment-fault", "sampler")], "fault", ""),
    ("no-thumb-bit", [("invalid-state", "sampler")], "unexpected", ""),
    ("float-instruction", [("instruction-missing", "sampler")], "fault", "floating-point"),
    ("dsp-instruction", [("instruction-missing", "sampler")], "fault", "DSP"),
    ("write-to-other-core", [("write-to-other-core", "sampler")], "fault", "0x3000_0000"),
    ("write-to-own-code", [("write-to-own-code", "sampler")], "fault", "code of build sampler"),
    ("deep-recursion", [("below-stack-limit", "sampler")], "recurse", "stack pointer"),
    ("touches-serial", [("register-not-given", "sampler")], "fault", "0x5001_0000"),
    ("waits-for-nothing", [("endless-loop", "sampler")], "fault", "data_word"),
    ("fault-without-handler", [("breakpoint", "sampler")], "fault", "locks up"),
    (
        "keeps-lock",
        [("lock-not-given-back", "sampler")],
        "",
        "0x5000_0020",
    ),
    ("without-lock", [("without-lock", "sampler")], "measure", "area link"),
    ("gives-back-twice", [("lock-not-held", "sampler")], "fault", "free"),
    ("bad-interrupt-vector", [("bad-vector", "sampler")], "run", "0x4000_0000"),
]


def test_sound_pair_reaches_every_goal() -> None:
    """Handshakes by interrupts, lock and shared memory work, and nothing is found."""
    rehearsal = device().rehearse()
    assert rehearsal.findings == ()
    assert all(goal.reached for goal in rehearsal.goals)
    assert rehearsal.texts["serial"].splitlines() == [
        "station: lamps lit",
        "station: start",
        "station: level 1182 mm",
        "station: done",
    ]
    taken = [
        (event.core, event.numbers["number"]) for event in rehearsal.events if event.kind == "exception-taken"
    ]
    assert taken == [("sampler", 16 + 5), ("station", 16 + 3)]


@pytest.mark.parametrize(
    ("fault", "expected", "function", "found"),
    FATAL_OF_STATION,
    ids=lambda v: v if isinstance(v, str) else "",
)
def test_fault_of_the_station_is_found(
    fault: str, expected: list[tuple[str, str]], function: str, found: str
) -> None:
    """The finding is the one that the fault deserves, in the function and with the value that it has."""
    _held_to(device(station=fault).rehearse(), expected, function, found)


@pytest.mark.parametrize(
    ("fault", "expected", "function", "found"),
    FATAL_OF_SAMPLER,
    ids=lambda v: v if isinstance(v, str) else "",
)
def test_fault_of_the_sampler_is_found(
    fault: str, expected: list[tuple[str, str]], function: str, found: str
) -> None:
    """The same for the core that runs from RAM and sees it elsewhere."""
    _held_to(device(sampler=fault).rehearse(), expected, function, found)


NAMED = "\n[rehearsal.register_name]\n" + "".join(
    f"R_{at:X} = {at:#x}\n" for start in (0x5000_0000, 0x5001_0000) for at in range(start, start + 0x80, 4)
)


@pytest.mark.parametrize(
    ("station", "sampler"),
    [
        ("never-released", "none"),
        ("without-key", "none"),
        ("released-before-vector", "none"),
        ("none", "touches-serial"),
        ("none", "keeps-lock"),
        ("none", "without-lock"),
        ("none", "gives-back-twice"),
        ("touches-nobodys", "touches-nobodys"),
    ],
)
def test_findings_name_the_registers(station: str, sampler: str) -> None:
    """Where the layout has names the register's follows each address of a device, and there is one."""
    case = device(station, sampler)
    (finding,) = Case(case.read.text + NAMED, case.elves).rehearse().findings
    said = " ".join((finding.what, finding.found, finding.expected, finding.next_step))
    registers = re.findall(r"0x(500[01]_[0-9A-F]{4})( \([^)]*\))?", said)
    assert registers
    assert {name for _, name in registers} == {f" (R_{at.replace('_', '')})" for at, _ in registers}


def _held_to(rehearsal, expected, function, found) -> None:  # type: ignore[no-untyped-def]
    assert kinds(rehearsal) == expected  # one finding for one cause
    assert not rehearsal.passes
    finding = rehearsal.findings[0]
    assert finding.place is not None
    assert finding.place.function.partition(" + ")[0] == function or not function
    if function:
        assert finding.place.source.rpartition(":")[0] in ("core.c", "core.h", "station.c", "sampler.c")
        assert int(finding.place.source.rpartition(":")[2]) > 0
    assert found in finding.found
    assert finding.what
    assert finding.next_step


def test_registers_of_both_cores_are_a_warning() -> None:
    """A register that the layout gives to nobody and both cores touch is told of; the image passes."""
    rehearsal = device(station="touches-nobodys", sampler="touches-nobodys").rehearse()
    assert kinds(rehearsal) == [("register-of-both-cores", "sampler")]
    assert rehearsal.passes


def test_read_of_unwritten_ram_is_found_by_the_watch_only() -> None:
    """The watch for reads finds the one read of RAM that nobody wrote; without it nothing is said."""
    case = device(station="read-of-unwritten")
    assert case.rehearse().findings == ()
    found = case.rehearse(watches=("reads",)).findings
    assert [(finding.kind, finding.severity) for finding in found] == [("read-of-unwritten", "warning")]
    assert "0x2000_2000" in found[0].found
    assert found[0].place is not None
    assert found[0].place.source.startswith("core.c:")


def test_sound_pair_reads_nothing_unwritten() -> None:
    """The watch for reads says nothing of a sound pair."""
    assert device().rehearse(watches=("reads",)).findings == ()


def test_back_trace_leads_from_reset_to_the_fault() -> None:
    """The calls of a finding are those of the source, outermost first, each with its line."""
    finding = device(station="unmapped-read").rehearse().finding("unmapped-read")
    assert finding is not None
    assert [call.function.partition(" + ")[0] for call in finding.calls] == ["reset_handler", "run"]
    assert [call.source.partition(":")[0] for call in finding.calls] == ["core.c", "station.c"]


def test_status_register_tells_that_the_sampler_sleeps() -> None:
    """A station that watches the status word sees the sampler asleep."""
    rehearsal = device(station="watches-status").rehearse()
    assert "station: sampler sleeps" in rehearsal.texts["serial"]


def test_status_register_tells_that_the_sampler_is_locked_up() -> None:
    """A station that watches the status word sees that the sampler locked up."""
    replace = {"sleeping = 0x1\n": ""}
    rehearsal = device(
        "watches-status",
        "none",
        {**replace, "vector_register = 0x5000_0010": "vector_register = 0x5000_0018"},
    ).rehearse()
    assert "station: sampler locked up" in rehearsal.texts["serial"]


def test_goal_that_is_not_reached_is_a_finding() -> None:
    """A goal that nothing else explains is told of by itself."""
    replace = {'text = "station: done"': 'text = "station: gone"'}
    rehearsal = device(replace=replace).rehearse()
    assert kinds(rehearsal) == [("goal-not-reached", "station")]
    assert 'sends "station: gone"' in rehearsal.findings[0].what


def test_stack_size_of_the_layout_goes_first() -> None:
    """A stack size in the layout is the limit, whatever the build sets aside."""
    text = {"[[rehearsal.serial]]": "[rehearsal.stack_size]\nstation = 32\n\n[[rehearsal.serial]]"}
    finding = device(replace=text).rehearse().finding("below-stack-limit")
    assert finding is not None
    assert finding.core == "station"
    assert "0x2000_3FE0" in finding.expected


def test_a_fault_in_the_handler_of_a_fault_is_no_missing_handler() -> None:
    """Armv7-M B1.5.13 (from memory): a fault at the priority of HardFault locks the core up, sound vector or not."""
    numbers = {"handler": 0x1000_0105, "locked_up": 1, "nested": 1}
    event = RawEvent(9, "station", "division-by-zero", 0x1000_0104, numbers, {})
    names = cast("CodeNames", None)
    assert words_for(event, names).found.endswith("it is in its HardFault or NMI handler already")
    sound = words_for(replace(event, numbers={**numbers, "nested": 0}), names)
    assert "its HardFault vector 0x1000_0105 is no code of this core" in sound.found


def test_a_fault_under_faultmask_is_no_missing_handler() -> None:
    """Armv7-M B1.5.4 (from memory): FAULTMASK raises the priority to that of HardFault, which is then not entered."""
    numbers = {"handler": 0x1000_0105, "locked_up": 1, "nested": 0, "masked": 1}
    event = RawEvent(9, "station", "division-by-zero", 0x1000_0104, numbers, {})
    words = words_for(event, cast("CodeNames", None))
    assert words.found.endswith("FAULTMASK is set, so that no HardFault handler can be entered")
    assert "fill the HardFault vector" not in words.next_step


LINES, COLUMNS = MAX_EVENTS + 300, 32
SENDS = f"""
    ldr r0, ={DEVICE:#x}
    ldr r2, ={LINES}
1:  movs r3, #{COLUMNS - 1}
    movs r1, #46
2:  str r1, [r0]
    subs r3, #1
    bne 2b
    movs r1, #10
    str r1, [r0]
    subs r2, #1
    bne 1b
"""
NOBODYS = store(DEVICE + 0x100, "1")
LAST_WORDS = "ldr r2, =500\n3: subs r2, #1\n bne 3b\n" + store(DEVICE, "69") + store(DEVICE, "78")


def test_nothing_is_lost_behind_any_length_of_text() -> None:
    """A release, a start, a warning, a fault and a text goal after more lines and characters than are kept."""
    assert LINES * COLUMNS > MAX_TEXT
    table = (
        f"[[rehearsal.serial]]\nat = {DEVICE:#x}\n" + '[[rehearsal.goal]]\ncore = "station"\ntext = "EN"\n'
    )
    program = SENDS + NOBODYS + RELEASE + LAST_WORDS + SLEEP
    rehearsal = run(program, table, sampler=NOBODYS + load("r3", 0x6000_0000) + SLEEP, budget=400_000)
    assert kinds(rehearsal) == [("register-of-both-cores", "sampler"), ("unmapped-read", "sampler")]
    assert [goal.reached for goal in rehearsal.goals] == [True]
    assert rehearsal.event("released", "station")
    assert rehearsal.event("start", "sampler")
    assert sum(event.kind == "text" for event in rehearsal.events) == MAX_EVENTS
    assert len(rehearsal.texts["serial"]) == MAX_TEXT


WORDS = {
    "an interrupt without a vector": (
        "VTOR = 0x38000400; for (int i = 0; i < 16; i++) REG(0x38000400 + 4 * i) = REG(OWN_CODE + 4 * i); "
        "REG(0x38000400 + 4 * 21) = 0; enable_irq(5, 0); pend_irq(5); DSB(); ISB();",
        ("core station takes interrupt 5, whose vector is no code", "vector 21 is 0x0000_0000"),
    ),
    "RAM without code": (
        "((void (*)(void))0x38000401)();",
        ("core station executes what is not its code", "from where it goes on to what is no code"),
    ),
    "a return to a process stack that nobody set": (
        "ICSR = ICSR_PENDSV_SET; DSB(); ISB();",
        (
            "core station cannot unstack an exception frame",
            "the process stack pointer is 0x0000_0000, which no code",
        ),
    ),
}
TO_PROCESS_STACK = 'NAKED void pendsv_handler(void) { __asm volatile("mvn lr, #2\\n bx lr"); }\n'


@pytest.mark.parametrize("name", WORDS)
def test_words_of_faults(builder: Builder, name: str) -> None:
    """What was found, in the terms of the trade."""
    body, (what, found) = WORDS[name]
    program = f"{TO_PROCESS_STACK}void scenario(void) {{ {body} }}\n"
    (finding,) = rehearsed(builder, ("gcc", "-O1"), layout(), program).findings
    assert finding.what == what
    assert found in finding.found


def test_a_vector_register_that_is_written_too_late(builder: Builder) -> None:
    """A release before its vector address was written is one finding; that it is written later follows from it."""
    release = "void release_sampler(void) { CONTROL_REGISTER = 0; DSB(); VECTOR_REGISTER = SAMPLER_CODE; }\n"
    program = f"{release}void scenario(void) {{}}\n"
    (finding,) = rehearsed(builder, ("gcc", "-O1"), layout(), program).findings
    assert finding.kind == "released-before-vector"
    assert "the vector register is written after the release" in finding.found

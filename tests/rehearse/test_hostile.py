"""Images that want to do harm: each rehearsal ends within its budget, with a verdict and bounded memory."""

from __future__ import annotations

import os
import pickle
import random
import struct
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from rehearsals import gauge
from thumb import assembled

from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.rehearsal import session
from gemel.rehearsal.emulator.core.call_stack import MAX_FRAMES, MAX_STACKS_LEFT, CallStack, StackInUse
from gemel.rehearsal.raw_run import RawRun, RawTrace, TraceEntry, from_json, to_json
from gemel.rehearsal.result import Rehearsal
from gemel.rehearsal.session import RehearsalOptions, rehearse
from gemel.rehearsal.setup.planning import plan_of
from gemel.structs import replace

FLASH, RAM = 0x1000_0000, 0x3800_0000
BUDGET = 400_000


def run(code: bytes, stack: int = RAM + 0x8000, reset: int = FLASH + 0x401, **options: object) -> Rehearsal:
    """A rehearsal of ``code`` at 0x1000_0400 behind a vector table of the station."""
    image = SparseBytes()
    image.write(FLASH, struct.pack("<II", stack, reset) + struct.pack("<I", reset) * 14)
    image.write(FLASH + 0x400, code)
    settled = RehearsalOptions(**{"budget": BUDGET, **options})  # type: ignore[arg-type]
    return rehearse(gauge("in-place").read, image, {}, settled)


PROGRAMS = {
    "writes all memory": "ldr r0, =0x38000000\n1: str r1, [r0], #4\n b 1b",
    "writes all memory downwards": "ldr r0, =0x38020000\n1: str r1, [r0, #-4]!\n b 1b",
    "recursion without end": "1: push {r0-r7, lr}\n bl 1b",
    "supervisor calls without end": "1: svc 0\n b 1b",
    "serial without end": "ldr r0, =0x50200000\n1: str r0, [r0]\n b 1b",
    "newlines without end": "ldr r0, =0x50200000\n movs r1, #10\n1: str r1, [r0]\n b 1b",
    "every device register": "ldr r0, =0x50200000\n1: adds r0, #4\n str r0, [r0]\n ldr r1, [r0]\n b 1b",
    "system space": "ldr r0, =0xE000E000\n movs r1, #255\n1: str r1, [r0], #4\n b 1b",
    "tick interrupts": "ldr r0, =0xE000E010\n movs r1, #7\n str r1, [r0, #4]\n str r1, [r0]\n1: b 1b",
    "pends everything": "ldr r0, =0xE000E100\n mvn r1, #0\n str r1, [r0]\n str r1, [r0, #0x100]\n1: b 1b",
    "vector table into nothing": "ldr r0, =0xE000ED08\n ldr r1, =0x70000000\n str r1, [r0]\n svc 0",
    "stack pointer into devices": "ldr r0, =0x50200100\n mov sp, r0\n push {r0-r7}\n svc 0\n b .",
    "stack pointer into system space": "ldr r0, =0xE000F000\n mov sp, r0\n 1: push {r0-r7}\n b 1b",
    "returns from no exception": "ldr r0, =0xFFFFFFF9\n bx r0",
    "pops a magic value": "ldr r0, =0xFFFFFFFD\n push {r0}\n pop {pc}",
    "jumps to the top": "ldr r0, =0xFFFFFFFF\n bx r0",
    "waits without end": "1: wfe\n b 1b",
    "sleeps at once": "cpsid i\n wfi\n b .",
    "semihosting": "movs r0, #0x18\n bkpt 0xAB\n b .",
    "non-secure branch": "ldr r0, =0x10000400\n blxns r0",
    "secure gateway": "sg\n sg\n b .",
    "releases by a byte": "ldr r0, =0x50021118\n movs r1, #0\n strb r1, [r0]\n b .",
    "releases into nothing": "ldr r0, =0x50021114\n ldr r1, =0x77777777\n str r1, [r0]\n"
    " movs r1, #0\n str r1, [r0, #4]\n b .",
    "releases itself": "ldr r0, =0x50021114\n ldr r1, =0x10000000\n str r1, [r0]\n movs r1, #0\n"
    " str r1, [r0, #4]\n b .",
    "exclusive without end": "ldr r0, =0x38000000\n1: ldrex r1, [r0]\n strex r2, r1, [r0]\n b 1b",
    "wide accesses at edges": "ldr r0, =0x3801FFFE\n ldr r1, [r0]\n b .",
    "control register": "mvn r0, #0\n msr control, r0\n isb\n msr psp, r0\n push {r0}\n b .",
}


@pytest.mark.parametrize("name", PROGRAMS)
def test_hostile_program_ends_with_a_verdict(name: str, tmp_path: Path) -> None:
    """The rehearsal in its own process ends by itself; none of these programs passes as released."""
    # A write to the system space costs most of all that a program can do.
    rehearsal = run(assembled(PROGRAMS[name], tmp_path), budget=60_000 if name == "system space" else BUDGET)
    assert rehearsal.time <= BUDGET
    assert not rehearsal.passes
    assert rehearsal.finding("emulator-ended") is None
    assert len(rehearsal.events) <= 2000 + 100  # ordinary ones, and what is never left out
    assert all(len(text) <= 1 << 16 for text in rehearsal.texts.values())


@pytest.mark.parametrize("seed", range(12))
def test_noise_ends_with_a_verdict(seed: int) -> None:
    """Random bytes as code, with a sound vector table, end within the budget."""
    rehearsal = run(random.Random(seed).randbytes(8192))
    assert not rehearsal.passes
    assert rehearsal.finding("emulator-ended") is None


@pytest.mark.parametrize("stack", [0, 1, 0x5002_1118, 0xE000_ED08, 0xFFFF_FFFF, FLASH + 0x100])
@pytest.mark.parametrize("reset", [0, 1, FLASH, FLASH + 0x7FFF_FFFF & 0xFFFF_FFFF, 0xFFFF_FFFF, RAM + 1])
def test_noise_in_the_vector_table_ends_with_a_verdict(stack: int, reset: int) -> None:
    """Any stack pointer with any reset vector that is no code of the core is a finding."""
    image = SparseBytes()
    image.write(FLASH, struct.pack("<II", stack, reset) + b"\xa5" * 512)
    options = RehearsalOptions(budget=BUDGET, isolate=False)
    rehearsal = rehearse(gauge("in-place").read, image, {}, options)
    assert not rehearsal.passes


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.binary(min_size=2, max_size=64))
@example(b"|G")  # BXNS PC
def test_any_short_program_ends_with_a_verdict(code: bytes) -> None:
    """Any bytes in front of a sound image's reset handler give a rehearsal, never an exception."""
    image = SparseBytes()
    image.write(
        FLASH, struct.pack("<II", RAM + 0x8000, FLASH + 0x401) + struct.pack("<I", FLASH + 0x401) * 140
    )
    image.write(FLASH + 0x400, code)
    options = RehearsalOptions(budget=40_000, isolate=False)
    assert rehearse(gauge("in-place").read, image, {}, options).findings


def test_code_written_to_ram_is_run_and_found_to_hang(tmp_path: Path) -> None:
    """A loop that a program writes into its own RAM and jumps to runs there, and is found to be endless."""
    source = "ldr r0, =0x38000000\n ldr r1, =0xE7FEE7FE\n str r1, [r0]\n dsb\n isb\n adds r0, #1\n bx r0\n"
    rehearsal = run(assembled(source, tmp_path))
    finding = rehearsal.finding("endless-loop")
    assert finding is not None
    assert finding.place is not None
    assert finding.place.address == RAM


def test_empty_image_is_a_finding() -> None:
    """An image without a byte starts nothing: erased vectors are found."""
    options = RehearsalOptions(budget=BUDGET, isolate=False)
    rehearsal = rehearse(gauge("in-place").read, SparseBytes(), {}, options)
    assert [finding.kind for finding in rehearsal.findings] == ["vectors-erased"]


def test_crash_of_the_emulator_is_a_finding(monkeypatch: pytest.MonkeyPatch) -> None:
    """When the process with the emulator is killed by a signal, the rehearsal says so and fails."""
    monkeypatch.setattr(session, "CHILD", "import os, signal; os.kill(os.getpid(), signal.SIGSEGV)")
    finding = gauge("in-place").rehearse(isolate=True).finding("emulator-ended")
    assert finding is not None
    assert "SIGSEGV" in finding.found


def test_process_that_never_ends_is_stopped(monkeypatch: pytest.MonkeyPatch) -> None:
    """When the process with the emulator hangs, it is stopped after its time and the rehearsal fails."""
    monkeypatch.setattr(session, "CHILD", "import time; time.sleep(60)")
    monkeypatch.setattr(session, "SECONDS_TO_START", 0.3)
    monkeypatch.setattr(session, "INSTRUCTIONS_A_SECOND", 1e12)
    finding = gauge("in-place").rehearse(isolate=True).finding("emulator-ended")
    assert finding is not None
    assert "stopped" in finding.found


@pytest.mark.parametrize("answer", ["", "{}", "[1]", "no json", '{"events": 3}', "null"])
def test_nonsense_from_the_process_is_a_finding(answer: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is no run is never taken for one."""
    monkeypatch.setattr(session, "CHILD", f"import sys; sys.stdout.write({answer!r})")
    finding = gauge("in-place").rehearse(isolate=True).finding("emulator-ended")
    assert finding is not None
    assert "makes no sense" in finding.found


MEASURING = """\
import os, sys
child = os.posix_spawn(sys.executable, [sys.executable, "-c", sys.argv[1]], os.environ)
_, status, usage = os.wait4(child, 0)
sys.stderr.write(str(usage.ru_maxrss))
sys.exit(os.waitstatus_to_exitcode(status))
"""
"""Tells the peak of a program in KiB; small itself, since a process inherits the peak of who starts it."""


def test_memory_of_the_process_stays_bounded(tmp_path: Path) -> None:
    """A program that makes new code, registers and text all the time keeps the process below 400 MiB."""
    image = SparseBytes()
    image.write(FLASH, struct.pack("<II", RAM + 0x8000, FLASH + 0x401))
    image.write(FLASH + 0x400, assembled(PROGRAMS["every device register"], tmp_path))
    plan = plan_of(Inspection(gauge("in-place").read, image), 4_000_000)
    command = [sys.executable, "-c", MEASURING, session.CHILD]
    done = subprocess.run(command, input=pickle.dumps(plan), capture_output=True, check=True)
    assert len(from_json(done.stdout.decode("ascii")).accesses) > 1000
    assert int(done.stderr) < 400 << 10


def test_calls_kept_are_bounded() -> None:
    """Exceptions that never return to where they were taken, or are chained for ever, do not pile up."""
    stack = StackInUse(0x8000, False, True)
    calls = CallStack(lambda address, size: bytes(size), lambda: stack)
    for _ in range(1000):
        calls.enter_exception(0x1000, 0x7FE0, stack)
    assert calls.calls == [(0x1000, 0x1000, 0x7FE0)]
    for interrupted in range(0x2000, 0x4000, 2):
        calls.enter_exception(interrupted, 0x7FE0, stack)
    assert len(calls.calls) == MAX_FRAMES
    assert calls.calls[-1].place == 0x3FFE
    calls.enter_block(0x3FFC, 4)
    assert calls.calls[-1].place == 0x3FFA


def test_stacks_whose_calls_are_kept_are_bounded() -> None:
    """Of a core that always goes on with a new stack, the calls of the last ones that it left are kept."""
    thread = StackInUse(0x100, False, False)
    calls = CallStack(lambda address, size: bytes(size), lambda: thread)

    def goes(before: int, after: int) -> list[int]:
        calls.enter_exception(before, before, thread)
        calls.resume(after, after, False)
        return [call.place for call in calls.calls]

    stacks = range(0x100, 0x100 * (MAX_STACKS_LEFT + 3), 0x100)
    for pointer in stacks:
        assert goes(pointer, pointer + 0x100) == []
    last = stacks[-1]
    assert goes(last + 0x100, last) == [last]
    assert goes(last, stacks[0]) == []


def test_planted_modules_play_no_part(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Modules in the working folder and in PYTHONPATH are not imported, and open files are not inherited."""
    planted = "import os; os._exit(77)"
    for name in ("unicorn", "pickle", "json", "struct", "ctypes", "random", "sitecustomize", "gemel"):
        (tmp_path / f"{name}.py").write_text(planted, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    monkeypatch.setenv("PYTHONSTARTUP", str(tmp_path / "gemel.py"))
    monkeypatch.setenv("LIBUNICORN_PATH", str(tmp_path))
    rehearsal = gauge("in-place").rehearse(isolate=True)
    assert rehearsal.passes
    look = "import os, sys; print(sorted(os.environ), len(os.listdir('/proc/self/fd')), os.getcwd(), file=sys.stderr)"
    monkeypatch.setattr(session, "CHILD", f"{look}; sys.exit(9)")
    with (tmp_path / "open").open("wb") as kept:
        os.set_inheritable(kept.fileno(), True)
        finding = gauge("in-place").rehearse(isolate=True).finding("emulator-ended")
    assert finding is not None
    names, _, rest = finding.found.partition("it ended with 9: ")[2].partition("] ")
    assert "PYTHON" not in names
    assert rest.split() == ["4", "/"]  # three standard streams and the folder being listed


ENTRY = TraceEntry("station", "w", 0x0800_0100, "link", 4, 4, 7)
TRACED = RawRun(
    (), (), (), {}, (), "goals", 9, 8, (), {}, RawTrace((ENTRY, ENTRY), (("sampler", 0x0810_0000),))
)


@pytest.mark.parametrize(
    "run", [TRACED, replace(TRACED, trace=None), replace(TRACED, trace=RawTrace((), ()))]
)
def test_what_the_process_wrote_is_read_as_it_was(run: RawRun) -> None:
    """A run with and without a trace, and one whose trace has no entries."""
    assert from_json(to_json(run)) == run


@pytest.mark.parametrize(
    "text",
    ["", "7", "{}", "[]", "[{},[]]", *(to_json(TRACED).replace(*each) for each in (
        ('"w",', '9,'), ('"link",4,4,7', '"link",4,4'), ('"link",4,4,7', '"link",4,4,7,7'), ('"goals"', '1'),
        ('["station"', '{"station"'), ('[["station"', '[7,["station"'),
    ))],
)  # fmt: skip
def test_what_is_no_run_is_refused(text: str) -> None:
    """Text of another form, entries of other types or lengths, another type in the run."""
    with pytest.raises(ValueError):  # noqa: PT011 - of the parser's, or of ours
        from_json(text)

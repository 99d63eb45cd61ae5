"""Limits of a rehearsal, each at both its sides, in the parts that they are of: no emulator runs here."""

from __future__ import annotations

import struct
from functools import cache
from itertools import count as counted_from
from types import SimpleNamespace
from unittest.mock import MagicMock

import pytest
from both_sides import Limits, assert_both_sides
from rehearsals import device
from rehearse.test_registers import Bench
from rehearse.test_reports import IDENTITY
from small_device import builds, joined, layout

from gemel.layout.rehearsal_model import ReadyBits, SerialRegister
from gemel.rehearsal import session
from gemel.rehearsal.emulator import runner
from gemel.rehearsal.emulator.core.bus import CoreBus
from gemel.rehearsal.emulator.core.call_stack import calls_on
from gemel.rehearsal.emulator.core.device_accesses import RegisterPorts
from gemel.rehearsal.emulator.core.exceptions import CoreExceptions
from gemel.rehearsal.emulator.core.sleep import PATIENCE, CoreSleep
from gemel.rehearsal.emulator.core.stack_watch import NEAR, StackWatch
from gemel.rehearsal.emulator.device import Device
from gemel.rehearsal.emulator.device_events import EventLog
from gemel.rehearsal.emulator.device_run import SameState
from gemel.rehearsal.emulator.memory_watches import SharedTrace
from gemel.rehearsal.emulator.run_result import _lowest_used, result_of
from gemel.rehearsal.emulator.schedule import QUIET_TURNS, Schedule
from gemel.rehearsal.kinds import THINNED
from gemel.rehearsal.limits import limits_page
from gemel.rehearsal.plan import FILL
from gemel.rehearsal.raw_run import RawThread, RawTrace, TraceEntry
from gemel.rehearsal.reports.svg import _worth_a_label
from gemel.rehearsal.reports.text import report_of
from gemel.rehearsal.result import Happening, Rehearsal, RehearsalFinding
from gemel.rehearsal.session import RehearsalOptions, rehearse
from gemel.rehearsal.setup.planning import _size_problems
from gemel.rehearsal.verdict import orders
from gemel.rehearsal.verdict.orders import worst_of
from gemel.rehearsal.verdict.program_ends import waiting_tasks
from gemel.rehearsal.verdict.races import _changing
from gemel.spans import format_address
from gemel.structs import replace


def _ports(count: int) -> bool:
    """Whether all of ``count`` registers are remembered."""
    ports = RegisterPorts.__new__(RegisterPorts)
    ports._bus, ports._start, ports._ports = MagicMock(), 0x5000_0000, {}
    for number in range(count):
        assert ports._find(4 * number) is not None
    return len(ports._ports) == count


def _bad_returns(count: int) -> bool:
    """Whether a core goes on after ``count`` returns that do not fit."""
    core = MagicMock()
    exceptions = CoreExceptions.__new__(CoreExceptions)
    exceptions._core, exceptions._bad_returns = core, 0
    for _ in range(count):
        exceptions.cannot_return(3, 0)
    return not core.faults.stop.called


def _waits(longest: int) -> bool:
    """Whether a WFE may last so many instructions, after as many without an event."""
    core = MagicMock(time=0)
    core.coming.next.return_value = None
    core.bus.read_bytes.return_value = bytes.fromhex("20bf20bf")
    sleep = CoreSleep.__new__(CoreSleep)
    sleep._core, sleep.waits, sleep.event, sleep.spent = core, PATIENCE + longest - 1, False, 0
    sleep.wait()
    return core.time == longest


def _restarts(count: int) -> bool:
    """Whether code may request ``count`` resets of the device."""
    of = Device.__new__(Device)
    of._restarts, of.report = 0, MagicMock()
    return all(of.restarts(MagicMock(), 0) for _ in range(count))


def _thread_calls(count: int) -> bool:
    """Whether ``count`` return addresses on a stack give as many calls."""
    stack, call = struct.pack("<I", 0x1001) * count, struct.pack("<2H", 0xF000, 0xF800)
    bus = SimpleNamespace(read_bytes=lambda at, _: stack if at == 0x2000_0000 else call)
    core = SimpleNamespace(bus=bus, may_execute=lambda _: True)
    return len(calls_on(core, 0x2000_0000, 0x2000_0000 + 4 * count)) == count


def _tasks(count: int) -> bool:
    """Whether it is said of ``count`` tasks where they wait."""
    core = SimpleNamespace(name="station", threads=[RawThread(0x100, 0, False, 0x2000, ())] * count)
    names = SimpleNamespace(stack_at=lambda *_: None, function_name=lambda *_: "")
    return " more" not in waiting_tasks(core, names)


def _registers(count: int) -> bool:
    """Whether accesses to each of ``count`` registers are counted."""
    bench = Bench()
    for number in range(count):
        bench.read(4 * number)
    return len(bench.registers.accesses) == count


def _combined(count: int) -> bool:
    """Whether all combinations of ``count`` ready bits are what a register may read."""
    ready = tuple(ReadyBits(at=0, bits=1 << bit, follow_at=4, follow_bits=1) for bit in range(count))
    return len(Bench(ready=ready).registers.values_shown(0)) == 1 << count


def _line(size: int) -> bool:
    """Whether a line of text is reported whole."""
    bench = Bench(serial=(SerialRegister(at=0, name="port"),))
    for character in b"x" * size + b"\n":
        bench.write(0, character)
    return [words["line"] for kind, _, words in bench.events if kind == "text"] == ["x" * size]


def _device(blocks: int = 1, shared: int = 4) -> MagicMock:
    """A device after a run of one core that executed so many blocks, with so many bytes of a shared area."""
    core = MagicMock(initial_stack=None, instructions=9, time=9, runs=False, state="reset")
    core.plan.own_ram, core.stack_watch.process_stacks = (), []
    core.plan.interrupts, core.bus.read_bytes.return_value = 0, b""
    core.blocks.starts = set(range(blocks))
    memory = SimpleNamespace(read=lambda _, size: bytes(size))
    made = MagicMock(cores={"station": core}, memories={"ram": memory}, trace=None)
    made.log.events, made.registers.accesses, made.registers.serial.texts = [], {}, {}
    made.plan.shared, made.ends_at, made.reached_goals = (("link", "ram", 0, shared),), 9, []
    made.repeats_since = {}
    made.log.dropped, made.schedule.common.return_value = 0, 9
    return made


def _stack(depth: int) -> bool:
    """Whether ``depth`` bytes below a process stack pointer are looked at."""
    low = 0x2000_1000
    memory = SimpleNamespace(uniform_below=lambda first, last, words: first)
    core = SimpleNamespace(
        bus=SimpleNamespace(locate=lambda _: (memory, 0x1000)),
        stack_watch=SimpleNamespace(process_stacks=[]),
    )
    return _lowest_used(core, low) <= low - depth


def _followed(distance: int) -> bool:
    """Whether the second run goes on up to a finding ``distance`` instructions after where it follows calls."""
    asked: list[int | None] = []

    def run(
        plan: object, *, follow_from: int | None = None, until: int | None = None, again: bool = False
    ) -> MagicMock:
        asked.append(until)
        return MagicMock(
            events=[SimpleNamespace(time=each, kind="", numbers={}) for each in (0, distance)], time=1 << 60
        )

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(runner, "run_device", run)
        patch.setattr(runner, "is_finding", lambda _: True)
        patch.setattr(runner, "with_calls", lambda first, second: first)
        patch.setattr(runner, "replace", lambda result, **_: result)
        runner.run_plan(MagicMock(exact=True))
    return asked[1] == distance


def _compared(count: int) -> bool:
    """Whether memory is compared for the ``count``-th time, after it was another one each time before."""
    device = MagicMock()
    device.schedule.pauses.return_value = False
    state = SameState(device)
    memories = iter([0, *range(1, count), 0])
    state._turns, state._renew_at = 15, 16
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(SameState, "_quick", lambda _: (("running", 1),))
        patch.setattr(SameState, "_rest", lambda _: ())
        patch.setattr(SameState, "_memories", lambda _: (next(memories),))
        state._by_chance = False
        assert not state.again()
        return [state.again() for _ in range(count)][-1]


def _schedule(shared: int) -> Schedule:
    memory = SimpleNamespace(read=lambda _, size: bytes(size))
    plan = SimpleNamespace(
        interleaving=0, other_moments=False, cores=(), shared=(("link", "ram", 0, shared),)
    )
    return Schedule(plan, {}, {"ram": memory})


def _turn(longest: int) -> bool:
    """Whether turns get so long while the cores do not talk."""
    schedule = _schedule(0)
    for _ in range(8 * QUIET_TURNS):
        schedule._look_at_shared()
    return schedule._turn >= longest


def _traced(count: int) -> bool:
    trace = SharedTrace(SimpleNamespace(shared=()), {}, {})
    core = SimpleNamespace(plan=SimpleNamespace(name="station"))
    for number in range(count):
        trace._add(core, TraceEntry("station", "w", 0, "link", 0, 4, number))
    assert len(trace._entries) + trace._dropped == count
    return not trace._dropped


def _loop(size: int) -> bool:
    """Whether a branch back by ``size`` bytes, or to the halfword there, closes a loop around a read."""
    branch = 0xE000 | (-(size + size % 2) - 4) // 2 & 0x7FF
    core = SimpleNamespace(bus=SimpleNamespace(read_bytes=lambda *_: struct.pack("<H", branch)))
    return SharedTrace._closes_loop(core, 0x1000)


def _stacks(count: int) -> bool:
    watch = StackWatch(MagicMock())
    for number in range(count):
        watch._of(0x2000_0000 + 2 * NEAR * number)
    return len(watch.process_stacks) == count


def _events(count: int) -> bool:
    """Whether all of ``count`` ordinary events at other places are kept."""
    log = EventLog(MagicMock())
    core = SimpleNamespace(plan=SimpleNamespace(name="station"), calls=None)
    for number in range(count):
        log.add(core, min(THINNED), number, {}, {}, number)
    assert len(log.events) + log.dropped == count
    return not log.dropped


def _labels(count: int) -> bool:
    events = [Happening(number, "station", "goal", "x", None) for number in range(count)]
    return len(_worth_a_label(events)) == count


@cache
def _rehearsal() -> Rehearsal:
    return device(station="never-released").rehearse()


def _calls(count: int) -> bool:
    """Whether all calls that led to a finding are listed."""
    place = next(each.place for each in _rehearsal().cores if each.place)
    calls = tuple(replace(place, address=number, text=f"0x{number:X}") for number in range(count))
    finding = RehearsalFinding("x", "error", "station", 1, 1, "", "", "", "", place, calls)
    lines = report_of(replace(_rehearsal(), findings=(finding,)), IDENTITY)
    return "outer call" not in "\n".join(lines)


def _functions(count: int) -> bool:
    """Whether all functions that were executed are listed."""
    core = replace(
        _rehearsal().cores[0], functions=tuple(f"f{n}" for n in range(count)), function_count=count
    )
    text = " ".join(report_of(replace(_rehearsal(), cores=(core,)), IDENTITY))
    assert "f0" in text
    return "more (all" not in text


def _patience(budget: int) -> bool:
    """Whether another order gets ``budget`` instructions after a first one that reached its goals at once."""
    budgets: list[int] = []

    def rehearsed(subject: object, plan: SimpleNamespace, *_: object) -> tuple[MagicMock, MagicMock]:
        budgets.append(plan.budget)
        return MagicMock(), MagicMock(time=0, ended="goals", trace=None)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(session, "_rehearsed", rehearsed)
        patch.setattr(session, "worst_of", lambda *_: MagicMock())
        options = RehearsalOptions(interleavings=1, budget=1_000_000)
        rehearse(layout(), joined().image, builds(), options)
    assert budgets[0] == 1_000_000
    return budgets[1] >= budget


def _memory(size: int) -> bool:
    memories = {"ram": SimpleNamespace(kind="ram", size=size)}
    return not [*_size_problems(SimpleNamespace(memories=memories))]


def _races(count: int) -> bool:
    """Whether all of ``count`` races are shown."""
    numbers = counted_from()
    race = SimpleNamespace(loses_updates=True, polled=False)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(orders, "races_of", lambda _: [race] * count)
        patch.setattr(orders, "_finding", lambda *_: replace(_rehearsal().findings[0], time=next(numbers)))
        found = worst_of([(replace(_rehearsal(), findings=()), None)], MagicMock())
    return len(found.findings) == count


def _change(distance: int) -> bool:
    """Whether a write ``distance`` bytes of code after a read of the same bytes changes what was read."""
    entries = tuple(
        TraceEntry("station", kind, pc, "link", 0, 4, 1) for kind, pc in (("r", 16), ("w", 16 + distance))
    )
    return bool(list(_changing(RawTrace(entries, (), ()), set())))


def _pushed(below: int) -> bool:
    """Whether a write of VPUSH {d0-d15} so far below a stack pointer that is under its limit counts as a push."""
    reported: list[object] = []
    core = SimpleNamespace(
        on_main_stack=True,
        stack_moves=SimpleNamespace(elsewhere=False),
        registers=SimpleNamespace(stack=0x1FF0, pc=0),
        instruction=lambda at: (0xED2D, 0x0B20),
        report=lambda *what: reported.append(what),
    )
    bus = MagicMock(_plan=SimpleNamespace(stack_limit=0x2000), _core=core)
    CoreBus._near_stack_limit(bus, None, 0, 0x1FF0 - below, 4, 0, None)
    return bool(reported)


LIMITS: Limits = {
    "rehearsal.emulator.core.device_accesses.MAX_PORTS": (3, _ports),
    "rehearsal.emulator.core.bus.MAX_PUSHED": (8, _pushed),
    "rehearsal.emulator.core.exceptions.MAX_BAD_RETURNS": (3, _bad_returns),
    "rehearsal.emulator.core.sleep.MAX_WAIT": (3, _waits),
    "rehearsal.emulator.core.call_stack.MAX_CALLS": (3, _thread_calls),
    "rehearsal.emulator.device.MAX_RESTARTS": (2, _restarts),
    "rehearsal.emulator.registers.device_registers.MAX_REGISTERS": (3, _registers),
    "rehearsal.emulator.registers.special_registers.MAX_LINE": (9, _line),
    "rehearsal.emulator.registers.device_registers.MAX_COMBINED": (3, _combined),
    "rehearsal.emulator.run_result.MAX_BLOCKS": (
        3,
        lambda count: len(result_of(_device(blocks=count), "goals").cores[0].blocks) == count,
    ),
    "rehearsal.emulator.run_result.MAX_SHARED": (
        6,
        lambda size: len(result_of(_device(shared=size), "goals").shared["link"]) == 2 * size,
    ),
    "rehearsal.emulator.run_result.MAX_STACK": (64, _stack),
    "rehearsal.emulator.runner.MAX_FOLLOWED": (100, _followed),
    "rehearsal.emulator.device_run.MAX_USELESS": (3, _compared),
    "rehearsal.emulator.schedule.MAX_WATCHED": (64, lambda size: _schedule(size)._watchable),
    "rehearsal.emulator.schedule.MAX_TURN": (200, _turn),
    "rehearsal.emulator.memory_watches.MAX_TRACE": (3, _traced),
    "rehearsal.emulator.memory_watches.MAX_LOOP": (8, _loop),
    "rehearsal.emulator.core.stack_watch.MAX_STACKS": (3, _stacks),
    "rehearsal.emulator.device_events.MAX_EVENTS": (3, _events),
    "rehearsal.reports.svg.MAX_LABELS": (3, _labels),
    "checking.rules.rehearsal_passes.MAX_CALLS": (3, _calls),
    "rehearsal.reports.text.MAX_FUNCTIONS": (3, _functions),
    "rehearsal.session.MIN_PATIENCE": (1000, _patience),
    "rehearsal.setup.planning.MAX_MEMORY": (0x2000, _memory),
    "rehearsal.verdict.program_ends.MAX_TASKS": (3, _tasks),
    "rehearsal.verdict.orders.MAX_RACES": (3, _races),
    "rehearsal.verdict.races.MAX_CHANGE": (8, _change),
}


@pytest.mark.parametrize("name", LIMITS)
def test_both_sides(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a limit allows is done or shown, and one more is not."""
    assert_both_sides(monkeypatch, LIMITS, name)


def test_what_ram_holds_at_reset_is_told() -> None:
    """The word that RAM reads before anybody writes it is said in the limits, since a text may hold it."""
    assert format_address(int.from_bytes(FILL, "little")) in limits_page()

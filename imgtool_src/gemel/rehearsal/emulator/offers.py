"""What a finding proposes for the layout, tried: the device runs again with it before it is proposed.

A register that the layout does not describe reads zero; what code writes around it shows what it may be.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from gemel.layout.rehearsal_model import FlashController, FlashUnlock, SerialRegister, SetClearRegister
from gemel.rehearsal.emulator.device_run import run_device
from gemel.rehearsal.emulator.registers.device_registers import DEVICE_BLOCK
from gemel.rehearsal.kinds import FATAL, GAVE_UP_BY
from gemel.rehearsal.plan import DevicePlan
from gemel.rehearsal.proposals import Proposal, as_counter, as_held, as_ready, proposal, with_proposal
from gemel.rehearsal.raw_run import RawEvent, RawRun
from gemel.structs import replace

SHORT_TRIAL = 100_000
"""Instructions of a run that tries whether a core goes on with what is proposed."""

MIN_TEXT, DIFFERENT = 6, 4
"""Characters that show that a register takes text, and how many of them differ; there are two words, or a line end."""

MIN_KEY = 0x1_0000
"""Keys of flash controllers are larger than commands (common practice)."""

MAX_WAITS = 6
"""Waits for bits of one register, one after the other, that are tried as one."""

MAX_PAIRS = 6
"""Pairs of registers that are tried as those that set and clear the bits of a third one."""

AGAIN_AND_AGAIN = 500
"""Reads of a status in a short trial from which on its loop does not end: more than start-up waits for at once."""

NEAR = 16
"""Bytes within which two places are in one loop."""

ENDS_LOOPS = frozenset({"register", "described", "memory", "own"})
"""What a loop looks at that may end it."""

FLASH_FINDINGS = ("write-to-flash", "flash-command")


def with_offer(plan: DevicePlan, event: RawEvent) -> RawEvent:
    """With ``lines`` to add to the layout, and ``goes_on`` where the core goes on with them.

    ``work`` says that it then only looks for what comes next.
    """
    if event.kind == "write-to-flash" and "lacking" not in event.numbers:
        return _with_controller(plan, event)
    numbers = event.numbers
    if event.kind != "loops" or "bits" not in numbers or not {"register", "lacking"} & numbers.keys():
        return event
    register = numbers.get("register", numbers.get("described", 0))
    tried = (each for each in _tried(plan, event, register) if _goes_on(each[1], event, register))
    made, trial = next(tried, (None, None))
    if made is None or trial is None:
        return event
    if not plan.goals and "register" in numbers and _looks_for_work(trial, event.core, register):
        return replace(event, numbers={**numbers, "work": 1})
    note = "(then it goes on)" if made.replaces else "# then it goes on"
    serial = [*_serial_lines(plan, trial, event.core)]
    also = ["and add:"] if serial and made.replaces else []
    lines = "\n".join((f"{made.words} {note}", *also, *serial))
    return replace(event, numbers={**numbers, "goes_on": 1}, words={**event.words, "lines": lines})


def _tried(plan: DevicePlan, event: RawEvent, register: int) -> Iterator[tuple[Proposal, RawRun]]:
    """Entries by which a register may read what a core waits for, each with its trial."""
    numbers = event.numbers
    bits, undescribed = numbers["bits"], "register" in numbers
    if undescribed and bits and not bits & ~numbers.get("written", 0):
        yield as_held(register), _trial(plan, as_held(register))
    made, trial = _with_all_bits(plan, event.core, register, numbers.get("lacking", bits))
    yield made, trial
    if undescribed:
        pairs = _set_and_clear(trial, event.core, register, bits)
        ready = _ready(plan, trial, made, event.core, register)
        for made in (*ready, *pairs, as_counter(register, bits)):
            yield made, _trial(plan, made)


def _trial(plan: DevicePlan, made: Proposal, budget: int = SHORT_TRIAL) -> RawRun:
    return run_device(replace(plan, registers=with_proposal(plan.registers, made), budget=budget), again=True)


def _with_all_bits(plan: DevicePlan, core: str, register: int, bits: int) -> tuple[Proposal, RawRun]:
    """An entry by which a register reads bits, and those that the core waits for there then; its trial."""
    made = proposal(plan.registers, register, bits)
    for _ in range(MAX_WAITS - 1):
        trial = _trial(plan, made)
        lacking = next((each.numbers.get("lacking", 0) for each in _waits(trial, core, register)), 0)
        if not lacking:
            return made, trial
        more = proposal(with_proposal(plan.registers, made), register, lacking)
        made = Proposal(more.entry, made.replaces)
    return made, _trial(plan, made)


def _ready(plan: DevicePlan, trial: RawRun, made: Proposal, core: str, register: int) -> Iterator[Proposal]:
    """Bits that follow others, where a core waits in the trial of an entry for the bits of that to go."""
    for event in _waits(trial, core, register):
        ready = as_ready(with_proposal(plan.registers, made), register, event.numbers)
        if ready is not None:
            yield Proposal(ready.entry, made.replaces)


def _waits(trial: RawRun, core: str, register: int) -> Iterator[RawEvent]:
    """The loops of a core over a described register that another value there would end."""
    for each in trial.events:
        over = each.numbers.get("described") == register and "bits" in each.numbers
        if each.kind == "loops" and each.core == core and over:
            yield each


def _goes_on(trial: RawRun, event: RawEvent, register: int) -> bool:
    """Whether a core that waited for a register came to it, does not wait for it, and has left the loop."""
    reached = any(each.core == event.core and each.address == register for each in trial.accesses)
    waits = any(_waits(trial, event.core, register)) or _is_there(trial, event)
    return reached and not waits and not is_dead_end(trial, event.core, register, AGAIN_AND_AGAIN)


def is_dead_end(trial: RawRun, core: str, register: int, many: int) -> bool:
    """Whether a core faults in a trial, or comes to a loop that reads nothing, or to a sleep, that nothing ends.

    It may have given up the wait for another register first, which it read ``many`` times.
    """
    gave_up = any(
        each.core == core and each.address != register and not each.known and each.reads >= many
        for each in trial.accesses
    )
    for each in trial.events:
        if each.core == core and each.kind in FATAL and not (gave_up and each.kind in GAVE_UP_BY):
            return True
        reads_nothing = not (ENDS_LOOPS & each.numbers.keys() or each.words or each.numbers.get("interrupts"))
        if each.core == core and each.kind == "loops" and reads_nothing and not gave_up:
            return True
    goal = any(each.core == core and each.kind == "goal" for each in trial.events)
    return (
        trial.ended == "asleep"
        and bool(trial.goals)
        and not (goal or gave_up)
        and _sleeps_for_good(trial, core)
    )


def _sleeps_for_good(trial: RawRun, core: str) -> bool:
    (own,) = (each for each in trial.cores if each.name == core)
    return own.state == "sleeping" and not (own.could_wake or own.ticks)


def _is_there(trial: RawRun, event: RawEvent) -> bool:
    """Whether the core is in the loop of an event still, which then reads what the layout describes alone."""
    return any(
        each.kind == "loops" and each.core == event.core and "register" not in each.numbers
        for each in trial.events
        if each.pc is not None and event.pc is not None and abs(each.pc - event.pc) <= NEAR
    )


def _looks_for_work(trial: RawRun, core: str, register: int) -> bool:
    """Whether a core takes something from near the register again and again, which it did not start by a write.

    So does a loop that waits for what comes from outside, as for characters of a serial port: an idle state.  What the
    layout describes, as a serial register does what is sent, starts nothing.
    """
    near = [
        each
        for each in trial.accesses
        if each.core == core and each.address // DEVICE_BLOCK == register // DEVICE_BLOCK
    ]
    looks = sum(each.reads for each in near if each.address == register)
    taken = sum(each.reads for each in near if each.address != register)
    starts = sum(each.writes for each in near if not each.known)
    return looks > AGAIN_AND_AGAIN and 4 * taken >= looks and 4 * starts < taken


# -- a value with a register that sets its bits and one that clears them -----------------------------


def _set_and_clear(trial: RawRun, core: str, register: int, bits: int) -> Iterator[Proposal]:
    """Pairs of registers near it that are only written, both with the bits that code awaits to come and to go."""
    beside = _undescribed(trial, core, register)
    written = {
        address: None
        for name, address, value in trial.writes
        if name == core and address in beside and bits and value & bits == bits
    }
    pairs = [(one, other) for one in written for other in written if one != other]
    for set_at, clear_at in pairs[:MAX_PAIRS]:
        yield Proposal(SetClearRegister(value_at=register, set_at=set_at, clear_at=clear_at))


def _undescribed(run: RawRun, core: str, register: int) -> set[int]:
    """The registers of one block that a core only writes and that the layout does not describe."""
    return {
        each.address
        for each in run.accesses
        if each.core == core and not (each.known or each.reads)
        if each.address // DEVICE_BLOCK == register // DEVICE_BLOCK
    }


# -- a serial port -----------------------------------------------------------------------------------


def offered_besides(plan: DevicePlan, run: RawRun) -> Iterator[str]:
    """Notes on what no finding proposes: a serial port that nothing waits for."""
    if not plan.registers.serial:
        for core in plan.cores:
            for port, text in _texts(run, core.name):
                where = f"[[rehearsal.serial]] at = 0x{port.at:X}"
                yield f"{core.name} sends {text!r} to a register that the layout does not describe: {where}"


def _serial_lines(plan: DevicePlan, trial: RawRun, core: str) -> Iterator[str]:
    """What to add where the core, which goes on, sends text."""
    for port, text in _texts(trial, core):
        described = {each.name for each in plan.registers.serial}
        if port.name in described:
            port = replace(port, name=f"{port.name}-{core}")
        yield f"{Proposal(port).words.partition(chr(10))[2]} # takes {text!r}"


def _texts(run: RawRun, core: str) -> Iterator[tuple[SerialRegister, str]]:
    """The registers that a core writes text to and that the layout does not describe."""
    unknown = [each.address for each in run.accesses if each.core == core and each.writes and not each.known]
    for address in unknown:
        values = [value for name, at, value in run.writes if (name, at) == (core, address)]
        if is_text(values):
            yield SerialRegister(at=address), "".join(map(chr, values)).split("\n")[0].strip()


def is_text(values: Sequence[int]) -> bool:
    """Whether what is written to a register is text: printable, of words, and nothing that only rises."""
    text = "".join(chr(value) for value in values if 0x20 <= value < 0x7F or value in (9, 10, 13))
    letters = sum(each.isalpha() for each in text)
    return (
        len(text) == len(values) >= MIN_TEXT
        and len(set(text)) >= DIFFERENT
        and 2 * letters >= len(text)
        and len(text.split()) + text.endswith("\n") > 1
        and list(values) != sorted(values)
    )


# -- a flash controller ------------------------------------------------------------------------------


def _with_controller(plan: DevicePlan, event: RawEvent) -> RawEvent:
    """With the lines of a flash controller, where the core's writes of registers look like one and it programs so."""
    memory = next(
        (
            window.memory
            for core in plan.cores
            if core.name == event.core
            for window in core.windows
            if window.span.holds(event.numbers["address"])
        ),
        "",
    )
    run = run_device(replace(plan, budget=event.time + SHORT_TRIAL), again=True)
    for made in _controllers(plan, run, event.core, memory):
        trial = _trial(plan, made, event.time + SHORT_TRIAL)
        if not any(each.core == event.core and each.kind in FLASH_FINDINGS for each in trial.events):
            return replace(event, words={**event.words, "lines": f"{made.words} # then it programs it"})
    return event


def _controllers(plan: DevicePlan, run: RawRun, core: str, memory: str) -> Iterator[Proposal]:
    """Flash controllers that the writes of a core fit: keys, an address of the flash, and commands after it."""
    spans = [
        each.span for own in plan.cores if own.name == core for each in own.windows if each.memory == memory
    ]
    unknown = {each.address for each in run.accesses if each.core == core and not each.known}
    writes = [(at, value) for name, at, value in run.writes if name == core and at in unknown]
    for address_at in dict.fromkeys(at for at, value in writes if any(each.holds(value) for each in spans)):
        block = address_at // DEVICE_BLOCK
        beside = [each for each in writes if each[0] // DEVICE_BLOCK == block]
        first = next(number for number, (at, _) in enumerate(beside) if at == address_at)
        after = [each for each in beside[first:] if each[0] != address_at]
        for command_at in dict.fromkeys(at for at, _ in after):
            commands = [value for at, value in after if at == command_at]
            unlock = _unlock([each for each in beside[:first] if each[0] not in (address_at, command_at)])
            for program in dict.fromkeys(each for each in commands[1:] if each and each != commands[0]):
                yield Proposal(
                    FlashController(
                        memory=memory,
                        command_at=command_at,
                        program=program,
                        erase=commands[0],
                        address_at=address_at,
                        unlock=unlock,
                    )
                )


def _unlock(writes: Sequence[tuple[int, int]]) -> FlashUnlock | None:
    """The register of which the keys were written, and the keys."""
    keys = [each for each in writes if each[1] >= MIN_KEY]
    if not keys:
        return None
    at = keys[0][0]
    return FlashUnlock(at=at, keys=tuple(dict.fromkeys(value for where, value in keys if where == at)))

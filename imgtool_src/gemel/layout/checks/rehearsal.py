"""What a layout's `[rehearsal]` table says, compared with the rest of the layout."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.errors import nearest_hint
from gemel.layout.addresses import locate
from gemel.layout.kinds import KeyPath, LayoutFault
from gemel.layout.model import Layout
from gemel.layout.rehearsal_model import Goal, RehearsalPlan, described_registers
from gemel.spans import format_address

ADDS = ("event", "ready", "flash_controller")
"""Descriptions that add to what a register reads or does, so that another one may describe it too."""


def rehearsal_faults(layout: Layout) -> Iterator[LayoutFault]:
    """What is wrong with the rehearsal: names, registers in memory, two answers for one register, goals."""
    plan = layout.rehearsal
    if plan is None:
        return
    yield from _cores(layout, plan)
    yield from _registers(layout, plan)
    for index, sequence in enumerate(plan.sequences):
        if not sequence.values:
            path: KeyPath = ("rehearsal", "sequence", index, "values")
            yield LayoutFault(
                path, "a sequence of nothing", found="an empty list", expected="at least one value"
            )
    for index, goal in enumerate(plan.goals):
        yield from _goal(layout, ("rehearsal", "goal", index), goal)
    for index, event in enumerate(plan.events):
        if (event.every is None) == (event.after_write is None):
            found = "both" if event.every is not None else "neither"
            yield LayoutFault(
                ("rehearsal", "event", index),
                "an event comes in one way",
                found=found,
                expected="either every or after_write",
            )
        core = layout.cores.get(event.core)
        if core and event.interrupt is not None and event.interrupt >= core.interrupts:
            path = ("rehearsal", "event", index, "interrupt")
            found = str(event.interrupt)
            yield LayoutFault(
                path,
                "an interrupt that the core does not have",
                found=found,
                expected=f"below {core.interrupts}, the interrupts of core {core.name}",
                next_step="correct the number, which counts from 0, or interrupts of the core",
            )
    yield from _flash_controllers(layout, plan)
    for index, mutex in enumerate(plan.mutexes):
        path = ("rehearsal", "mutex", index)
        if mutex.taken == mutex.busy:
            found = format_address(mutex.taken)
            yield LayoutFault(
                (*path, "busy"),
                "a lock that does not show whether it was taken",
                found=found,
                expected="two values",
            )
        if mutex.guards is not None:
            yield from _guarded(layout, (*path, "guards"), mutex.guards)


def _cores(layout: Layout, plan: RehearsalPlan) -> Iterator[LayoutFault]:
    named: list[tuple[KeyPath, str]] = []
    for index, goal in enumerate(plan.goals):
        named.append((("rehearsal", "goal", index, "core"), goal.core))
    for index, status in enumerate(plan.status):
        named.append((("rehearsal", "status", index, "core"), status.core))
    for index, interrupt in enumerate(plan.interrupts):
        path: KeyPath = ("rehearsal", "inter_core_interrupt", index)
        named += [((*path, "from"), interrupt.sender), ((*path, "to"), interrupt.receiver)]
    for index, event in enumerate(plan.events):
        named.append((("rehearsal", "event", index, "core"), event.core))
    for index, register in enumerate(plan.by_core):
        named += [(("rehearsal", "by_core", index, "values", core), core) for core in register.values]
    for index, given in enumerate(plan.registers_of):
        for position, core in enumerate(given.cores):
            named.append((("rehearsal", "registers_of", index, "cores", position), core))
    for core in plan.stack_sizes:
        named.append((("rehearsal", "stack_size", core), core))
    for path, core in named:
        if core not in layout.cores:
            known = ", ".join(layout.cores)
            yield LayoutFault(
                path,
                "unknown core",
                found=core,
                expected=f"one of {known}",
                next_step=nearest_hint(core, layout.cores),
            )
    for index, interrupt in enumerate(plan.interrupts):
        receiver = layout.cores.get(interrupt.receiver)
        highest = interrupt.interrupt + (0 if interrupt.shared_line else interrupt.mask.bit_length() - 1)
        if receiver and highest >= receiver.interrupts:
            path = ("rehearsal", "inter_core_interrupt", index, "interrupt")
            hint = "set mask to the bits that exist, or shared_line where all of them raise one interrupt"
            yield LayoutFault(
                path,
                "an interrupt that the receiver does not have",
                found=str(highest),
                expected=f"below {receiver.interrupts}, the interrupts of core {receiver.name}",
                next_step=hint,
            )


def _registers(layout: Layout, plan: RehearsalPlan) -> Iterator[LayoutFault]:
    """Registers in flash or RAM, and registers described twice."""
    described: dict[int, str] = {}
    for core in layout.cores.values():
        if core.release:
            for key in ("vector_register", "control_register"):
                described[getattr(core.release, key) & ~3] = f"core.{core.name}.release.{key}"
    for path, address in described_registers(plan):
        located = locate(layout, address)
        if located and located.memory.kind != "device":
            yield LayoutFault(
                path,
                "a register outside device registers",
                found=f"{format_address(address)}, in {located.memory.words}",
                expected="a device address",
                next_step="correct the address, or the kind of the memory",
            )
        kind, word = str(path[1]), address & ~3
        name = f"rehearsal.{kind}"
        shares = kind in ("status", "set_clear", "inter_core_interrupt") and described.get(word) == name
        shares = shares or kind in ADDS or described.get(word, "").partition(".")[2] in ADDS
        shares = shares or {kind, described.get(word, "").partition(".")[2]} <= {
            "serial",
            "constant",
            "sequence",
        }
        if word in described and not shares:
            yield LayoutFault(
                path,
                f"a register already described by {described[word]}",
                found=format_address(address),
                expected="one description of each register",
                next_step="take one of the two out",
            )
        described.setdefault(word, name)


def _flash_controllers(layout: Layout, plan: RehearsalPlan) -> Iterator[LayoutFault]:
    for index, controller in enumerate(plan.flash_controllers):
        path = ("rehearsal", "flash_controller", index)
        memory = layout.memories.get(controller.memory)
        if memory is None or memory.kind != "flash":
            names = [each.name for each in layout.memories.values() if each.kind == "flash"]
            yield LayoutFault(
                (*path, "memory"),
                "unknown flash memory",
                found=controller.memory if memory is None else f"{controller.memory}, kind {memory.kind}",
                expected=f"one of {', '.join(names)}" if names else "a memory of kind flash",
                next_step=nearest_hint(controller.memory, names),
            )
        elif memory.erase_block is None:
            yield LayoutFault(
                (*path, "memory"),
                "what is erased at once is not known",
                found=f"memory {memory.name} without erase_block",
                expected="its size",
                next_step=f"state erase_block in [memory.{memory.name}]",
            )
        for name in ("program", "erase"):
            if not getattr(controller, name):
                yield LayoutFault(
                    (*path, name), "a command without bits", found="0", expected="at least one bit"
                )


def _goal(layout: Layout, path: KeyPath, goal: Goal) -> Iterator[LayoutFault]:
    given = [key for key in ("symbol", "address", "word", "text") if getattr(goal, key) is not None]
    if len(given) != 1:
        found = ", ".join(given) or "none of them"
        yield LayoutFault(
            path, "a goal is one thing", found=found, expected="exactly one of symbol, address, word, text"
        )
    if goal.word:
        located = locate(layout, goal.word.at)
        if located is None or located.memory.kind != "ram":
            found = format_address(goal.word.at)
            yield LayoutFault(
                (*path, "word", "at"),
                "a word that nobody can write",
                found=found,
                expected="an address of RAM",
                next_step="correct the address, or describe the RAM there",
            )
        if goal.word.at % 4:
            found = format_address(goal.word.at)
            yield LayoutFault(
                (*path, "word", "at"), "a word that is not aligned", found=found, expected="a multiple of 4"
            )


def _guarded(layout: Layout, path: KeyPath, name: str) -> Iterator[LayoutFault]:
    area = layout.areas.get(name)
    if area is None:
        known = ", ".join(layout.areas)
        yield LayoutFault(
            path,
            "unknown area",
            found=name,
            expected=f"one of {known}",
            next_step=nearest_hint(name, layout.areas),
        )
    elif area.purpose != "shared":
        yield LayoutFault(
            path,
            "a lock guards what both cores use",
            found=f"{name}, purpose {area.purpose}",
            expected="an area of purpose shared",
            next_step="name a shared area, or correct the purpose of this one",
        )

"""The exception model by itself: every rule of what is taken, without an emulator.

Source: Armv7-M and Armv8-M architecture reference manuals, "Exception model" (from memory).
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gemel.rehearsal.emulator.system_space.interrupts import (
    HARD_FAULT,
    NMI,
    PENDSV,
    SUPERVISOR_CALL,
    TICK,
    Interrupts,
    Masks,
)

FREE = Masks()


def model(**priorities: int) -> Interrupts:
    """Interrupts of which those named irqN are enabled and pending, with the priorities given."""
    interrupts = Interrupts(32)
    for name, priority in priorities.items():
        number = 16 + int(name[3:])
        interrupts.enabled.add(number)
        interrupts.set_priority(number, priority)
        interrupts.pend(number)
    return interrupts


def test_nothing_pending_takes_nothing() -> None:
    """A core with nothing pending takes nothing."""
    assert Interrupts(32).to_take(FREE) is None


def test_pending_but_not_enabled_is_not_taken() -> None:
    """An external interrupt needs its enable bit; system exceptions have none."""
    interrupts = Interrupts(32)
    interrupts.pend(20)
    assert interrupts.to_take(FREE) is None
    interrupts.pend(PENDSV)
    assert interrupts.to_take(FREE) == PENDSV


@pytest.mark.parametrize(("first", "second", "taken"), [(0x40, 0x80, 0), (0x80, 0x40, 1), (0x40, 0x40, 0)])
def test_priority_then_number(first: int, second: int, taken: int) -> None:
    """The lower value goes first, of equal ones the lower number."""
    assert model(irq0=first, irq1=second).to_take(FREE) == 16 + taken


@pytest.mark.parametrize(
    ("masks", "taken"),
    [
        (Masks(primask=1), False),
        (Masks(basepri=0x40), False),
        (Masks(basepri=0x41), False),
        (Masks(basepri=0x80), True),
        (Masks(basepri=0), True),
        (Masks(faultmask=1), False),
    ],
)
def test_masks(masks: Masks, taken: bool) -> None:
    """PRIMASK and FAULTMASK hold all priorities off, BASEPRI its own value and below."""
    assert (model(irq0=0x40).to_take(masks) is not None) == taken


def test_fixed_priorities_pass_masks() -> None:
    """HardFault passes PRIMASK, NMI passes FAULTMASK too."""
    interrupts = Interrupts(0)
    interrupts.pend(HARD_FAULT)
    assert interrupts.to_take(Masks(primask=1)) == HARD_FAULT
    assert interrupts.to_take(Masks(faultmask=1)) is None
    interrupts.pend(NMI)
    assert interrupts.to_take(Masks(faultmask=1)) == NMI


def test_only_a_higher_group_preempts() -> None:
    """A handler is preempted by a higher group priority, not by an equal one of higher subpriority."""
    interrupts = model(irq0=0x80)
    interrupts.activate(16)
    interrupts.enabled.add(17)
    interrupts.set_priority(17, 0x60)
    interrupts.pend(17)
    assert interrupts.to_take(FREE) == 17
    interrupts.group_split = 6
    assert interrupts.group(0x60) == 0
    interrupts.set_priority(17, 0x81)
    assert interrupts.to_take(FREE) is None


def test_no_group_bits_no_preemption() -> None:
    """With PRIGROUP 7 all configurable priorities are one group."""
    interrupts = model(irq0=0xFF)
    interrupts.group_split = 7
    interrupts.activate(16)
    interrupts.enabled.add(17)
    interrupts.pend(17)
    assert interrupts.to_take(FREE) is None


def test_sleep_is_ended_despite_primask_only() -> None:
    """PRIMASK does not keep a core asleep; BASEPRI and a missing enable do."""
    interrupts = model(irq0=0x40)
    assert interrupts.wakes(Masks(primask=1)) == 16
    assert interrupts.wakes(Masks(primask=1, basepri=0x20)) is None
    interrupts.enabled.clear()
    assert interrupts.wakes(Masks(primask=1)) is None


def test_supervisor_call_escalates() -> None:
    """A call that cannot be taken is a HardFault, and a lock-up where that cannot be taken either."""
    interrupts = Interrupts(0)
    assert interrupts.fault_target(SUPERVISOR_CALL, FREE) == SUPERVISOR_CALL
    assert interrupts.fault_target(SUPERVISOR_CALL, Masks(primask=1)) == HARD_FAULT
    assert interrupts.fault_target(SUPERVISOR_CALL, Masks(faultmask=1)) is None
    interrupts.activate(SUPERVISOR_CALL)
    assert interrupts.fault_target(SUPERVISOR_CALL, FREE) == HARD_FAULT


def test_configurable_fault_needs_its_enable_bit() -> None:
    """A UsageFault that is not enabled is a HardFault."""
    interrupts = Interrupts(0)
    assert interrupts.fault_target(6, FREE) == HARD_FAULT
    interrupts.enabled.add(6)
    assert interrupts.fault_target(6, FREE) == 6


def test_level_comes_again_edge_does_not() -> None:
    """A line that stays high is pending again when its handler returns; software's pend is not."""
    interrupts = model(irq0=0)
    interrupts.set_line(17, True)
    interrupts.enabled.add(17)
    for number in (16, 17):
        interrupts.activate(number)
        interrupts.deactivate(number)
    assert interrupts.pending == {17}
    interrupts.set_line(17, False)
    interrupts.activate(17)
    interrupts.deactivate(17)
    assert not interrupts.pending


def test_what_a_line_requested_stays_pending() -> None:
    """A line that falls before its interrupt is taken leaves it pending; one that rises in its handler adds one.

    DDI 0553, "Pending interrupts": only the handler's start or software ends that it is pending (from memory; the
    board's emulator does the same).
    """
    interrupts = model(irq0=0)
    interrupts.set_line(16, True)
    interrupts.set_line(16, False)
    assert interrupts.pending == {16}
    interrupts.activate(16)
    interrupts.set_line(16, True)
    interrupts.set_line(16, False)
    interrupts.deactivate(16)
    assert interrupts.pending == {16}
    interrupts.unpend(16)
    interrupts.set_line(16, True)
    interrupts.reset()
    assert interrupts.pending == {16}


def test_priority_bits_that_do_not_exist_read_zero() -> None:
    """A core with two priority bits keeps two."""
    interrupts = Interrupts(4, priority_bits=2)
    interrupts.set_priority(16, 0xFF)
    assert interrupts.priority(16) == 0xC0


def test_interrupts_beyond_the_last_do_not_exist() -> None:
    """Pending or giving a priority to an interrupt that the core has not changes nothing."""
    interrupts = Interrupts(4)
    interrupts.pend(16 + 4)
    interrupts.set_priority(16 + 4, 0x40)
    assert not interrupts.pending
    assert interrupts.priority(16 + 4) == 0


@given(
    st.dictionaries(st.integers(0, 31), st.integers(0, 255), max_size=8),
    st.integers(0, 7),
    st.integers(0, 255),
    st.lists(st.integers(0, 31), max_size=3),
)
def test_what_is_taken_is_of_the_highest_priority(
    pending: dict[int, int], split: int, basepri: int, active: list[int]
) -> None:
    """Whatever is taken beats the execution priority, and nothing that is pending beats it."""
    interrupts = model(**{f"irq{number}": priority for number, priority in pending.items()})
    interrupts.group_split = split
    for number in active:
        interrupts.activate(16 + number)
    masks = Masks(basepri=basepri)
    taken = interrupts.to_take(masks)
    current = interrupts.execution_priority(masks)
    if taken is None:
        assert all(interrupts.group(interrupts.priority(each)) >= current for each in interrupts.pending)
    else:
        assert interrupts.group(interrupts.priority(taken)) < current
        assert all(interrupts.priority(taken) <= interrupts.priority(each) for each in interrupts.pending)


def test_tick_and_pendsv_are_ordered_by_number() -> None:
    """At equal priority PendSV goes before the tick."""
    interrupts = Interrupts(0)
    interrupts.pend(TICK)
    interrupts.pend(PENDSV)
    assert interrupts.to_take(FREE) == PENDSV

"""Lines that let a register read further bits, as data: what a finding proposes, and what a trial uses."""

from __future__ import annotations

from collections.abc import Mapping

from gemel.layout.rehearsal_model import (
    ALL_BITS,
    ConstantRegister,
    HeldRegister,
    RehearsalPlan,
    SequenceRegister,
)
from gemel.structs import NamedTuple, replace


class Proposal(NamedTuple):
    """An entry that makes a register read more; ``replaces`` the one that the layout has, if it has one."""

    entry: ConstantRegister | HeldRegister | SequenceRegister
    replaces: ConstantRegister | HeldRegister | None = None

    @property
    def words(self) -> str:
        """What to write into the layout."""
        table, entry = "constant", self.entry
        if isinstance(entry, HeldRegister):
            table, keys = "held", [f"reset = 0x{entry.reset:X}", f"writable = 0x{entry.writable:X}"]
        elif isinstance(entry, SequenceRegister):
            values = ", ".join(f"0x{value:X}" for value in entry.values)
            table, keys = "sequence", [f"values = [{values}]", f"repeat = {str(entry.repeat).lower()}"]
        else:
            keys = [f"value = 0x{entry.value:X}"]
        if self.replaces:
            return f"set {' and '.join(keys)} in the [[rehearsal.{table}]] at 0x{entry.at:X}"
        lines = ("add to the layout:", f"[[rehearsal.{table}]]", f"at = 0x{entry.at:X}", *keys)
        return "\n".join(lines)


def proposal(plan: RehearsalPlan, register: int, bits: int) -> Proposal:
    """How ``register`` reads ``bits`` too; what code writes there is kept where the layout lets it be read."""
    for held in plan.held:
        if held.at & ~3 == register:
            return Proposal(replace(held, reset=held.reset | bits, writable=held.writable & ~bits), held)
    for constant in plan.constants:
        if constant.at & ~3 == register:
            return Proposal(replace(constant, value=constant.value | bits), constant)
    enables = {each.follow_at & ~3 for each in plan.ready}
    enables |= {each.enabled_at & ~3 for each in plan.events if each.enabled_at is not None}
    if register in enables:
        return Proposal(HeldRegister(at=register, reset=bits, writable=ALL_BITS & ~bits))
    return Proposal(ConstantRegister(at=register, value=bits))


def as_counter(register: int, bits: int) -> Proposal:
    """How ``register`` reads something else each time, as a counter does, one of them ``bits``."""
    return Proposal(SequenceRegister(at=register, values=(0, bits), repeat=True))


def as_ready(plan: RehearsalPlan, register: int, numbers: Mapping[str, int]) -> str:
    """What to write where bits seem to follow others of their register; empty where that is not so.

    Code waits for bits of a constant to go, after it has cleared others, or for bits that it never wrote of a
    register that reads what it writes.  ``numbers`` are those of the event of the loop.
    """
    ones, written, bits = (numbers.get(each, 0) for each in ("ones", "written", "bits"))
    constant = next((each for each in plan.constants if each.at & ~3 == register), None)
    held = next((each for each in plan.held if each.at & ~3 == register), None)
    if constant and numbers.get("bits") == 0:
        at, bits, follow = constant.at, constant.value, ones & ~written & ~constant.value
        what = f"in place of the [[rehearsal.constant]] at 0x{at:X} write:"
    elif held and bits and not bits & (~held.writable | ones | held.reset):
        at, follow, what = held.at, written & ~held.reset, "add to the layout:"
        if not follow:
            return proposal(plan, register, bits).words
    else:
        return ""
    lines = ("[[rehearsal.ready]]", f"at = 0x{at:X}", f"bits = 0x{bits:X}")
    follows = (f"follow_at = 0x{at:X}", f"follow_bits = 0x{follow:X}")
    return "\n".join((what, *lines, *follows)) if follow and bits else ""


def with_proposal(plan: RehearsalPlan, made: Proposal) -> RehearsalPlan:
    """The plan with a proposal's entry."""
    if isinstance(made.entry, SequenceRegister):
        return replace(plan, sequences=(*plan.sequences, made.entry))
    if isinstance(made.entry, HeldRegister):
        return replace(plan, held=(*(each for each in plan.held if each != made.replaces), made.entry))
    return replace(plan, constants=(*(each for each in plan.constants if each != made.replaces), made.entry))

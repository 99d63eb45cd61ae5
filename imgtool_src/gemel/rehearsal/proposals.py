"""Lines that let a register read further bits, as data: what a finding proposes, and what a trial uses."""

from __future__ import annotations

from gemel.layout.rehearsal_model import ALL_BITS, ConstantRegister, HeldRegister, RehearsalPlan
from gemel.structs import NamedTuple, replace


class Proposal(NamedTuple):
    """An entry that makes a register read more; ``replaces`` the one that the layout has, if it has one."""

    entry: ConstantRegister | HeldRegister
    replaces: ConstantRegister | HeldRegister | None = None

    @property
    def words(self) -> str:
        """What to write into the layout."""
        table = "held" if isinstance(self.entry, HeldRegister) else "constant"
        if isinstance(self.entry, HeldRegister):
            keys = [f"reset = 0x{self.entry.reset:X}", f"writable = 0x{self.entry.writable:X}"]
        else:
            keys = [f"value = 0x{self.entry.value:X}"]
        if self.replaces:
            return f"set {' and '.join(keys)} in the [[rehearsal.{table}]] at 0x{self.entry.at:X}"
        lines = ("add to the layout:", f"[[rehearsal.{table}]]", f"at = 0x{self.entry.at:X}", *keys)
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


def with_proposal(plan: RehearsalPlan, made: Proposal) -> RehearsalPlan:
    """The plan with a proposal's entry."""
    if isinstance(made.entry, HeldRegister):
        return replace(plan, held=(*(each for each in plan.held if each != made.replaces), made.entry))
    return replace(plan, constants=(*(each for each in plan.constants if each != made.replaces), made.entry))

"""Lines that let a register read further bits, as data: what a finding proposes, and what a trial uses."""

from __future__ import annotations

from collections.abc import Mapping

from gemel.layout.rehearsal_model import (
    ALL_BITS,
    ConstantRegister,
    FlashController,
    FlashUnlock,
    HeldRegister,
    ReadyBits,
    RehearsalPlan,
    SequenceRegister,
    SerialRegister,
    SetClearRegister,
)
from gemel.structs import NamedTuple, Struct, fields, replace

TABLES: dict[type[Struct], tuple[str, str]] = {
    ConstantRegister: ("constant", "constants"),
    HeldRegister: ("held", "held"),
    SequenceRegister: ("sequence", "sequences"),
    ReadyBits: ("ready", "ready"),
    SetClearRegister: ("set_clear", "set_clear"),
    SerialRegister: ("serial", "serial"),
    FlashController: ("flash_controller", "flash_controllers"),
}
"""The table of each kind of entry that is proposed with all its values, and where the plan has it."""


class Proposal(NamedTuple):
    """An entry that makes registers read more; ``replaces`` the one that the layout has, if it has one."""

    entry: Struct
    replaces: ConstantRegister | HeldRegister | None = None

    @property
    def words(self) -> str:
        """What to write into the layout."""
        entry, replaces = self.entry, self.replaces
        table, *keys = _lines(entry)
        if replaces is None:
            return "\n".join(("add to the layout:", table, *keys))
        old = f"{_lines(replaces)[0]} at 0x{replaces.at:X}"
        if type(entry) is not type(replaces):
            return "\n".join((f"in place of the {old} write:", table, *keys))
        return f"set {' and '.join(keys[1:])} in the {old}"


def _lines(entry: Struct) -> list[str]:
    """The lines of an entry: its table, and each key whose value is not the default."""
    made = {name: (getattr(entry, name), each.default) for name, each in fields(entry).items()}
    keys = (f"{name} = {_value(value)}" for name, (value, default) in made.items() if value != default)
    return [f"[[rehearsal.{TABLES[type(entry)][0]}]]", *keys]


def _value(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int):
        return f"0x{value:X}"
    if isinstance(value, tuple):
        return f"[{', '.join(map(_value, value))}]"
    if isinstance(value, FlashUnlock):
        return f"{{ at = {_value(value.at)}, keys = {_value(value.keys)} }}"
    return f'"{value}"'


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


def as_held(register: int) -> Proposal:
    """How ``register`` reads what code wrote there last."""
    return Proposal(HeldRegister(at=register))


def as_ready(plan: RehearsalPlan, register: int, numbers: Mapping[str, int]) -> Proposal | None:
    """The entry for bits that seem to follow others of their register; None where that is not so.

    Code waits for bits of a constant to go, after it has cleared others, or for bits that it never wrote of a
    register that reads what it writes.  ``numbers`` are those of the event of the loop.
    """
    ones, written, bits = (numbers.get(each, 0) for each in ("ones", "written", "bits"))
    constant = next((each for each in plan.constants if each.at & ~3 == register), None)
    held = next((each for each in plan.held if each.at & ~3 == register), None)
    if constant and numbers.get("bits") == 0:
        at, bits, follow = constant.at, constant.value, ones & ~written & ~constant.value
    elif held and bits and not bits & (~held.writable | ones | held.reset):
        at, follow = held.at, written & ~held.reset
        if not follow:
            return proposal(plan, register, bits)
    else:
        return None
    ready = ReadyBits(at=at, bits=bits, follow_at=at, follow_bits=follow)
    return Proposal(ready, constant) if follow and bits else None


def with_proposal(plan: RehearsalPlan, made: Proposal) -> RehearsalPlan:
    """The plan with a proposal's entry."""
    if made.replaces is not None:
        _, field = TABLES[type(made.replaces)]
        kept = tuple(each for each in getattr(plan, field) if each != made.replaces)
        plan = replace(plan, **{field: kept})
    _, field = TABLES[type(made.entry)]
    return replace(plan, **{field: (*getattr(plan, field), made.entry)})

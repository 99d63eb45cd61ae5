"""Words for what a core does to memory, registers, locks and cores that are not its own."""

from __future__ import annotations

from gemel.rehearsal.raw_run import RawEvent
from gemel.rehearsal.verdict.code_names import CodeNames
from gemel.rehearsal.verdict.words import Wording, Words, at_address, plain
from gemel.spans import format_address, format_size


def _by_stack(event: RawEvent, names: CodeNames) -> tuple[str, str]:
    """Which stack pointer a store was by, the stack that it left, and what to do."""
    pointer, top = event.numbers["pointer"], event.numbers["top"]
    if "within" in event.numbers:
        return (
            f"by its stack pointer, which is {format_address(pointer)}",
            "set the stack pointer to RAM of its own",
        )
    variable = names.variable_at(event.core, top - 1)
    name = variable[0] if variable else ""
    stack = f"stack in {name}" if name else f"stack from {format_address(top)} down"
    return (
        f"by its stack pointer, which is {format_address(pointer)}, below the {stack}",
        f"give {name or 'the stack'} more room, or find the recursion or the large local variable",
    )


def _own_code(event: RawEvent, names: CodeNames) -> Words:
    words = _INTO_OWN_CODE(event, names)
    if "pointer" not in event.numbers:
        return words
    stack, next_step = _by_stack(event, names)
    return words._replace(found=f"{words.found}; {stack}", next_step=next_step)


def _other_core(event: RawEvent, names: CodeNames) -> Words:
    party, found = event.words["party"], at_address(event, names)
    next_step = "correct the pointer, or give the area to both (purpose shared)"
    if copy := names.copy_ending_at(event.core, event.numbers["address"]):
        build, area, size = copy
        found += f", the first byte after area {area}, to which build {build} is copied"
        next_step = (
            f"end the copy of build {build} with area {area}, after {format_size(size)}; or {next_step}"
        )
    found += f", value {format_address(event.numbers['value'])}"
    if "pointer" in event.numbers:
        stack, next_step = _by_stack(event, names)
        found += f"; {stack}"
    return Words(
        f"core {event.core} writes into area {party}, which is another core's",
        found,
        "its own RAM or an area of purpose shared",
        next_step,
    )


def _register(event: RawEvent, names: CodeNames) -> Words:
    return Words(
        f"core {event.core} touches a register that is not given to it",
        names.register(event.numbers["register"]),
        f"it is given to {event.words['cores'] or 'no core'}",
        "leave the register to its core, or correct registers_of in the layout",
    )


def _without_lock(event: RawEvent, names: CodeNames) -> Words:
    verb = "writes" if event.numbers["write"] else "reads"
    return Words(
        f"core {event.core} {verb} area {event.words['area']} without holding its lock",
        at_address(event, names),
        f"its lock {names.register(event.numbers['register'])} read until it is taken, before the area is touched",
        "take the lock around this access",
    )


def _lock_kept(event: RawEvent, names: CodeNames) -> Words:
    waited = event.words["waited"]
    return Words(
        f"core {event.core} never gives its lock back",
        f"{names.register(event.numbers['register'])} is held at the end"
        + (f"; {waited} waited for it" if waited else ""),
        "a write to the mutex register after the last access",
        "give the lock back on every way out",
    )


def _lock_not_held(event: RawEvent, names: CodeNames) -> Words:
    holder = event.words["holder"]
    return Words(
        f"core {event.core} gives back a lock that it does not hold",
        f"{names.register(event.numbers['register'])} is {'held by ' + holder if holder else 'free'}",
        "a lock given back by the core that took it",
        "check that the read reported that the lock was taken",
    )


_INTO_OWN_CODE = plain(
    "core {core} writes into its own code",
    "code that stays as it was copied",
    "a pointer or an array index is wrong, or the stack grew into the code",
    found="{at}, code of build {party}",
)

SHARING_WORDS: dict[str, Wording] = {
    "write-to-other-core": _other_core,
    "write-to-own-code": _own_code,
    "below-stack-limit": plain(
        "core {core} writes below its stack's limit",
        "a stack that stays above {limit:address}",
        "give the stack more room, or find the recursion or the large local variable",
        found="{at}, stack pointer {stack:address}",
    ),
    "stacks-overlap": plain(
        "core {core} uses RAM of a process stack for {other}",
        "stacks that stay apart, however deep each gets",
        "see where the process stack pointer is set, and give the stack that is too small more room",
        found="{other} from {high:address} down to {low:address}; the process stack was left with what is from "
        "{stack:address} down to {frame:address}",
    ),
    "release-without-key": plain(
        "the release of core {of} is written without its key",
        "{key_value:address} in the same write, in the bits {key_mask:address}",
        "write the key and the release in one write",
        found="{register} gets {value:address} and ignores it",
    ),
    "copy-differs": plain(
        "core {of} is released before its copy equals build {build}",
        "0x{expected:02X}, as the image stores it",
        "copy all of the build, to where it was linked, before the release",
        found="first difference at offset 0x{offset:X} of memory {memory}: 0x{found:02X}",
    ),
    "register-not-given": _register,
    "register-of-both-cores": plain(
        "cores {other} and {core} both touch one register",
        "each device register used by one core, or given to both in the layout",
        "say whose it is in registers_of of the layout's rehearsal, or in by_core what each core reads",
        found="{register}",
    ),
    "without-lock": _without_lock,
    "lock-not-given-back": _lock_kept,
    "lock-not-held": _lock_not_held,
    "vector-after-release": plain(
        "the vector register is written after the release",
        "the vectors first",
        "write the vector register before the release",
    ),
    "read-of-unwritten": plain(
        "core {core} reads RAM that nobody wrote",
        "RAM that was written first",
        "initialise the variable, or find what should have written it",
        found="{size} bytes at {at}",
    ),
    "unaligned": plain(
        "core {core} makes an unaligned access, which faults on its architecture",
        "an address that is a multiple of the access's size",
        "compile for this architecture, or align the data",
        found="{size} bytes at {at}",
    ),
}

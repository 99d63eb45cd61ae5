"""Events in words: what was found, what was expected, what to do next."""

from __future__ import annotations

from collections.abc import Callable

from gemel.rehearsal.raw_run import RawEvent
from gemel.rehearsal.verdict.code_names import CodeNames
from gemel.spans import format_address
from gemel.structs import NamedTuple

ERASED = 0xFFFF_FFFF


class Words(NamedTuple):
    """A finding's sentence and its parts."""

    what: str
    found: str = ""
    expected: str = ""
    next_step: str = ""


_EXCEPTIONS = {
    2: "NMI",
    3: "HardFault",
    4: "MemManage",
    5: "BusFault",
    6: "UsageFault",
    7: "SecureFault",
    11: "SVCall",
    12: "DebugMonitor",
    14: "PendSV",
    15: "SysTick",
}


def exception_name(number: int) -> str:
    """The architecture's name of an exception, or the interrupt's number."""
    return _EXCEPTIONS.get(number, f"exception {number}") if number < 16 else f"interrupt {number - 16}"


def words_for(event: RawEvent, names: CodeNames) -> Words:
    """The words of an event that is a finding."""
    words = _WORDS[event.kind](event, names)
    if "handler" not in event.numbers:
        return words
    then = _what_follows(event, names)
    return words._replace(found=f"{words.found}; {then}" if words.found else then)


def _what_follows(event: RawEvent, names: CodeNames) -> str:
    """What the hardware does after a fault."""
    handler = event.numbers["handler"]
    if not event.numbers["locked_up"]:
        function = names.function_name(event.core, handler)
        return f"the core would enter its HardFault handler {function or format_address(handler & ~1)}"
    shown = "erased flash" if handler == ERASED else "no code of this core"
    return f"the core locks up: its HardFault vector {format_address(handler)} is {shown}"


def _at(event: RawEvent, names: CodeNames) -> str:
    address = event.numbers["address"]
    named = names.variable(event.core, address)
    where = names.what_is_at(event.core, address)
    return f"{format_address(address)} ({named + ', ' if named else ''}{where})"


def _access(verb: str, next_step: str) -> Callable[[RawEvent, CodeNames], Words]:
    def words(event: RawEvent, names: CodeNames) -> Words:
        what = f"core {event.core} {verb} an address of nothing"
        found = f"{event.numbers.get('size', 0)} bytes at {_at(event, names)}"
        return Words(what, found, "an address of a memory or register that this core sees", next_step)

    return words


_DESCRIBE = "correct the address, or describe the memory or registers there in the layout"


def _fetch(event: RawEvent, names: CodeNames) -> Words:
    address = event.numbers["address"]
    found = f"{format_address(address)}, {names.what_is_at(event.core, address)}"
    if address >= ERASED - 1:
        found = f"{format_address(address)}, which is what erased flash reads"
    if "then" in event.words:
        found += f", where it meets {event.words['then']}"
    return Words(
        f"core {event.core} executes what is not its code",
        found,
        "an address in an area of purpose code of this core, or in code of its build",
        "follow the calls to the pointer or vector that led there",
    )


def _flash(event: RawEvent, names: CodeNames) -> Words:
    return Words(
        f"core {event.core} writes into flash",
        _at(event, names),
        "an address of RAM",
        "a pointer is wrong, or a variable was placed in flash",
    )


def _other_core(event: RawEvent, names: CodeNames) -> Words:
    party = event.words["party"]
    return Words(
        f"core {event.core} writes into area {party}, which is another core's",
        f"{_at(event, names)}, value {format_address(event.numbers['value'])}",
        "its own RAM or an area of purpose shared",
        "correct the pointer, or give the area to both (purpose shared)",
    )


def _own_code(event: RawEvent, names: CodeNames) -> Words:
    return Words(
        f"core {event.core} writes into its own code",
        f"{_at(event, names)}, code of build {event.words['party']}",
        "code that stays as it was copied",
        "a pointer or an array index is wrong, or the stack grew into the code",
    )


def _stack(event: RawEvent, names: CodeNames) -> Words:
    limit = event.numbers["limit"]
    return Words(
        f"core {event.core} writes below its stack's limit",
        f"{_at(event, names)}, stack pointer {format_address(event.numbers['stack'])}",
        f"a stack that stays above {format_address(limit)}",
        "give the stack more room, or find the recursion or the large local variable",
    )


def _undefined(event: RawEvent, names: CodeNames) -> Words:
    code = event.numbers["code"]
    erased = code == ERASED
    found = (
        "erased flash (0xFFFF_FFFF)" if erased else f"the encoding 0x{code & 0xFFFF:04X} 0x{code >> 16:04X}"
    )
    return Words(
        f"core {event.core} meets an undefined instruction",
        found,
        "code",
        "a build that is not there, or was linked for another address"
        if erased
        else "see what is stored there",
    )


def _missing(event: RawEvent, names: CodeNames) -> Words:
    need = event.words["need"]
    return Words(
        f"core {event.core} meets {need}, which the layout says it lacks",
        need,
        "only instructions of the core's architecture and extensions",
        "compile the build for this core, or correct its architecture and extensions in the layout",
    )


def _float_off(event: RawEvent, names: CodeNames) -> Words:
    return Words(
        f"core {event.core} uses its float unit before it is switched on",
        "access to coprocessors 10 and 11 is denied, as after reset",
        "bits 20 to 23 of the coprocessor access register 0xE000_ED88 set, then DSB and ISB",
        "enable the float unit in the reset handler, before the first float instruction",
    )


def _not_emulated(event: RawEvent, names: CodeNames) -> Words:
    need = event.words.get("need", "an instruction")
    return Words(
        f"the emulator cannot execute {need} of core {event.core}",
        need,
        "an instruction that the emulator has",
        "nothing is known of what follows: rehearse a build without it",
    )


def _plain(what: str, expected: str = "", next_step: str = "") -> Callable[[RawEvent, CodeNames], Words]:
    def words(event: RawEvent, names: CodeNames) -> Words:
        found = _at(event, names) if "address" in event.numbers else ""
        return Words(what.format(core=event.core), found, expected, next_step)

    return words


def _protected(verb: str, closed: str) -> Callable[[RawEvent, CodeNames], Words]:
    return _plain(
        f"core {{core}} {verb} {closed}: its memory protection unit faults",
        "an access that the regions of the memory protection unit allow",
        "correct the access, or the region that the image sets up there",
    )


def _bad_vector(event: RawEvent, names: CodeNames) -> Words:
    number, vector = event.numbers["number"], event.numbers["vector"]
    return Words(
        f"core {event.core} takes exception {number}, whose vector is no code",
        f"vector {number} is {format_address(vector)}",
        "the address of a handler of this core, bit 0 set",
        "fill the vector, or do not enable the interrupt",
    )


def _vectors(event: RawEvent, names: CodeNames) -> Words:
    return Words(
        f"core {event.core} starts at an address of nothing",
        _at(event, names),
        "a vector table in a memory that this core sees",
        "correct the address that is written to the vector register",
    )


def _vectors_erased(event: RawEvent, names: CodeNames) -> Words:
    likely = names.likely_tables(event.core)
    shown = " or ".join(format_address(each) for each in likely)
    return Words(
        f"core {event.core} starts where no vector table is",
        f"{_at(event, names)} reads as never written"
        + (f"; a table that looks like its own is at {shown}" if shown else ""),
        "the core's vector table, at the address written to the vector register",
        "link the build for the address where the primary starts it, or correct that address",
    )


def _no_key(event: RawEvent, names: CodeNames) -> Words:
    return Words(
        f"the release of core {event.words['of']} is written without its key",
        f"{format_address(event.numbers['value'])}: the register ignores it",
        f"{format_address(event.numbers['key_value'])} in the same write, in the bits "
        f"{format_address(event.numbers['key_mask'])}",
        "write the key and the release in one go",
    )


def _copy(event: RawEvent, names: CodeNames) -> Words:
    return Words(
        f"core {event.words['of']} is released before its copy equals build {event.words['build']}",
        f"first difference at offset 0x{event.numbers['offset']:X} of memory {event.words['memory']}:"
        f" 0x{event.numbers['found']:02X}",
        f"0x{event.numbers['expected']:02X}, as the image stores it",
        "copy all of the build, to where it was linked, before the release",
    )


def _register(event: RawEvent, names: CodeNames) -> Words:
    return Words(
        f"core {event.core} touches a register that is not given to it",
        format_address(event.numbers["register"]),
        f"it is given to {event.words['cores'] or 'no core'}",
        "leave the register to its core, or correct registers_of in the layout",
    )


def _both(event: RawEvent, names: CodeNames) -> Words:
    return Words(
        f"cores {event.words['other']} and {event.core} both touch one register",
        format_address(event.numbers["register"]),
        "each device register used by one core, or given to both in the layout",
        "say whose it is in registers_of of the layout's rehearsal",
    )


def _without_lock(event: RawEvent, names: CodeNames) -> Words:
    verb = "writes" if event.numbers["write"] else "reads"
    return Words(
        f"core {event.core} {verb} area {event.words['area']} without holding its lock",
        _at(event, names),
        "the mutex register read until it is taken, before the area is touched",
        "take the lock around this access",
    )


def _lock_kept(event: RawEvent, names: CodeNames) -> Words:
    waited = event.words["waited"]
    return Words(
        f"core {event.core} never gives its lock back",
        f"{format_address(event.numbers['register'])} is held at the end"
        + (f"; {waited} waited for it" if waited else ""),
        "a write to the mutex register after the last access",
        "give the lock back on every way out",
    )


def _lock_not_held(event: RawEvent, names: CodeNames) -> Words:
    holder = event.words["holder"]
    return Words(
        f"core {event.core} gives back a lock that it does not hold",
        f"{format_address(event.numbers['register'])} is {'held by ' + holder if holder else 'free'}",
        "a lock given back by the core that took it",
        "check that the read told that the lock was taken",
    )


def _unwritten(event: RawEvent, names: CodeNames) -> Words:
    return Words(
        f"core {event.core} reads RAM that nobody wrote",
        f"{event.numbers['size']} bytes at {_at(event, names)}",
        "RAM that was written first",
        "initialise the variable, or find what should have written it",
    )


def _unaligned(event: RawEvent, names: CodeNames) -> Words:
    return Words(
        f"core {event.core} makes an unaligned access, which faults on its architecture",
        f"{event.numbers['size']} bytes at {_at(event, names)}",
        "an address that is a multiple of the access's size",
        "compile for this architecture, or align the data",
    )


def _livelock(event: RawEvent, names: CodeNames) -> Words:
    name = exception_name(event.numbers["number"])
    return Words(
        f"core {event.core} does nothing but take {name}: its source is never cleared",
        f"{name} is pending again each time that its handler returns",
        "a handler that clears what raised the interrupt",
        "clear the interrupt at its source in the handler, or give thread code time between interrupts",
    )


_WORDS: dict[str, Callable[[RawEvent, CodeNames], Words]] = {
    "unmapped-read": _access("reads", _DESCRIBE),
    "unmapped-write": _access("writes", _DESCRIBE),
    "fetch-outside-code": _fetch,
    "write-to-flash": _flash,
    "write-to-other-core": _other_core,
    "write-to-own-code": _own_code,
    "below-stack-limit": _stack,
    "undefined-instruction": _undefined,
    "instruction-missing": _missing,
    "instruction-not-emulated": _not_emulated,
    "float-unit-off": _float_off,
    "no-coprocessor": _plain(
        "core {core} uses a coprocessor that it has not",
        "only coprocessors that the core has",
        "compile for this core's extensions, or correct them in the layout",
    ),
    "alignment-fault": _plain(
        "core {core} makes an access that must be aligned and is not",
        "an address that is a multiple of the access's size",
        "align the data, or access it by bytes",
    ),
    "secure-or-fetch-fault": _plain(
        "core {core} branches to where it cannot fetch, or makes an access that the security state forbids",
        "an address in code of this core",
        "follow the calls to the pointer that led there",
    ),
    "leaves-secure-state": _plain(
        "core {core} branches to Non-secure state, which the rehearsal does not follow",
        "code that stays in Secure state",
        "nothing is known of what follows: rehearse up to here, with a goal in front of the branch",
    ),
    "stack-limit-fault": _plain(
        "core {core} pushes below the stack limit register that it set itself",
        "a stack pointer above the limit",
        "give the stack more room, or correct the limit",
    ),
    "invalid-state": _plain(
        "core {core} branches to an address without the Thumb bit",
        "bit 0 set in every code pointer and vector",
        "declare the target as a function, or set bit 0 where the address is made by hand",
    ),
    "breakpoint": _plain(
        "core {core} meets a breakpoint instruction",
        "none without a debugger: it is a fault then",
        "take it out, or make the assertion that it stands for hold",
    ),
    "bad-vector": _bad_vector,
    "bad-exception-return": _plain(
        "core {core} returns from an exception with an impossible link value",
        "the link value that the core put into the link register",
        "see what the handler does with the link register",
    ),
    "stacking": _plain(
        "core {core} cannot stack an exception frame",
        "RAM below the stack pointer",
        "correct the stack pointer",
    ),
    "protected-read": _protected("reads", "what is closed to it"),
    "protected-write": _protected("writes", "what is closed to it"),
    "protected-fetch": _protected("executes", "what must not be executed"),
    "protected-stacking": _protected("stacks an exception frame", "where it must not write"),
    "protected-unstacking": _protected("unstacks an exception frame", "where it must not read"),
    "unstacking": _plain(
        "core {core} cannot unstack an exception frame",
        "the frame where it was stacked",
        "see what the handler does with the stack pointer",
    ),
    "vectors-unreadable": _vectors,
    "vectors-erased": _vectors_erased,
    "call-escalated": _plain(
        "core {core} makes a supervisor call that cannot be taken, which is a HardFault",
        "a supervisor call where priority and masks let it be taken",
        "do not call with interrupts masked, or from a handler of the same or a higher priority",
    ),
    "unprivileged-access": _plain(
        "core {core} accesses its system registers without privilege",
        "privileged code (bit 0 of CONTROL clear), or no such access",
        "use a supervisor call, or stay privileged",
    ),
    "interrupt-livelock": _livelock,
    "division-by-zero": _plain(
        "core {core} divides by zero, which traps as its configuration register asks",
        "a divisor other than zero",
        "check the divisor before the division",
    ),
    "exception": _plain(
        "core {core} takes an exception that the rehearsal does not model",
        "code that the rehearsal can follow",
        "nothing is known of what follows",
    ),
    "emulator-error": _plain(
        "the emulator cannot go on with core {core}",
        "code that the emulator can execute",
        "nothing is known of what follows; report it with the image if you can",
    ),
    "reset-requested": _plain(
        "core {core} asks for a reset of the device",
        "code that goes on",
        "see why it gives up: a check of its own may have failed",
    ),
    "release-without-key": _no_key,
    "copy-differs": _copy,
    "register-not-given": _register,
    "register-of-both-cores": _both,
    "without-lock": _without_lock,
    "lock-not-given-back": _lock_kept,
    "lock-not-held": _lock_not_held,
    "vector-after-release": _plain(
        "the vector register is written after the release",
        "the vectors first",
        "write the vector register before the release",
    ),
    "read-of-unwritten": _unwritten,
    "unaligned": _unaligned,
}

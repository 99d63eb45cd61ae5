"""Words for faults, and for where the emulation ends."""

from __future__ import annotations

from collections.abc import Mapping

from gemel.m_profile.fault_registers import FIRST_RETURN
from gemel.m_profile.vector_tables import word_name
from gemel.rehearsal.emulator.registers.flash_controller import BY_REGISTERS, LOCKED, NO_COMMAND
from gemel.rehearsal.emulator.system_space.interrupts import SECURE_FAULT, SUPERVISOR_CALL, TICK
from gemel.rehearsal.emulator.system_space.registers import TICK_RELOAD
from gemel.rehearsal.raw_run import RawEvent
from gemel.rehearsal.verdict.code_names import CodeNames
from gemel.rehearsal.verdict.words import (
    ALIGN_TABLE,
    ERASED,
    Wording,
    Words,
    at_address,
    left_by_branch,
    plain,
    table_misplaced,
)
from gemel.spans import format_address

EXCEPTION_NUMBER = 0x1FF
"""The bits of xPSR that say which handler runs."""

ALWAYS_UNDEFINED, FIRST_WIDE = 0xDE, 0xE800
"""The upper byte of UDF, and the first halfword from which on an instruction has two."""

FUNCTION_RETURN = 0xFEFF_FFFF
"""The link value of a function of Non-secure state that Secure code called (DDI 0553, "FNC_RETURN", from memory)."""


SHPR = 0xE000_ED14
"""Four bytes before SHPR1: what is added is the number of the first exception in the register."""

NEAR_ZERO = 256
"""A stack pointer below this has been set to no stack, and perhaps moved since."""


def _stack_nowhere(what: str, found: str, event: RawEvent) -> Words:
    """Words of an access by a stack pointer that is in no memory, or leaves its own."""
    pointer, process = event.numbers["pointer"], event.numbers["process"]
    name = "process stack pointer" if process else "stack pointer"
    found = f"{found}; the {name} is {format_address(pointer)}"
    if pointer >= NEAR_ZERO:
        return Words(
            what,
            found,
            "a stack pointer within a stack",
            f"give the stack more room, or correct the {name}",
        )
    early = (
        ", and let no exception that switches tasks be taken before the first task runs" if process else ""
    )
    return Words(
        what,
        f"{found}, which no code has set to a stack",
        f"a {name} that is set before it is used",
        f"set the {name} to the top of a stack before{early}",
    )


def _stacking(event: RawEvent, names: CodeNames) -> Words:
    what = f"core {event.core} cannot stack an exception frame"
    return _stack_nowhere(what, at_address(event, names), event)


def _access(verb: str) -> Wording:
    def words(event: RawEvent, names: CodeNames) -> Words:
        if "pointer" in event.numbers:
            what = f"core {event.core} {verb} an unmapped address by its stack pointer"
            return _stack_nowhere(what, f"{event.numbers['size']} bytes at {at_address(event, names)}", event)
        what = f"core {event.core} {verb} an unmapped address"
        found = f"{event.numbers.get('size', 0)} bytes at {at_address(event, names)}"
        next_step = f"correct the address, or {names.how_to_describe(event.core, event.numbers['address'])}"
        return Words(what, found, "an address of a memory or register that this core sees", next_step)

    return words


def _fetch_erased(event: RawEvent, names: CodeNames) -> Words:
    """A core goes on in a block of flash that code had erased."""
    numbers, by = event.numbers, event.words["erased_by"]
    block = f"{format_address(numbers['block'])}..{format_address(numbers['last'])}"
    code = names.function(event.core, numbers["address"])
    return Words(
        f"core {event.core} executes flash that {'it' if by == event.core else f'core {by}'} erased",
        f"{format_address(numbers['address'])}{code and f', where {code} was'}: the block {block} was erased at "
        f"instruction {numbers['erased_at']:,} by the command at {names.register(numbers['command_at'])}, in "
        f"{names.place(by, numbers['erased_from'])}",
        "an erase of blocks without code, or code that runs elsewhere until it is programmed again",
        "correct the address that is written for the erase command, or the size of the block",
    )


def _fetch(event: RawEvent, names: CodeNames) -> Words:
    if "erased_by" in event.words:
        return _fetch_erased(event, names)
    address = event.numbers["address"]
    if address | 1 == FUNCTION_RETURN:
        return Words(
            f"core {event.core} returns to Secure state, which no function was called from",
            f"{format_address(FUNCTION_RETURN)} (FNC_RETURN), which the core puts into the link register at BLXNS",
            "a return by that value from a function of Non-secure state that BLXNS called",
            "see where the link register, or the word that is popped as a return address, comes from",
        )
    found = f"{format_address(address)}, {names.what_is_at(event.core, address)}"
    if address | 1 == ERASED:
        found = f"{format_address(ERASED)}, {_erased_from(event, names)}"
    elif address >= FIRST_RETURN:
        return Words(
            f"core {event.core} branches to the link value of an exception in thread mode",
            f"{format_address(address)}: EXC_RETURN is a return in a handler alone",
            "a return address of a function",
            "see where the link register, or the word that is popped as a return address, comes from",
        )
    if "unstacked" in event.numbers:
        return Words(
            f"core {event.core} returns from {word_name(event.numbers['unstacked'])} to what is not its code",
            f"{found}, the return address in the frame that it unstacked",
            "the frame as it was stacked, with the address of the code that was interrupted",
            "see what writes into the frame, or moves the stack pointer, while the handler runs",
        )
    if "then" in event.words:
        found += f", where it meets {event.words['then']}"
    return Words(
        f"core {event.core} executes what is not its code",
        found,
        "an address in an area of purpose code of this core, or in code of its build",
        "follow the calls to the pointer or vector that led there",
    )


def _erased_from(event: RawEvent, names: CodeNames) -> str:
    """Where a core has the erased word from that it branches to."""
    if "link" in event.numbers:
        return "as in the link register at reset, which no call has set, or as erased flash reads"
    if "word" not in event.numbers:
        return "which is what erased flash reads"
    word, source = event.numbers["word"], "from erased flash " * event.numbers["erased"]
    return f"read {source}at {format_address(word)} ({names.what_is_at(event.core, word)})"


_PROGRAMS = {
    None: "code that programs flash on purpose needs a [[rehearsal.flash_controller]] in the layout (gemel explain "
    "layout)",
    BY_REGISTERS: "the controller that the layout describes programs what is written to its data_at",
    LOCKED: "the controller that the layout describes is locked: write its keys in their order, or correct unlock",
    NO_COMMAND: "the controller that the layout describes has no command to program: write it before, or "
    "correct program and command_mask",
}
"""What code that programs flash lacks, by what the described controller lacks."""


def _flash(event: RawEvent, names: CodeNames) -> Words:
    programs, wrong = (
        _PROGRAMS[event.numbers.get("lacking")],
        "a pointer is wrong, or a variable was placed in flash",
    )
    lines = event.words.get("lines")
    return Words(
        f"core {event.core} writes into flash",
        at_address(event, names),
        "an address of RAM",
        f"if code programs flash here, {lines}\nelse {wrong}" if lines else f"{wrong}; {programs}",
    )


_WITHOUT_THUMB_BIT = plain(
    "core {core} branches to an address without the Thumb bit",
    "bit 0 set in every code pointer and vector",
    "declare the target as a function, or set bit 0 where the address is made by hand",
)


def _invalid_state(event: RawEvent, names: CodeNames) -> Words:
    words = _WITHOUT_THUMB_BIT(event, names)
    if "reset_vector" in event.numbers:
        return words._replace(what=f"core {event.core} starts at an address without the Thumb bit")
    if event.numbers.get("address") != 0:
        return words
    return Words(
        f"core {event.core} branches to address zero",
        f"a pointer to a function is null: {at_address(event, names)}",
        "the address of a function, with bit 0 set",
        "set the pointer before it is called, or fill the vector",
    )


def _undefined(event: RawEvent, names: CodeNames) -> Words:
    code = event.numbers["code"]
    erased, first = code == ERASED, code & 0xFFFF
    if first >> 8 == ALWAYS_UNDEFINED:
        return Words(
            f"core {event.core} meets UDF #{first & 0xFF}, which is always undefined",
            f"0x{first:04X}, with which compilers and libraries trap (__builtin_trap, abort)",
            "code that does not come there",
            "see which check leads there",
        )
    wide = f" 0x{code >> 16:04X}" if first >= FIRST_WIDE else ""
    return Words(
        f"core {event.core} meets an undefined instruction",
        "erased flash (0xFFFF_FFFF)" if erased else f"the encoding 0x{first:04X}{wide}",
        "code",
        "a build that is not there, or was linked for another address"
        if erased
        else "see what is stored there",
    )


def _not_emulated(event: RawEvent, names: CodeNames) -> Words:
    need = event.words.get("need", "an instruction")
    return Words(
        f"the emulator cannot execute {need} of core {event.core}",
        need,
        "an instruction that the emulator has",
        "nothing is known of what follows: rehearse a build without it",
    )


_ALLOWED = ("nothing", "reading", "writing", "reading and writing", "executing", "reading and executing")
"""What a region allows, by bits: reading, writing, executing."""


def _protected(verb: str, closed: str) -> Wording:
    def words(event: RawEvent, names: CodeNames) -> Words:
        return Words(
            f"core {event.core} {verb} {closed}: its memory protection unit faults",
            f"{at_address(event, names)}, {_closed_by(event.numbers)}",
            "an access that the regions of the memory protection unit allow",
            "correct the access, or the region that the image sets up there",
        )

    return words


def _closed_by(numbers: Mapping[str, int]) -> str:
    """Which region of the memory protection unit decides about an address, and what it allows."""
    regions = [bit for bit in range(numbers["regions"].bit_length()) if numbers["regions"] >> bit & 1]
    code = "unprivileged code" if numbers["user"] else "privileged code"
    if not regions:
        background = "the background region is for privileged code" if numbers["user"] else ""
        outside = background if numbers["background"] else "the background region is off"
        return f"which no region holds ({outside or 'it is never executed'})"
    if len(regions) > 1 and numbers["version"] > 7:
        return f"which regions {' and '.join(map(str, regions))} both hold: overlapping regions close it"
    span = f"0x{format_address(numbers['start'])[2:]}..{format_address(numbers['last'])}"
    allows = (
        _ALLOWED[numbers["allowed"]]
        if numbers["allowed"] < len(_ALLOWED)
        else "reading, writing and executing"
    )
    return f"in region {regions[-1]}, {span}, which allows {code} {allows}"


def _vectors_erased(event: RawEvent, names: CodeNames) -> Words:
    likely = names.likely_tables(event.core)
    shown = " or ".join(format_address(each) for each in likely)
    return Words(
        f"core {event.core} starts where no vector table is",
        f"{at_address(event, names)} reads as never written"
        + (f"; a table that looks like its own is at {shown}" if shown else ""),
        "the core's vector table, at the address written to the vector register",
        "link the build for the address where the primary starts it, or correct that address",
    )


def _livelock(event: RawEvent, names: CodeNames) -> Words:
    name = word_name(event.numbers["number"])
    if event.numbers["number"] <= SECURE_FAULT:
        return Words(
            f"core {event.core} does nothing but fault: the handler of {name} returns to the instruction that faults",
            "the same instruction faults again each time that the handler returns",
            "a handler that removes the cause, or goes on after the instruction",
            "correct what faults, or let the handler stop the core",
        )
    if event.numbers["number"] == TICK:
        return Words(
            f"core {event.core} does nothing but take {name}: it comes again before its handler returns",
            f"{name} is pending again each time that its handler returns",
            "a period in which the handler returns, and thread code gets on",
            f"raise the reload value of {name} (SYST_RVR, {format_address(TICK_RELOAD)}), or shorten the handler",
        )
    return Words(
        f"core {event.core} does nothing but take {name}: its source is never cleared",
        f"{name} is pending again each time that its handler returns",
        "a handler that clears what raised the interrupt",
        "clear the interrupt at its source in the handler, or give thread code time between interrupts",
    )


def _still_active(event: RawEvent) -> Words:
    """A return to thread code while another handler, which the returning one has interrupted, is active."""
    numbers = event.numbers
    name, active = word_name(numbers["number"]), word_name(numbers["active"])
    system = numbers["number"] & ~3  # SHPR1 holds the priorities of the exceptions 4 to 7
    register = (
        "NVIC_IPR" if numbers["number"] > TICK else f"SHPR{system // 4}, {format_address(SHPR + system)}"
    )
    next_step = f"give {name} the lowest priority ({register}), so that it interrupts no handler"
    if numbers["number"] < SUPERVISOR_CALL:  # a fault
        next_step = "see what the handler does with the link register"
    return Words(
        f"core {event.core} returns from {name} to thread code while the handler of {active} is active",
        f"{name}, of priority {_priority(numbers['priority'])}, has interrupted the handler of {active}, of priority "
        f"{_priority(numbers['active_priority'])}; its link value {format_address(numbers['link'])} returns to thread "
        "mode",
        "a return to the handler that was interrupted: thread mode is for the last one (CCR.NONBASETHRDENA is 0)",
        next_step,
    )


def _priority(value: int) -> str:
    return f"0x{value:02X}" if value >= 0 else str(value)


def _bad_return(event: RawEvent, names: CodeNames) -> Words:
    if "active" in event.numbers:
        return _still_active(event)
    link = format_address(event.numbers["link"])
    if "status" not in event.numbers:
        return Words(
            f"core {event.core} returns from an exception with an impossible link value",
            link,
            "the link value that the core put into the link register",
            "see what the handler does with the link register",
        )
    status = event.numbers["status"]
    to_thread = status & EXCEPTION_NUMBER
    return Words(
        f"core {event.core} returns from an exception to a frame that does not fit",
        f"the frame at {at_address(event, names)} holds xPSR {format_address(status)}, of "
        f"{'a handler' if to_thread else 'thread code'}; the link value {link} returns to "
        f"{'thread code' if to_thread else 'a handler'}",
        "the frame that the core stacked, with the number of the exception in the lowest nine bits of xPSR"
        + (", 0 of thread code" if to_thread else ""),
        "see what wrote over the frame, such as a stack that is too small, and where the stack pointer was set",
    )


_CALL_ESCALATED = plain(
    "core {core} makes a supervisor call that cannot be taken, which is a HardFault",
    "a supervisor call where priority and masks let it be taken",
    "do not call with interrupts masked, or from a handler of the same or a higher priority",
)


def _call_escalated(event: RawEvent, names: CodeNames) -> Words:
    words, numbers = _CALL_ESCALATED(event, names), event.numbers
    if "from" not in numbers:
        return words
    places = numbers["from"], numbers["to"], numbers["popped"]
    left = left_by_branch(event.core, numbers["number"], numbers["vector"], places, names)
    if not left:
        return words
    next_step = "see what the handler does with the link register and the stack pointer before that branch"
    return words._replace(found=f"{left}, so that the core is in handler mode", next_step=next_step)


_VECTOR_IS_NO_CODE = plain(
    "core {core} takes exception {number}, whose vector is no code",
    "the address of a handler of this core, bit 0 set",
    "fill the vector, or do not enable the interrupt",
    found="vector {number} is {vector:address}",
)


def _bad_vector(event: RawEvent, names: CodeNames) -> Words:
    words, numbers = _VECTOR_IS_NO_CODE(event, names), event.numbers
    if "written" not in numbers:
        return words
    moved = table_misplaced(numbers["table"], numbers["written"])
    return words._replace(found=f"{words.found}: {moved}", next_step=ALIGN_TABLE)


def _flash_command(event: RawEvent, names: CodeNames) -> Words:
    command, reason = event.words["command"], event.words["reason"]
    return Words(
        f"core {event.core} has the flash controller {command} an address at which it cannot",
        f"{at_address(event, names)}, {reason}",
        "erased bytes of the flash that the controller has"
        if command == "program"
        else "an address of its flash",
        "write an address of this flash before the command that uses it"
        if "not in memory" in reason
        else "erase the block first",
    )


FAULT_WORDS: dict[str, Wording] = {
    "unmapped-read": _access("reads"),
    "unmapped-write": _access("writes"),
    "fetch-outside-code": _fetch,
    "write-to-flash": _flash,
    "flash-command": _flash_command,
    "write-unit-in-part": plain(
        "core {core} programs {count} of the {unit} bytes of a write unit of flash",
        "whole write units of {unit} bytes: a unit is programmed once, with its error correction code",
        "fill the unit with erased bytes, or correct write_unit in the layout",
    ),
    "undefined-instruction": _undefined,
    "instruction-missing": plain(
        "core {core} meets {need}, which the layout says it lacks",
        "only instructions of the core's architecture and extensions",
        "compile the build for this core, or correct its architecture and extensions in the layout",
        found="{need}",
    ),
    "instruction-not-emulated": _not_emulated,
    "float-unit-off": plain(
        "core {core} uses its float unit before it is switched on",
        "bits 20 to 23 of the coprocessor access register 0xE000_ED88 set, then DSB and ISB",
        "enable the float unit in the reset handler, before the first float instruction",
        found="access to coprocessors 10 and 11 is denied, as after reset",
    ),
    "no-coprocessor": plain(
        "core {core} uses a coprocessor that it does not have",
        "only coprocessors that the core has",
        "compile for this core's extensions, or correct them in the layout",
    ),
    "alignment-fault": plain(
        "core {core} makes an access that must be aligned and is not",
        "an address that is a multiple of the access's size",
        "align the data, or access it by bytes",
    ),
    "leaves-secure-state": plain(
        "core {core} goes to Non-secure state, which the rehearsal does not follow",
        "code that stays in Secure state",
        "nothing is known of what follows: rehearse up to here, with a goal before it",
        found="{need}, to {at}",
    ),
    "invalid-entry": plain(
        "core {core} goes to Non-secure state at an address that is Secure, which is a SecureFault (INVEP)",
        "an address that the image gives to Non-secure state",
        "set a region of the security attribution unit for Non-secure code, switch it on, or correct the target",
        found="{need}, to {at}; {attribution}",
    ),
    "stack-limit-fault": plain(
        "core {core} pushes below the stack limit register that it set itself",
        "a stack pointer above the limit",
        "give the stack more room, or correct the limit",
    ),
    "invalid-state": _invalid_state,
    "breakpoint": plain(
        "core {core} meets a breakpoint instruction",
        "none without a debugger: it is a fault then",
        "take it out, or make the assertion that it stands for hold",
    ),
    "bad-vector": _bad_vector,
    "bad-exception-return": _bad_return,
    "stacking": _stacking,
    "protected-read": _protected("reads", "what is closed to it"),
    "protected-write": _protected("writes", "what is closed to it"),
    "protected-fetch": _protected("executes", "what must not be executed"),
    "protected-stacking": _protected("stacks an exception frame", "where it must not write"),
    "protected-unstacking": _protected("unstacks an exception frame", "where it must not read"),
    "unstacking": plain(
        "core {core} cannot unstack an exception frame",
        "the frame where it was stacked",
        "see what the handler does with the stack pointer",
    ),
    "vectors-unreadable": plain(
        "core {core} starts at an unmapped address",
        "a vector table in a memory that this core sees",
        "correct the address that is written to the vector register",
    ),
    "vectors-erased": _vectors_erased,
    "call-escalated": _call_escalated,
    "unprivileged-access": plain(
        "core {core} accesses its system registers without privilege",
        "privileged code (bit 0 of CONTROL clear), or no such access",
        "use a supervisor call, or stay privileged",
    ),
    "interrupt-livelock": _livelock,
    "division-by-zero": plain(
        "core {core} divides by zero, which traps as its configuration register is set",
        "a divisor other than zero",
        "check the divisor before the division",
    ),
    "exception": plain(
        "core {core} takes an exception that the rehearsal does not model",
        "code that the rehearsal can follow",
        "nothing is known of what follows",
    ),
    "emulator-error": plain(
        "the emulator cannot go on with core {core}",
        "code that the emulator can execute",
        "nothing is known of what follows; report it with the image if you can",
    ),
    "reset-requested": plain(
        "core {core} requests a reset of the device again and again",
        "code that goes on after one or two resets",
        "see why it gives up: a check of its own may have failed",
    ),
}

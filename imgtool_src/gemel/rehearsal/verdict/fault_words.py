"""Words for faults, and for where the emulation ends."""

from __future__ import annotations

from collections.abc import Mapping

from gemel.m_profile.fault_registers import FIRST_RETURN
from gemel.m_profile.vector_tables import word_name
from gemel.rehearsal.emulator.registers.flash_controller import BY_REGISTERS, LOCKED, NO_COMMAND
from gemel.rehearsal.plan import FILL
from gemel.rehearsal.raw_run import RawEvent
from gemel.rehearsal.verdict.code_names import CodeNames
from gemel.rehearsal.verdict.exception_words import EXCEPTION_WORDS, stack_nowhere
from gemel.rehearsal.verdict.words import ERASED, Wording, Words, at_address, plain
from gemel.spans import format_address

ALWAYS_UNDEFINED, FIRST_WIDE = 0xDE, 0xE800
"""The upper byte of UDF, and the first halfword from which on an instruction has two."""

FUNCTION_RETURN = 0xFEFF_FFFF
"""The link value of a function of Non-secure state that Secure code called (DDI 0553, "FNC_RETURN", from memory)."""


UNWRITTEN = int.from_bytes(FILL, "little")
"""What a word of RAM reads that no code has written."""

MAX_MEMBER_DISTANCE = 0x1000
"""Bytes from a pointer to a structure to its members at most."""

SET_BEFORE = (
    "set the pointer before it is used: see what the start-up code clears and copies, and what sets it later"
)


def of_unwritten(address: int) -> str:
    """That an address comes from a pointer in RAM that nobody has set; empty if it does not."""
    if not -4 < address - UNWRITTEN < MAX_MEMBER_DISTANCE:
        return ""
    return f"RAM that no code has written reads {format_address(UNWRITTEN)}, so a pointer was not set"


def _access(verb: str) -> Wording:
    def words(event: RawEvent, names: CodeNames) -> Words:
        if "pointer" in event.numbers:
            what = f"core {event.core} {verb} an unmapped address by its stack pointer"
            return stack_nowhere(what, f"{event.numbers['size']} bytes at {at_address(event, names)}", event)
        what = f"core {event.core} {verb} an unmapped address"
        found = f"{event.numbers.get('size', 0)} bytes at {at_address(event, names)}"
        next_step = f"correct the address, or {names.how_to_describe(event.core, event.numbers['address'])}"
        before = (1 << 32) - event.numbers["address"]
        unset = (
            f"{before} bytes before address 0, as from a null pointer"
            if before <= MAX_MEMBER_DISTANCE
            else ""
        )
        if unset := unset or of_unwritten(event.numbers["address"]):
            found, next_step = f"{found}; {unset}", SET_BEFORE
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
        then = event.words["then"]
        faults = f", where it faults ({then.replace('-', ' ')})"
        found += ", from where it goes on to what is no code" if then == event.kind else faults
    unwritten = of_unwritten(address)
    return Words(
        f"core {event.core} executes what is not its code",
        f"{found}; {unwritten}" if unwritten else found,
        "an address in an area of purpose code of this core, or in code of its build",
        SET_BEFORE if unwritten else "follow the calls to the pointer or vector that led there",
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
    if "unstacked" in event.numbers:
        return Words(
            f"core {event.core} returns from {word_name(event.numbers['unstacked'])} to a frame without the Thumb bit",
            f"bit 24 of the frame's xPSR is clear; its return address is {at_address(event, names)}",
            "an xPSR with bit 24 set (0x0100_0000), as in each frame that an exception stacks",
            "set it in the first frame that is made for a task, or see what wrote over the frame",
        )
    if event.numbers.get("address") != 0:
        return words
    if (link := event.numbers.get("last_link")) is not None:
        function = names.function(event.core, link & ~1)
        last = f"; the link register holds {format_address(link)}{f' ({function})' if function else ''}"
        return Words(
            f"core {event.core} returns to address zero",
            f"a return address is null, as that of a task's first function{last}",
            "a return address in code, with bit 0 set",
            "let the function of a task never return, give it the address of one that ends the task to return to, or "
            "see what overwrote the stack",
        )
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
    "protected-read": _protected("reads", "what is closed to it"),
    "protected-write": _protected("writes", "what is closed to it"),
    "protected-fetch": _protected("executes", "what must not be executed"),
    "protected-stacking": _protected("stacks an exception frame", "where it must not write"),
    "protected-unstacking": _protected("unstacks an exception frame", "where it must not read"),
    "vectors-unreadable": plain(
        "core {core} starts at an unmapped address",
        "a vector table in a memory that this core sees",
        "correct the address that is written to the vector register",
    ),
    "vectors-erased": _vectors_erased,
    "unprivileged-access": plain(
        "core {core} accesses its system registers without privilege",
        "privileged code (bit 0 of CONTROL clear), or no such access",
        "use a supervisor call, or stay privileged",
    ),
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
    **EXCEPTION_WORDS,
}

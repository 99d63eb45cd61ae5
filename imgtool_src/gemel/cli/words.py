"""Words that `gemel explain` knows besides those of rules and pages: what each means, and which rules help.

What debuggers and fault handlers show is after the Armv7-M and Armv8-M Architecture Reference Manuals, "Configurable
Fault Status Register", "HardFault Status Register", "Secure Fault Status Register", "Lockup" (from memory).
"""

from __future__ import annotations

import re

_LOG = "; `gemel where NAME=BUILD < LOG` names the addresses of a fault log"
_STACK = ("stack-has-room", "stack-pointer-in-own-ram", "ram-claims-apart")
_CODE = ("reset-handler-in-code", "handlers-in-code", "handlers-executable", "code-runs-where-stored")
_DATA = ("addressed-constants-stored", "rehearsal-passes")
_FLOAT = ("float-enabled-before-use", "float-demands-fit-core", "extension-demands-fit-core")
_SECURE = ("builds-inside-own-attribution", "veneers-lead-to-entries", "secure-entries-agree")
_STACKING = "the exception could not store its frame: the stack is outside its RAM, or full"
_UNSTACKING = "the return from an exception could not read its frame: the stack pointer is wrong"
_LAZY = "float registers could not be stored later for an exception: its stack is gone"
_HARD, _USAGE, _BUS, _MEMORY = "HardFault", "UsageFault", "BusFault", "MemManage fault"

_WORDS: dict[str, tuple[str, tuple[str, ...]]] = {
    "lockup": (
        f"the core faulted in its HardFault or NMI handler, or found no such handler, and stopped{_LOG}",
        (
            "required-handlers-present",
            "vector-table-not-blank",
            "stack-pointer-in-own-ram",
            "rehearsal-passes",
        ),
    ),
    _HARD: (
        f"a fault that no other handler takes: HFSR and CFSR say which{_LOG}",
        ("required-handlers-present", "rehearsal-passes"),
    ),
    _USAGE: (
        f"an instruction that the core cannot execute as it is: bits 16 to 31 of CFSR say why{_LOG}",
        ("instructions-fit-core", *_FLOAT, "rehearsal-passes"),
    ),
    _BUS: (f"an access that memory or device refused: bits 8 to 15 of CFSR say which{_LOG}", _DATA),
    _MEMORY: (
        f"an access that the MPU or the memory map forbids: bits 0 to 7 of CFSR say which{_LOG}",
        ("handlers-executable", "rehearsal-passes"),
    ),
    "SecureFault": (f"an access or branch that security attribution forbids: SFSR says which{_LOG}", _SECURE),
    "CFSR": (f"the register that says why UsageFault, BusFault or MemManage was taken{_LOG}", ()),
    "HFSR": (f"the register that says why HardFault was taken{_LOG}", ()),
    "SFSR": (f"the register that says why SecureFault was taken{_LOG}", ()),
    "UNDEFINSTR": (
        f"{_USAGE}: an instruction that the core does not know",
        ("instructions-fit-core", "swept-instructions-fit-core", "build-architecture-fits-core"),
    ),
    "INVSTATE": (f"{_USAGE}: a branch or vector without bit 0 set, to code that is not Thumb", _CODE[:2]),
    "INVPC": (f"{_USAGE}: an exception return with a wrong EXC_RETURN or frame", _STACK),
    "NOCP": (
        f"{_USAGE}: a float or coprocessor instruction that CPACR does not allow, or no unit has",
        _FLOAT,
    ),
    "STKOF": (
        f"{_USAGE}: the stack pointer went below its limit register (MSPLIM, PSPLIM)",
        ("stack-limit-below-stack", *_STACK),
    ),
    "UNALIGNED": (f"{_USAGE}: an access that must be aligned", ("rehearsal-passes",)),
    "DIVBYZERO": (f"{_USAGE}: a division by zero where CCR enables the fault", ("rehearsal-passes",)),
    "IACCVIOL": (f"{_MEMORY}: an instruction fetch from memory that is not executable", _CODE),
    "DACCVIOL": (
        f"{_MEMORY}: a read or write that is forbidden; MMFAR has the address",
        ("rehearsal-passes",),
    ),
    "MSTKERR": (f"{_MEMORY}: {_STACKING}", _STACK),
    "MUNSTKERR": (f"{_MEMORY}: {_UNSTACKING}", _STACK),
    "MLSPERR": (f"{_MEMORY}: {_LAZY}", _STACK),
    "MMARVALID": (f"{_MEMORY}: MMFAR has the address that was accessed", ()),
    "IBUSERR": (f"{_BUS}: an instruction fetch where no memory answers", _CODE),
    "PRECISERR": (f"{_BUS}: a read or write that was refused; BFAR has its address", _DATA),
    "IMPRECISERR": (f"{_BUS}: a write that was refused some instructions ago; its address is lost", _DATA),
    "STKERR": (f"{_BUS}: {_STACKING}", _STACK),
    "UNSTKERR": (f"{_BUS}: {_UNSTACKING}", _STACK),
    "LSPERR": (f"{_BUS}, SecureFault: {_LAZY}", _STACK),
    "BFARVALID": (f"{_BUS}: BFAR has the address that was accessed", ()),
    "VECTTBL": (
        f"{_HARD}: a vector could not be read",
        ("vector-register-own-table", "vector-table-not-blank", "vector-table-complete"),
    ),
    "FORCED": (
        f"{_HARD}: another fault whose handler is off or cannot run now; CFSR says which",
        ("required-handlers-present", "rehearsal-passes"),
    ),
    "DEBUGEVT": (f"{_HARD}: a breakpoint instruction with no debugger", ("rehearsal-passes",)),
    "INVEP": ("SecureFault: a call to secure code that enters at no SG instruction", _SECURE),
    "INVIS": ("SecureFault: a frame without its integrity signature at an exception return", _SECURE),
    "INVER": ("SecureFault: an exception return that non-secure code is not allowed", _SECURE),
    "AUVIOL": ("SecureFault: non-secure code accessed secure memory", _SECURE),
    "INVTRAN": ("SecureFault: a branch from secure to non-secure code by no BXNS or BLXNS", _SECURE),
    "SFARVALID": ("SecureFault: SFAR has the address that was accessed", ()),
    "LSERR": ("SecureFault: an error as lazy storing of float registers began or ended", _SECURE),
    "stack overflow": (
        "a stack that grew over other data, or below its limit register where the core has one (STKOF)",
        ("stack-limit-below-stack", *_STACK),
    ),
    "dump": (
        "bytes read back from a device: `gemel check --from-device` and `gemel audit` check them; a fault log or "
        "memory of a core: `gemel where`",
        (),
    ),
}
"""Each word, what it means, and the rules that find what leads to it."""

_SAME = {
    "memmanage": _MEMORY,
    "memorymanagementfault": _MEMORY,
    "coredump": "dump",
    "ufsr": _USAGE,
    "bfsr": _BUS,
    "mmfsr": _MEMORY,
}
"""Other spellings, in the letters of `_letters`."""


def _letters(word: str) -> str:
    """The word as it is compared: without capitals, spaces and hyphens."""
    return re.sub(r"[\W_]+", "", word.casefold())


def known_words() -> list[str]:
    """All of the words, in small letters."""
    return [word.casefold() for word in _WORDS]


def meaning_of_word(word: str) -> tuple[str, tuple[str, ...]] | None:
    """``WORD: what it means`` and names of rules; None for a word that is not listed."""
    letters = _letters(word)
    for spelling in (letters, letters.removesuffix("s")):
        for name, (says, rules) in _WORDS.items():
            if _letters(name) == _letters(_SAME.get(spelling, spelling)):
                return f"{name}: {says}.", rules
    return None

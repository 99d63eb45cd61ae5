"""Idioms of start-up code, drivers and kernels as libraries write them: one C file of ``idioms/`` each.

``NAME.partner.c`` is the other core's program; without that file it does nothing, or the same (``BOTH``).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from random import Random

from ..cases import LOCK_UP, PLAIN, Scenario
from .floats import HARD, SAMPLER

MOST = 1
FOLDER = Path(__file__).parent.parent / "idioms"
BOTH = (
    "kernel-idles-by-events",
    "ldrex-word-contended",
    "mailbox-by-exclusive-queue",
    "peterson",
    "ticket-lock",
    "wfe-sev-lock",
)
FAILS = {
    "even-return-not-repaired": "default_handler",
    "execute-from-ppb": "default_handler",
    "execute-from-serial": "default_handler",
    "fault-in-function-of-other-core": "default_handler",
    "fault-in-hardfault": LOCK_UP,
    "fault-in-nmi": LOCK_UP,
    "lost-wakeup": "scenario",
    "strd-unaligned-later-default": "default_handler",
    "tick-handler-longer-than-tick": "systick_handler|spend|scenario",
    "waits-for-other-under-ticks": "scenario|systick_handler",
    "watchdog-bites": "default_handler",
}
OF_FLOATS = (
    "aspen-off",
    "exc-return-values",
    "float-frame-by-hand",
    "float-settings-of-handler",
    "float-off-after-conditionals",
    "float-off-in-it-block",
    "fpscr-kept",
    "lazy-float-unit",
    "lspact-seen",
    "vector-loads-unaligned-later",
)
OF_SAMPLER = (
    *OF_FLOATS,
    "code-from-other-core",
    "kernel-idles-in-pendsv",
    "kernel-tickless",
    "lost-wakeup",
    "waits-for-other-under-ticks",
)
OPTIONS = {
    **dict.fromkeys(OF_FLOATS, HARD),
    # The stack pointer moves under the compiler's code.
    **dict.fromkeys(
        (
            "coroutines-on-main-stack",
            "hardfault-recovers-to-function",
            "kernel-cooperative",
            "kernel-idles-in-pendsv",
            "kernel-switches-in-thread-mode",
            "kernel-tickless",
            "kernel-yield-by-svc",
            "limit-push",
            "limit-subtract",
            "limit-written-above-pointer",
            "masked-then-unprivileged",
            "msplim-in-handler",
            "region-per-task-by-svc",
            "rettobase-in-nested-thread",
            "stkof-new-stack",
            "svc-privilege-raise",
            "svc-table-by-r12",
            "thread-by-nested-return",
            "thread-goes-to-psp-by-return",
            "unprivileged-on-psp-interrupts",
        ),
        ("-O1", "-fomit-frame-pointer"),
    ),
    **dict.fromkeys(("exc-return-values", "float-frame-by-hand"), ("-O1", "-fomit-frame-pointer", *HARD)),
}

VARIANTS = {
    "limit": {
        "limit-push": '#define ROOM 0\n#define BELOW "push {r0-r7}"\n',
        "limit-subtract": '#define ROOM 16\n#define BELOW "sub sp,#64"\n',
        "limit-written-above-pointer": '#define ROOM 40\n#define BELOW "sub r0,sp,#64\\n msr psp,r0\\n push {r0}"\n',
    },
}
"""Programs of one file that differ by what they define: bytes above the limit, and how it is passed."""


def idioms(random: Random) -> Iterator[Scenario]:
    """A program of each file, or several of one that has variants."""
    del random
    for file in sorted(FOLDER.glob("*.c")):
        if file.stem.endswith(".partner"):
            continue
        code, other = file.read_text(encoding="utf-8"), file.with_suffix(".partner.c")
        for name, defined in VARIANTS.get(file.stem, {file.stem: ""}).items():
            partner = code if name in BOTH else other.read_text(encoding="utf-8") if other.exists() else PLAIN
            yield Scenario(
                name,
                defined + code,
                fails=name in FAILS,
                ends=FAILS.get(name, ""),
                partner=partner,
                cores=SAMPLER if name in OF_SAMPLER else ("station", "sampler"),
                options=OPTIONS.get(name, ()),
            )


FAMILIES = (idioms,)

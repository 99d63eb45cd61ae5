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
BOTH = ("ldrex-word-contended", "peterson", "ticket-lock")
FAILS = {
    "even-return-not-repaired": "default_handler",
    "execute-from-ppb": "default_handler",
    "execute-from-serial": "default_handler",
    "fault-in-hardfault": LOCK_UP,
    "watchdog-bites": "default_handler",
}
OF_SAMPLER = ("fpscr-kept", "kernel-idles-in-pendsv", "kernel-tickless", "lspact-seen")
OPTIONS = {
    **dict.fromkeys(("fpscr-kept", "lspact-seen"), HARD),
    # The stack pointer moves under the compiler's code.
    **dict.fromkeys(
        (
            "coroutines-on-main-stack",
            "kernel-cooperative",
            "kernel-idles-in-pendsv",
            "kernel-switches-in-thread-mode",
            "kernel-tickless",
            "limit-push",
            "limit-subtract",
            "limit-written-above-pointer",
            "masked-then-unprivileged",
            "svc-privilege-raise",
            "svc-table-by-r12",
            "thread-goes-to-psp-by-return",
            "unprivileged-on-psp-interrupts",
        ),
        ("-O1", "-fomit-frame-pointer"),
    ),
}


def idioms(random: Random) -> Iterator[Scenario]:
    """A program of each file."""
    del random
    for file in sorted(FOLDER.glob("*.c")):
        name, code = file.stem, file.read_text(encoding="utf-8")
        if name.endswith(".partner"):
            continue
        other = file.with_suffix(".partner.c")
        partner = code if name in BOTH else other.read_text(encoding="utf-8") if other.exists() else PLAIN
        yield Scenario(
            name,
            code,
            fails=name in FAILS,
            ends=FAILS.get(name, ""),
            partner=partner,
            cores=SAMPLER if name in OF_SAMPLER else ("station", "sampler"),
            options=OPTIONS.get(name, ()),
        )


FAMILIES = (idioms,)

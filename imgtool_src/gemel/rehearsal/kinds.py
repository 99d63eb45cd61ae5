"""The kinds of event, and which of them are findings."""

from __future__ import annotations

FATAL = frozenset(
    {
        "unmapped-read",
        "unmapped-write",
        "fetch-outside-code",
        "write-to-flash",
        "undefined-instruction",
        "instruction-missing",
        "instruction-not-emulated",
        "float-unit-off",
        "no-coprocessor",
        "alignment-fault",
        "leaves-secure-state",
        "invalid-entry",
        "stack-limit-fault",
        "invalid-state",
        "breakpoint",
        "bad-vector",
        "bad-exception-return",
        "stacking",
        "protected-read",
        "protected-write",
        "protected-fetch",
        "protected-stacking",
        "protected-unstacking",
        "unstacking",
        "vectors-unreadable",
        "vectors-erased",
        "call-escalated",
        "unprivileged-access",
        "division-by-zero",
        "exception",
        "emulator-error",
        "reset-requested",
        "interrupt-livelock",
    }
)
"""Events after which the core that they happen on does not go on."""

GAVE_UP_BY = frozenset({"reset-requested", "breakpoint", "undefined-instruction"})
"""Those by which code ends itself where a check of its own fails."""

WARNINGS = frozenset(
    {"register-of-both-cores", "read-of-unwritten", "unaligned", "vector-after-release", "write-unit-in-part"}
)
"""Findings that someone has to decide about; the image passes with them."""

UNJUDGED = frozenset({"instruction-not-emulated", "emulator-error", "emulator-ended", "leaves-secure-state"})
"""Where the rehearsal cannot follow: nothing is known of what comes after, so an image does not pass either."""

ERRORS = (FATAL - UNJUDGED) | {
    "flash-command",
    "release-without-key",
    "released-before-vector",
    "released-at-wrong-address",
    "copy-differs",
    "never-released",
    "goal-not-reached",
    "endless-loop",
    "no-idle-state",
    "no-wake-up-source",
    "stays-in-handler",
    "waits-for-register",
    "write-to-other-core",
    "write-to-own-code",
    "below-stack-limit",
    "stacks-overlap",
    "register-not-given",
    "without-lock",
    "lock-not-given-back",
    "lock-not-held",
}
"""Findings with which an image does not pass."""

ONCE_A_PLACE = frozenset(
    {
        "flash-command",
        "write-unit-in-part",
        "write-to-other-core",
        "write-to-own-code",
        "below-stack-limit",
        "stacks-overlap",
        "register-not-given",
        "register-of-both-cores",
        "without-lock",
        "lock-not-held",
        "read-of-unwritten",
        "unaligned",
        "interrupt-raised",
        "exception-taken",
        "lock-taken",
        "lock-given-back",
        "woken",
        "sleeps",
        "control-register",
        "vector-register",
        "held-back-again",
        "flash-erased",
    }
)
"""Events of which the first at each place is kept, with a count of the others."""

THINNED = frozenset(
    {
        "exception-taken",
        "flash-erased",
        "held-back-again",
        "interrupt-raised",
        "lock-given-back",
        "lock-taken",
        "sleeps",
        "text",
        "control-register",
        "vector-register",
        "vector-table-moved",
        "woken",
    }
)
"""Events that are left out once there are too many: none of them is a finding, a release or a start."""

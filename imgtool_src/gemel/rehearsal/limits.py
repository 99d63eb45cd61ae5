"""What a rehearsal does not show, in plain words."""

from __future__ import annotations

import textwrap

NOT_MODELLED = (
    "Interrupts: only those that one core raises on the other through a register that the layout "
    "describes, the tick timer, PendSV and supervisor calls. They are taken between slices, one at a "
    "time, none interrupts another. No other device ever interrupts.",
    "Time: every instruction counts as one tick of every clock. Real instructions take longer, flash has "
    "wait states, and the two cores run in turn for some thousand instructions each, not at once: a race "
    "between them may stay unseen.",
    "Devices: a register that the layout does not describe reads zero and forgets what is written. Clocks do "
    "not have to be started, memories not to be powered.",
    "DMA: nothing moves data but the two cores.",
    "Caches, write buffers and barriers: all memory is coherent at once.",
    "Memory protection, security attribution and privilege: what the code sets up is held, not enforced; a "
    "core with the Security Extension stays in Secure state.",
    "Faults: the first one of a core ends its rehearsal; its fault handler is named, not run.",
    "Flash: cannot be erased or programmed, has no error correction; unwritten bytes read as erased.",
)

CAUTION = (
    "Passing is evidence, not proof: the reset code of both cores ran from this image's bytes on an emulated "
    "device that is simpler than yours."
)


def limits_page() -> str:
    """The page ``gemel explain rehearsal`` prints: what is not modelled, and what to conclude."""
    lines = ["What a rehearsal does not show", ""]
    for text in NOT_MODELLED:
        lines += textwrap.wrap(text, 78, initial_indent="- ", subsequent_indent="  ")
    lines += ["", *textwrap.wrap(CAUTION, 78)]
    return "\n".join(lines) + "\n"

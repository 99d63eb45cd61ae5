"""What a rehearsal does not show, in plain words."""

from __future__ import annotations

from gemel.text.wrapping import wrapped

NOT_MODELLED = (
    "Interrupts of devices: only those that the layout describes (its events, and what one core raises on the "
    "other), and those of the core itself (the tick timer, PendSV, supervisor calls, pended by software). No "
    "other device ever interrupts.",
    "Time: every instruction counts as one tick of every clock, the same for both cores. Real instructions take "
    "longer, and flash has wait states. The cores take turns of 64 to 1,024 instructions: a race between them "
    "may stay unseen; --interleavings tries other orders.",
    "Devices: a register that the layout does not describe reads zero and forgets what is written. Clocks do "
    "not have to be started, memories not to be powered.",
    "DMA: nothing moves data but the two cores.",
    "Caches, write buffers and barriers: all memory is coherent at once. WFE that no event ends goes on after "
    "some instructions.",
    "Security attribution: what the code sets up is held, not enforced (a note says so where code switches it "
    "on); where a branch, an interrupt or a return leads to Non-secure state, the rehearsal ends without a "
    "verdict. Regions of the memory protection unit are enforced; the instruction TT does not see them (a note "
    "says so where code executes it).",
    "Unaligned addresses of instructions that must be aligned, and stack pointers that are computed and are no "
    "multiple of four: looked at the first 64 times that each is executed.",
    "Float registers are stacked at once where hardware may put that off; code does not see the difference.",
    "RAM at reset: each word that nobody wrote reads 0xF8E7_D6C5, where a device's holds anything. Code that "
    "takes it for zero goes on with that value, and may send another text than on a device.",
    "Flash: erased and programmed only through a controller that the layout describes; no error correction; "
    "unwritten bytes read as erased.",
)

CAUTION = (
    "Passing is evidence, not proof: the reset code of both cores ran from this image's bytes on an emulated "
    "device that is simpler than yours."
)

PROPOSED = (
    "Where code waits for a register that the layout does not describe, the finding has the lines to add, tried "
    "before they are proposed; a flash controller of which code writes the word to a register is not. No lines are "
    "proposed for"
)

NOT_PROPOSED = {
    "status": "how the other core is, which a register that reads zero does not show",
    "mutex": "a lock, whose reads look like those of a status; a proposed constant lets code go on",
    "inter_core_interrupt": "which interrupt of which core a write raises",
    "registers_of": "whose a register is meant to be",
}
"""The tables that no finding and no note proposes: what the accesses of code do not show."""


def limits_page() -> str:
    """The page ``gemel explain rehearsal`` prints: what is not modelled, and what to conclude."""
    lines = ["What a rehearsal does not show", ""]
    for text in NOT_MODELLED:
        lines += wrapped(text, 78, "- ")
    lines += ["", *wrapped(f"{PROPOSED}: {', '.join(f'{a} ({b})' for a, b in NOT_PROPOSED.items())}.", 78)]
    lines += ["", *wrapped(CAUTION, 78)]
    return "\n".join(lines) + "\n"

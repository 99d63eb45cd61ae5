"""Stores that code is known to do, and those that it may do, in code by the assembler."""

from __future__ import annotations

import pytest
from thumb import assembled

from gemel.m_profile.known_stores import ELSEWHERE, known_stores

REGISTER, START = 0x4001_3824, 0x0800_0000

KNOWN = {
    "an offset in a register": ("ldr r3, =0x40013000\nmovw r2, #0x824\nmovs r1, #1\nstr r1, [r3, r2]", 1),
    "as Armv6-M puts it together": (
        "movs r3, #0x40\nlsls r3, r3, #24\nldr r2, =0x13824\nmovs r1, #5\nstr r1, [r3, r2]",
        5,
    ),
    "a value that depends": (
        "ldr r3, =0x40013824\nmovs r1, #1\ncmp r0, #0\nit ne\nmovne r1, #2\nstr r1, [r3]",
        None,
    ),
    "a value that another one does not depend on": (
        "ldr r3, =0x40013824\nmovs r1, #1\ncmp r0, #0\nit ne\nmovne r2, #2\nstr r1, [r3]",
        1,
    ),
}
"""Code that stores to the register, and the value (None: not known)."""

MAY = {
    "passed on": "ldr r0, =0x40013824\nbl .",
    "kept on the stack": "ldr r3, =0x40013824\nstr r3, [sp, #4]",
    "returned": "ldr r0, =0x40013000\nbx lr",
    "one of two": "cmp r0, #0\nbeq 1f\nldr r3, =0x40013824\nb 2f\n1: ldr r3, =0x40013828\n2: str r1, [r3]",
    "with a register as offset": "ldr r3, =0x40013000\nstr r1, [r3, r2]",
    "moved on and counted up": "ldr r3, =0x40013000\nmov r4, r3\n1: adds r4, #4\nstr r1, [r4]\nb 1b",
    "from a round base": "mov.w r3, #0x40000000\nadds r3, r3, r0\nstr r1, [r3]",
    "a round base added": "add.w r3, r0, #0x40000000\nstr r1, [r3]",
    "one byte": "ldr r3, =0x40013825\nstrb r1, [r3]",
    "half a word": "ldr r3, =0x40013824\nstrh.w r1, [r3]",
    "two words": "ldr r3, =0x40013820\nstrd r1, r2, [r3]",
    "several words": "ldr r3, =0x40013820\nstmia r3!, {r0, r1}",
    "after it": "ldr r3, =0x40013820\nstr r1, [r3], #4",
}
NEVER = {
    "another register": "ldr r3, =0x40013820\nstr r1, [r3]",
    "read only": "ldr r3, =0x40013824\nldr r1, [r3]\nstr r1, [r2]",
    "far away": "ldr r3, =0x20000000\nstr r1, [r3, r2]\nldr r0, =0x20000000\nbl .",
    "lost by a call": "ldr r12, =0x40013820\nbl .\nstr r1, [r12, r2]",
    "written, then returned": "ldr r0, =0x40013820\nstr r1, [r0]\nbx lr",
    "overwritten": "ldr r3, =0x40013820\nldr r3, [r2]\nstr r1, [r3]",
}
"""Code that may store there in a way that is not followed, and code that cannot."""


@pytest.fixture(scope="module")
def stores(tmp_path_factory: pytest.TempPathFactory):
    """The stores of each piece of code, all assembled at once, by the piece."""
    sources = dict.fromkeys((*(each for each, _ in KNOWN.values()), *MAY.values(), *NEVER.values()))
    text = "\n".join(f"{source}\n.ltorg\n.balign 256" for source in sources)
    code = assembled(text, tmp_path_factory.mktemp("stores"))
    pieces = (code[at : at + 256] for at in range(0, len(code), 256))

    def of(piece: bytes):
        def word(address: int) -> int | None:
            offset = address - START
            return int.from_bytes(piece[offset : offset + 4], "little") if 0 <= offset < len(piece) else None

        return list(known_stores(piece, START, word, watched=REGISTER))

    return {source: of(piece) for source, piece in zip(sources, pieces, strict=True)}


@pytest.mark.parametrize("case", KNOWN)
def test_stores_that_are_known(case: str, stores) -> None:
    """The target is put together from constants, and the value is known only if it does not depend on a flag."""
    source, value = KNOWN[case]
    assert [each.value for each in stores[source] if each.target == REGISTER] == [value]


@pytest.mark.parametrize("case", MAY)
def test_stores_that_may_be(case: str, stores) -> None:
    """An address near the register that is not followed may lead there."""
    assert {each.target for each in stores[MAY[case]]} & {ELSEWHERE, REGISTER}


@pytest.mark.parametrize("case", NEVER)
def test_stores_that_cannot_be(case: str, stores) -> None:
    """What is followed to another place does not lead there."""
    assert not {each.target for each in stores[NEVER[case]]} & {ELSEWHERE, REGISTER}

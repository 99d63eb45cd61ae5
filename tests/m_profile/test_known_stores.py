"""Stores that code is known to do, and those that it may do, in code by the assembler."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from thumb import assembled

from gemel.m_profile.bit_band import aliases_of_bits
from gemel.m_profile.code.address_flow import REGION, ROUND, WINDOW, AddressFlow
from gemel.m_profile.code.function_steps import Function
from gemel.m_profile.code.known_registers import SEVERAL, STACK_FROM, KnownStore
from gemel.m_profile.code.known_stores import known_stores
from gemel.spans import Span

REGISTER, START, SECOND = 0x4001_3824, 0x0800_0000, 128

KNOWN = {
    "an offset in a register": ("ldr r3, =0x40013000\nmovw r2, #0x824\nmovs r1, #1\nstr r1, [r3, r2]", 1),
    "as Armv6-M puts it together": (
        "movs r3, #0x40\nlsls r3, r3, #24\nldr r2, =0x13824\nmovs r1, #5\nstr r1, [r3, r2]",
        5,
    ),
    "a sum in registers of any number": (
        "ldr r3, =0x40013000\nmovs r2, #0x82\nlsls r2, r2, #4\nmov r12, r2\nadd r3, r12\nmovs r1, #4\n"
        "mov r9, r1\nadd r9, r9\nmov r1, r9\nstr r1, [r3, #4]",
        8,
    ),
    "a value that depends": (
        "ldr r3, =0x40013824\nmovs r1, #1\ncmp r0, #0\nit ne\nmovne r1, #2\nstr r1, [r3]",
        None,
    ),
    "what only a way holds that returns": (
        "ldr r3, =0x40013824\nmovs r1, #1\ncmp r0, #0\nitt ne\nmovne r1, #2\nbxne lr\nstr r1, [r3]",
        1,
    ),
    "what the other way holds after one that returns": (
        "ldr r3, =0x40013824\nmovs r1, #1\ncmp r0, #0\nite ne\nmovne r1, #2\nbxeq lr\nstr r1, [r3]",
        2,
    ),
    "one of two by way": (
        "ldr r3, =0x40013824\nmovs r1, #1\ncmp r0, #0\nbeq 1f\nmovs r1, #2\n1: str r1, [r3]",
        None,
    ),
    "what all ways agree on": (
        "ldr r3, =0x40013824\nmovs r1, #1\ncmp r0, #0\nbeq 1f\nmovs r2, #2\n1: str r1, [r3]",
        1,
    ),
    "what another switch leads to, after a table": (
        "ldr r3, =0x40013824\ncmp r0, #1\nbhi 4f\ntbb [pc, r0]\n0: .byte (1f-0b)/2, (2f-0b)/2\n"
        "1: cmp r2, #3\nbhi 4f\ntbb [pc, r2]\n3: .byte (4f-3b)/2, (4f-3b)/2, (4f-3b)/2, (4f-3b)/2\n"
        "2: movs r1, #7\nstr r1, [r3]\n4: bx lr",
        7,
    ),
    "after a filled table that reads as a load of a literal": (
        "ldr r3, =0x40013824\ncmp r0, #4\nbhi 2f\ntbb [pc, r0]\n.byte 3, 0x4a, 0x4a, 0x4a, 0x4a, 0\n"
        "nop\nnop\nnop\nmovs r1, #7\nstr.w r1, [r3]\n.space 0x80, 0\n2: bx lr",
        7,
    ),
    "what a loop keeps": (
        "ldr r3, =0x40013824\nmovs r1, #3\n1: ldr r2, [r0]\ncmp r2, #0\nbne 1b\nstr r1, [r3]\nb 1b",
        3,
    ),
    "what a loop changes": ("ldr r3, =0x40013824\nmovs r1, #0\n1: adds r1, #1\nstr r1, [r3]\nb 1b", None),
    "a base that loads and stores move on": (
        "ldr r3, =0x4001381c\nmovs r1, #7\nldr r2, [r3], #4\nstr r2, [r3], #4\nstr r1, [r3]",
        7,
    ),
    "what the same block loads": (
        "movs r1, #6\ncmp r0, #0\nitt ne\nldrne r3, =0x40013824\nstrne r1, [r3]",
        6,
    ),
    "what each half of a block loads": (
        "movs r1, #6\ncmp r0, #0\nitete ne\nldrne r3, =0x40013824\nldreq r3, =0x40013828\nstrne r1, [r3]\n"
        "streq r2, [r3]",
        6,
    ),
    "what both halves of a block agree on": (
        "ldr r3, =0x40013824\ncmp r0, #0\nite ne\nmovne r1, #7\nmoveq r1, #7\nstr r1, [r3]",
        7,
    ),
    "a value that another one does not depend on": (
        "ldr r3, =0x40013824\nmovs r1, #1\ncmp r0, #0\nit ne\nmovne r2, #2\nstr r1, [r3]",
        1,
    ),
}
"""Code that stores to the register, and the value (None: not known)."""

MAY = {
    "passed on": "ldr r0, =0x40013824\nbl 1f\nbx lr\nSECOND\n1: str r1, [r0]\nbx lr",
    "passed to unknown code": "ldr r0, =0x40013824\nb .+0x400",
    "kept in memory": "ldr r3, =0x40013824\nstr r3, [r2, #4]",
    "kept on the stack": "ldr r3, =0x40013000\nstr r3, [sp, #4]\nldr r2, [sp, #4]\nstr r1, [r2, r0]",
    "kept in a frame": "add r7, sp, #8\nldr r3, =0x40013000\nstr r3, [r7, #4]\nldr r2, [r7, #4]\n"
    "adds r2, r2, r0\nstr r1, [r2]",
    "returned": "bl 1f\nstr r1, [r0, r2]\nbx lr\nSECOND\n1: ldr r0, =0x40013000\nbx lr",
    "one of two": "cmp r0, #0\nbeq 1f\nldr r3, =0x40013824\nb 2f\n1: ldr r3, =0x40013828\n2: str r1, [r3]",
    "one of two, the other far away": "cmp r0, #0\nbeq 1f\nldr r3, =0x40013824\nb 2f\n1: ldr r3, =0x20000000\n"
    "2: str r1, [r3]",
    "with a register as offset": "ldr r3, =0x40013000\nstr r1, [r3, r2]",
    "moved on and counted up": "ldr r3, =0x40013000\nmov r4, r3\n1: adds r4, #4\nstr r1, [r4]\nb 1b",
    "from a round base": "mov.w r3, #0x40000000\nadds r3, r3, r0\nstr r1, [r3]",
    "a round base added": "add.w r3, r0, #0x40000000\nstr r1, [r3]",
    "one byte": "ldr r3, =0x40013825\nstrb r1, [r3]",
    "half a word": "ldr r3, =0x40013824\nstrh.w r1, [r3]",
    "two words": "ldr r3, =0x40013820\nstrd r1, r2, [r3]",
    "several words": "ldr r3, =0x40013820\nstmia r3!, {r0, r1}",
    "after others": "ldr r3, =0x40013820\nstr r1, [r3], #4\nstr r1, [r3], #4",
    "a bit of it by its alias": "ldr r3, =0x42270484\nstr r1, [r3]",
    # page numbers and other ways to any address at all
    "a page number": "lsls r3, r0, #16\nldr r2, =0x3824\nstr r1, [r3, r2]",
    "a page number, then a base": "ldr r2, =0x4001\nadds r3, r0, r2\nlsls r3, r3, #16\nadds r3, #8\nstr r1, [r3]",
    "a page number and an offset": "orr.w r3, r2, r0, lsl #12\nstr r1, [r3]",
    "a page number in a sum": "add.w r3, r2, r0, lsl #16\nstr r1, [r3]",
    "a page number by a register": "lsls r0, r2\nstr r1, [r0]",
    "shifted in a loop": "1: lsls r0, r0, #1\nsubs r2, #1\nbne 1b\nstr r1, [r0]",
    "added in a loop": "movs r0, #0\n1: add.w r0, r0, #0x10000\nsubs r2, #1\nbne 1b\nstr r1, [r0]",
    "a product": "movs r2, #1\nlsls r2, r2, #12\nmuls r0, r2\nstr r1, [r0]",
    "a product of two": "mul r0, r2, r4\nstr r1, [r0]",
    "with a key": "eors r0, r2\nstr r1, [r0]",
    "with a constant key": "eor.w r0, r0, #0x5a5a5a5a\nstr r1, [r0]",
    "the complement": "mvns r0, r0\nstr r1, [r0]",
    "the negative": "rsbs r0, r0, #0\nstr r1, [r0]",
    "turned": "rors r0, r2\nstr r1, [r0]",
    "bytes in another order": "rev r0, r0\nstr r1, [r0]",
    "a field of bits": "bfi r0, r2, #12, #20\nstr r1, [r0]",
    "half by half": "movt r0, #0x4001\nstr r1, [r0]",
    "half by half, in memory": "sub sp, #8\nstrh.w r0, [sp, #4]\nstrh.w r2, [sp, #6]\nldr r3, [sp, #4]\nstr r1, [r3]",
    "a page number passed on": "lsls r0, r0, #16\nbl 1f\nbx lr\nSECOND\n1: str r1, [r0, #4]\nbx lr",
    "a page number returned": "bl 1f\nstr r1, [r0, #4]\nbx lr\nSECOND\n1: lsls r0, r0, #16\nbx lr",
    "a page number through a variable": "ldr r3, =0x20000000\nlsls r0, r0, #16\nstr r0, [r3, #4]\n"
    "ldr r2, =0x20000004\nldr r2, [r2]\nstr r1, [r2]",
    "a page number in a structure": "lsls r2, r2, #16\nstr r2, [r0, #8]\nldr r3, [r4, #8]\nstr r1, [r3]",
    "after a table of branches": "lsls r3, r0, #16\ntbb [pc, r2]\n0: .byte (1f-0b)/2, (2f-0b)/2\n2: movs r3, #0\n"
    "1: str r1, [r3]\nbx lr",
}
NEVER = {
    "another register": "ldr r3, =0x40013820\nstr r1, [r3]",
    "another one, several times": "ldr r3, =0x40013820\n1: str r1, [r3]\nsubs r2, #1\nbne 1b\nbx lr",
    "another one, passed on": "ldr r0, =0x40013820\nbl 1f\nbx lr\nSECOND\n1: str r1, [r0]\nbx lr",
    "passed on to what does not use it": "ldr r0, =0x40013824\nbl 1f\nbx lr\nSECOND\n1: bx lr",
    "read only": "ldr r3, =0x40013824\nldr r1, [r3]\nstr r1, [r2]",
    "far away": "ldr r3, =0x20000000\nstr r1, [r3, r2]\nldr r0, =0x20000000\nb .",
    "lost by a call": "ldr r12, =0x40013820\nbl 1f\nstr r1, [r12, r2]\nSECOND\n1: bx lr",
    "written, then returned": "ldr r0, =0x40013820\nstr r1, [r0]\nbx lr",
    "overwritten": "ldr r3, =0x40013820\nldr r3, [r2]\nstr r1, [r3]",
    "after it, before the next": "ldr r3, =0x40013820\nstr r1, [r3], #4",
    # numbers that are no addresses
    "two halves as data": "orr.w r0, r0, r2, lsl #16\nstr r0, [r4]\nldr r3, =0x20000000\nstr r0, [r3, #4]",
    "an index": "lsls r0, r0, #2\nadds r3, r3, r0\nstr r1, [r3]",
    "an index in the address": "lsls r0, r0, #2\nstr r1, [r3, r0]",
    "an index of large rows": "ldr r3, =0x20000100\nlsls r0, r0, #10\nadds r0, r0, r3\nstr r1, [r0]",
    "a row of odd size": "movs r2, #76\nmuls r0, r2\nadds r3, r3, r0\nstr r1, [r3]",
    "a field of bits taken out": "lsls r0, r0, #16\nlsrs r0, r0, #24\nadds r3, r3, r0\nstr r1, [r3]",
    "a mask of a bit": "movs r2, #1\nlsls r2, r0\nldr r3, =0x48000418\nstr r2, [r3]",
    "a sum over bytes": "1: eors r0, r2\nlsrs r0, r0, #1\nsubs r4, #1\nbne 1b\nstr r0, [r3]",
    "a string's end on the stack": "sub sp, #8\nmov r0, sp\nstrb r1, [r0, #3]\nldr r2, [r3]\nstr r1, [r2]",
}
"""Code that may store there in a way that is not followed, and code that cannot."""


@pytest.fixture(scope="module")
def pieces(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """The code of each piece, all assembled at once."""
    sources = dict.fromkeys((*(each for each, _ in KNOWN.values()), *MAY.values(), *NEVER.values()))
    second = f".ltorg\n.balign {SECOND}"
    text = "\n".join(f"{source.replace('SECOND', second)}\n.ltorg\n.balign 256" for source in sources)
    code = assembled(text, tmp_path_factory.mktemp("stores"))
    return {source: code[256 * number :][:256] for number, source in enumerate(sources)}


def _words(piece: bytes):
    def word(address: int) -> int | None:
        offset = address - START
        return int.from_bytes(piece[offset : offset + 4], "little") if 0 <= offset < len(piece) else None

    return word


def _may(piece: bytes) -> bool:
    watched = (Span(REGISTER, 4), *aliases_of_bits(REGISTER))
    return AddressFlow(
        watched, {START: piece[:SECOND], START + SECOND: piece[SECOND:]}, _words(piece)
    ).may_store()


@given(
    st.sampled_from([0x0000_0010, 0x2000_0000, 0x4000_4000, 0x5002_1118, 0x5FFF_FFFC, 0xE000_ED88]),
    st.lists(st.integers(0, (1 << 32) - 1), max_size=20),
    st.lists(st.integers(-0x200_0000, 0x200_0000), max_size=20),
)
def test_words_near_a_register_are_found_at_once_as_one_by_one(
    register: int, words: list[int], distances: list[int]
) -> None:
    """Of many words those are told that ``holds`` takes one by one, at the borders of its ranges too."""
    watched = (Span(register, 4), *aliases_of_bits(register))
    flow = AddressFlow(watched, {}, lambda _: None)
    for each in watched:
        region, reach = each.start // REGION * REGION, max(each.size, WINDOW)
        edges = [region, each.start - reach, each.start + reach, each.start - ROUND, each.end]
        words = words + [edge + by for edge in edges for by in (-1, 0, 1)]
        words += [each.start + distance for distance in distances]
    given_words = [word for word in words if 0 <= word < 1 << 32]
    expected = [at for at, word in enumerate(given_words) if flow.holds(word)]
    assert list(flow.near(enumerate(given_words))) == expected
    assert expected


@pytest.mark.parametrize("case", KNOWN)
def test_stores_that_are_known(case: str, pieces) -> None:
    """The target is put together from constants, and the value is known only where nothing else can be in it."""
    source, value = KNOWN[case]
    stores = known_stores(pieces[source], START, _words(pieces[source]))
    assert [each.value for each in stores if each.target == REGISTER] == [value]


@pytest.mark.parametrize("case", MAY)
def test_stores_that_may_be(case: str, pieces) -> None:
    """An address near the register, or one that is computed, may lead there."""
    assert _may(pieces[MAY[case]])


@pytest.mark.parametrize("case", NEVER)
def test_stores_that_cannot_be(case: str, pieces) -> None:
    """What is followed to another place, and numbers that are no addresses, do not lead there."""
    assert not _may(pieces[NEVER[case]])


ROUTINES = {
    "uqi": ("02b4 7146 4908 4900 095c 4900 8e44 02bc 7047", "0204 0504", (4, 8, 10)),
    "sqi": ("02b4 7146 4908 4900 0956 4900 8e44 02bc 7047", "02fe 0505", (4, -4, 10)),
    "uhi": ("03b4 7146 4908 4000 4900 095a 4900 8e44 03bc 7047", "0400 0600 0a00 0800", (8, 12, 20, 16)),
    "shi": ("03b4 7146 4908 4000 4900 095e 4900 8e44 03bc 7047", "0300 0800 feff", (6, 16, -4)),
    "si": ("03b4 7146 0231 8908 8000 8900 0858 4018 8646 03bc f746", "09000000 13000000", (8, 18)),
}
"""Routines of libgcc (of GCC 12, for Armv6-M), a table after a call of one, and how far from the table it leads."""


@pytest.mark.parametrize("name", ROUTINES)
def test_a_switch_by_a_routine_of_the_compiler(name: str) -> None:
    """The words after the call are its table; the code goes on at each place that it leads to, and nowhere else."""
    routine, table, distances = ROUTINES[name]
    code = bytes.fromhex(f"c046c046 00f07cf8 {table} " + "c046" * 24 + "7047")  # BL to 0x100 bytes on
    words = bytes.fromhex(routine).ljust(24, b"\0")

    def word_at(address: int) -> int | None:
        at = address - START - 0x100
        return int.from_bytes(words[at : at + 4], "little") if 0 <= at < len(words) else None

    switch = next(step for step in Function(code, START, word_at).steps if step.address == START + 4)
    expected = {START + 8 + distance for distance in distances}
    assert switch.ends
    assert set(switch.leads_to) == expected
    (plain,) = [step for step in Function(code, START).steps if step.address == START + 4]
    assert (plain.ends, plain.leads_to) == (False, ())


def _stores(source: str, folder: Path) -> list[KnownStore]:
    piece = assembled(f"{source}\n.ltorg", folder)
    return known_stores(piece, START, _words(piece))


def test_of_few_values_each_is_known(tmp_path: Path) -> None:
    """A store says which values it may have where ways meet, up to SEVERAL; a stack pointer, where it is from."""
    ways = "ldr r3, =0x40013824\nmovs r1, #0\n" + "".join(
        f"cmp r0, #{n}\nbeq 1f\nmovs r1, #{n}\n" for n in range(1, SEVERAL)
    )
    for code, values in (
        (f"{ways}1: str r1, [r3]", set(range(SEVERAL))),
        (f"{ways}cmp r0, #9\nbeq 1f\nmovs r1, #9\n1: str r1, [r3]", set()),
    ):
        (store,) = _stores(code, tmp_path)
        assert {each.value for each in store.each if each.value is not None} == values
    for way, origins in (
        ("", {0x0C00_4000}),
        ("cmp r0, #0\nbeq 1f\nldr r3, =0x0C008000\n", {0x0C00_4000, 0x0C00_8000}),
    ):
        code = f"ldr r3, =0x0C004000\n{way}1: ldr r2, [r3]\nldr r4, [r3, #4]\nmsr msp, r2\nbx r4"
        (store,) = _stores(code, tmp_path)
        assert (store.target, {each.value for each in store.each}) == (STACK_FROM, origins)
    assert not _stores("ldr r3, =0x20001000\nmsr msp, r3", tmp_path)

"""Start-up code run with what the image stores: loops that wait, ways that depend on devices, and its bounds."""

from __future__ import annotations

from pathlib import Path

import pytest
from elf_writer import SegmentSpec
from seconds import within
from small_device import STATION, STATION_RAM, builds, joined, layout, station_elf
from thumb import assembled

from gemel.inspection.inspection import Inspection
from gemel.inspection.start_up import started
from gemel.m_profile.execution import start_run as module
from gemel.m_profile.execution import start_ways
from gemel.m_profile.execution.start_run import StartRun, start_run
from gemel.m_profile.execution.values import WrittenBytes
from gemel.spans import Span, merge

CODE, RAM, STACK = 0x0800_0000, 0x2000_0000, 0x2000_8000
COPY = (
    "ldr r0, =0x20000000\nldr r1, =0x08001000\nmovs r2, #16\n"
    "3: ldr r3, [r1], #4\nstr r3, [r0], #4\nsubs r2, #4\nbne 3b\n"
)
COPIED = (WrittenBytes(CODE + 0x1000, Span(RAM, 16)),)


def ran(source: str, folder: Path) -> StartRun:
    """A run of assembly at ``CODE``; sixteen bytes are stored 4 KiB after its start."""
    stored = dict(enumerate(assembled(source + "\n.ltorg", folder), CODE))
    stored |= dict(enumerate(range(1, 17), CODE + 0x1000))
    return start_run(stored.get, CODE | 1, STACK, None)


BEFORE = {
    "nothing": "",
    "a flag of a device that is to be set": "ldr r4, =0x40020000\n1: ldr r5, [r4]\nlsls r5, #4\nbpl 1b\n",
    "the same, left by the branch": "ldr r4, =0x40020000\n1: ldr r5, [r4]\nlsls r5, #4\nbmi 2f\nb 1b\n2:\n",
    "the same, with a time limit": "ldr r4, =0x40020000\nldr r6, =100000\n1: ldr r5, [r4]\nlsls r5, #4\nbmi 2f\n"
    "subs r6, #1\nbne 1b\n2:\n",
    "a delay": "ldr r6, =10000000\n1: subs r6, #1\nbne 1b\n",
    "a sum of flash that is to be zero": "ldr r4, =0x08000000\nldr r6, =0x08001000\nmovs r5, #0\n1: ldr r7, [r4], #4\n"
    "adds r5, r7\ncmp r4, r6\nblo 1b\ncmp r5, #0\nbeq 2f\n4: b 4b\n2:\n",
    "a condition in an IT block": "ldr r4, =0x40020000\nldr r5, [r4]\ncmp r5, #3\nitt eq\nmoveq r6, #1\n"
    "streq r6, [r4]\n",
    "a call": "ldr r4, =0x40020000\nbl 8f\nbl 8f\nb 9f\n8: ldr r5, [r4]\ncmp r5, #0\nbeq 8b\nbx lr\n9:\n",
}


@pytest.mark.parametrize("before", BEFORE)
def test_what_comes_before_is_gone_through(before: str, tmp_path: Path) -> None:
    """Code that waits for a device or passes time does not keep the run from what it copies afterwards."""
    run = ran(f"{BEFORE[before]}{COPY}5: b 5b", tmp_path)
    assert (run.why_not, run.copies) == ("", COPIED)


def test_an_initial_value_that_a_constructor_repeats_is_copied_all_the_same(tmp_path: Path) -> None:
    """A word of .data that goes into an array of cleared words: data is copied, and the array is cleared."""
    clear = "ldr r0, =0x20000010\nmovs r2, #0\nmovs r1, #32\n1: str r2, [r0], #4\nsubs r1, #4\nbne 1b\n"
    fill = (
        "ldr r3, =0x20000000\nldr r3, [r3]\nmovs r1, #32\n1: subs r0, #4\nstr r3, [r0]\nsubs r1, #4\nbne 1b\n"
    )
    stored = dict(enumerate(assembled(f"{COPY}{clear}{fill}5: b 5b\n.ltorg", tmp_path), CODE))
    stored |= dict(enumerate(range(1, 17), CODE + 0x1000))
    run = start_run(stored.get, CODE | 1, STACK, None, (*COPIED, WrittenBytes(None, Span(RAM + 16, 32))))
    assert (run.why_not, run.copies, run.written) == ("", COPIED, (Span(RAM, 48),))


DEVICE, WHOLE = "ldr r4, =0x40020000\nldr r5, [r4]\nldr r0, =0x20000100\nmovs r6, #0\n", 1 << 28
PERHAPS = {
    "an end that a device gives": ("1: cmp r0, r5\nbhs 2f\nstr r6, [r0], #4\nb 1b\n2:\n", 0x100, WHOLE),
    "the same, down": ("1: str r6, [r0, #-4]!\ncmp r0, r5\nbhi 1b\n", 0, 0x100),
    "the same, four words a turn": (
        "1: str r6, [r0]\nadds r3, r0, #4\ncmp r3, r5\nbhs 2f\nstr r6, [r0, #4]\nadds r0, #8\ncmp r0, r5\nblo 1b\n2:\n",
        0x100,
        WHOLE,
    ),
    "a count that a device gives": ("1: str r6, [r0], #4\nsubs r5, #1\nbne 1b\n", 0x100, WHOLE),
    "values from where a device says": (
        "ldr r1, =0x20000120\n1: ldr r3, [r5]\nadds r5, #4\nstr r3, [r0], #4\ncmp r0, r1\nblo 1b\n",
        0x100,
        0x120,
    ),
    "values that a device gives": (
        "ldr r1, =0x20000120\n1: str r5, [r0], #4\ncmp r0, r1\nblo 1b\n",
        0,
        0,
    ),
    "other values up to an end that a device gives": (
        "movs r6, #7\n1: str r6, [r0], #4\ncmp r0, r5\nblo 1b\n",
        0,
        0,
    ),
    "an end that is known": ("ldr r1, =0x20000200\n1: str r6, [r0], #4\ncmp r0, r1\nblo 1b\n", 0, 0),
    "words of which a device says whether": (
        "ldr r1, =0x20000200\n1: ldr r5, [r4]\ncbz r5, 2f\nstr r6, [r0], #4\n2: cmp r0, r1\nblo 1b\n",
        0,
        0,
    ),
    "every second word": ("1: str r6, [r0], #8\ncmp r0, r5\nblo 1b\n", 0, 0),
}


@pytest.mark.parametrize("case", PERHAPS)
def test_what_may_be_initialised_is_said(case: str, tmp_path: Path) -> None:
    """A loop whose end is not known may reach as far as there is memory; what comes from anywhere may be right."""
    source, start, end = PERHAPS[case]
    run = ran(f"{DEVICE}{source}5: b 5b", tmp_path)
    written = run.written if any(each.size >= 32 for each in run.perhaps) else ()
    reached = [each for each in merge([*written, *run.perhaps]) if each.size >= 32]
    assert (run.why_not, reached) == ("", [Span.from_bounds(RAM + start, RAM + end)] if end else [])


def test_vtor_reads_as_what_it_is_at_reset_until_it_is_set(tmp_path: Path) -> None:
    """The first word of the table is where clearing ends, or that of another table which the code has set."""
    clear = "ldr r5, [r4]\nldr r5, [r5]\nldr r0, =0x20000100\nmovs r6, #0\n1: str r6, [r0], #4\ncmp r0, r5\nblo 1b\n"
    for before, end in (("", 0x200), ("ldr r5, =0x08002000\nstr r5, [r4]\n", 0x300)):
        code = assembled(f"ldr r4, =0xE000ED08\n{before}{clear}5: b 5b\n.ltorg", tmp_path)
        stored = dict(enumerate(code, CODE))
        stored |= dict(enumerate((RAM + 0x200).to_bytes(4, "little"), CODE + 0x1000))
        stored |= dict(enumerate((RAM + 0x300).to_bytes(4, "little"), CODE + 0x2000))
        run = start_run(stored.get, CODE | 1, STACK, None, vectors=CODE + 0x1000)
        assert (run.why_not, run.written, run.perhaps) == ("", (Span(RAM + 0x100, end - 0x100),), ())


OPEN = {
    "a pointer that a device gives": "ldr r4, =0x40020000\nldr r5, [r4]\nmovs r6, #0\nstr r6, [r5]\n",
    "a call of a function that nobody knows": "ldr r4, =0x20000100\nldr r5, [r4]\nblx r5\n",
    "a supervisor call": "svc #0\n",
    "code of a ROM": "ldr r5, =0x1FFF0001\nblx r5\n",
}


@pytest.mark.parametrize("before", OPEN)
def test_what_is_not_known_is_said(before: str, tmp_path: Path) -> None:
    """Where anything may have been written, the run does not claim to show all."""
    assert ran(f"{OPEN[before]}{COPY}5: b 5b", tmp_path).why_not


def test_code_that_runs_into_erased_flash_ends_there(tmp_path: Path) -> None:
    """Erased halfwords are no instruction of any core: the fault that they raise ends the way, and that is said."""
    run = ran(COPY + ".hword " + ", ".join(["0xFFFF"] * 8), tmp_path)
    assert run.copies == ran(f"{COPY}5: b 5b", tmp_path).copies != ()
    assert run.why_not.startswith("an undefined instruction at ")
    assert len(run.gone) == len(ran(f"{COPY}5: b 5b", tmp_path).gone)


def test_steps_and_ways_are_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """More instructions than MAX_STEPS or MAX_CODE, or more conditions than MAX_WAYS, and the run says so."""
    fill = "ldr r0, =0x20000000\nldr r1, =0x20010000\nmovs r2, #0\n1: str r2, [r0], #4\ncmp r0, r1\nblo 1b\n5: b 5b"
    asks = "ldr r4, =0x40020000\n" + "ldr r5, [r4]\ncmp r5, #0\nit eq\nmoveq r6, #1\n" * 4 + "5: b 5b"
    assert not ran(fill, tmp_path).why_not
    assert not ran(asks, tmp_path).why_not
    monkeypatch.setattr(module, "MAX_STEPS", 10_000)
    monkeypatch.setattr(start_ways, "MAX_TRIES", 0)
    monkeypatch.setattr(start_ways, "MAX_WAYS", 4)
    assert ran(fill, tmp_path).why_not == "more instructions than are followed"
    assert not ran(asks, tmp_path).why_not
    monkeypatch.setattr(start_ways, "MAX_WAYS", 3)
    assert ran(asks, tmp_path).why_not == "more conditions that are not known than are followed"
    monkeypatch.setattr(start_ways, "MAX_CODE", 7)
    monkeypatch.setattr(module, "MAX_STEPS", 60_000)
    assert not ran(fill, tmp_path).why_not
    monkeypatch.setattr(start_ways, "MAX_CODE", 6)
    assert ran(fill, tmp_path).why_not == "more code than is followed"


def test_a_variable_that_code_sets_is_no_block() -> None:
    """From MIN_BLOCK bytes on, what comes from elsewhere is initialised data from the wrong place."""
    data = SegmentSpec(STATION + 0x400, bytes(range(1, 65)), STATION_RAM, flags="rw")
    given = builds(station=station_elf(ram=None, extra=(data,)))
    placement = Inspection(layout(), joined(handed=given).image, given).placements["station"]
    for size, is_block in ((started.MIN_BLOCK - 1, False), (started.MIN_BLOCK, True)):
        run = StartRun(
            "",
            (),
            (WrittenBytes(STATION + 0x500, Span(STATION_RAM, size)),),
            (),
            (),
            (),
            False,
            None,
            frozenset(),
            (),
        )
        left = started.never_initialised(layout().layout, placement, STATION | 1, run)
        assert (not left) is is_block


KNOWN_ON_THIS_WAY = {
    "ANDS and BNE": "ands r5, r5, r6\nbne 9f\n",
    "CMP and BNE": "cmp r5, #0\nbne 9f\n",
    "CBNZ": "cbnz r5, 9f\n",
    "CMP and BEQ": "cmp r5, #0\nbeq 3f\nb 9f\n3:\n",
}


@pytest.mark.parametrize("asks", KNOWN_ON_THIS_WAY)
def test_what_a_condition_shows_of_a_register_is_known(asks: str, tmp_path: Path) -> None:
    """As where GCC clears memory with the register that it has just found to be zero."""
    device = "ldr r4, =0x40020000\nldr r5, [r4]\nmovs r6, #4\n"
    clears = "ldr r0, =0x20000000\nstr r5, [r0]\nstr r5, [r0, #4]\n9: b 9b"
    assert ran(device + KNOWN_ON_THIS_WAY[asks] + clears, tmp_path).written == (Span(0x2000_0000, 8),)
    elsewhere = (
        KNOWN_ON_THIS_WAY[asks].replace("bne", "ldr r5, [r4]\nbne").replace("beq", "ldr r5, [r4]\nbeq")
    )
    assert ran(f"{device}cbz r5, 9f\n{clears}", tmp_path).written == ()
    if asks != "CBNZ":  # read anew between the comparison and the branch
        assert ran(device + elsewhere + clears, tmp_path).written == ()


@pytest.mark.parametrize(
    ("asks", "stored"),
    [
        ("tst r5, #4\nitete eq\nldreq r6, =3\nldrne r7, =5\nmoveq r7, r6\nmovne r6, #1", {3, 5}),
        ("tst r5, #4\nite eq\nmoveq r7, #3\nmovne r7, #5\nnop\nbne 1f\nadds r7, #1\n1:", {4, 5}),
        ("cmp r5, #4\nit hi\nmovhi r7, #3\nbhi 1f\nmovs r7, #5\n1:", {3, 5}),
        ("cmp r5, #4\nitt eq\ncmpeq r6, #1\nmoveq r7, #3\nit ne\nmovne r7, #5", {3, 5}),
    ],
)
def test_what_is_decided_stays_so_until_flags_are_set(asks: str, stored: set[int], tmp_path: Path) -> None:
    """All of an if-then block, and the branches after it, go one way or the other."""
    run = ran(f"ldr r4, =0x40020000\nldrd r5, r6, [r4]\n{asks}\nstr r7, [r4]\n5: b 5b", tmp_path)
    assert {each.value for each in run.stores} == stored


def test_a_pattern_is_no_copy(tmp_path: Path) -> None:
    """A literal that memory is filled with is not where it came from; what is cleared after that counts."""
    fill = (
        "ldr r0, =0x20000000\nmovs r1, #{}\nldr r2, =0x5AA5C33C\n1: str r2, [r0], #4\nsubs r1, #1\nbne 1b\n"
    )
    some = ran(fill.format(module.MAX_COPIES) + "5: b 5b", tmp_path)
    assert some.written == (Span(0x2000_0000, 4 * module.MAX_COPIES),)
    assert ran(fill.format(module.MAX_COPIES + 1) + "5: b 5b", tmp_path).written == ()
    clear = "ldr r0, =0x20000000\nmovs r2, #0\nstr r2, [r0]\n5: b 5b"
    assert ran(fill.format(40) + clear, tmp_path).written == (Span(0x2000_0000, 4),)


def test_little_more_is_run_once_all_is_initialised(tmp_path: Path) -> None:
    """A program without a main that goes on for ever: with all copied and cleared it is not too long to follow."""
    code = f"{COPY}ldr r0, =0x20001000\n5: str r6, [r0], #4\nb 5b"
    stored = dict(enumerate(assembled(code + "\n.ltorg", tmp_path), CODE))
    stored |= dict(enumerate(range(1, 17), CODE + 0x1000))
    whole = start_run(stored.get, CODE | 1, STACK, None)
    assert whole.why_not == "more instructions than are followed"
    (copied,) = whole.copies
    done = start_run(stored.get, CODE | 1, STACK, None, (copied,))
    assert (done.why_not, done.copies) == ("", whole.copies)
    more = copied._replace(span=Span(copied.span.start, copied.span.size + 4))
    assert start_run(stored.get, CODE | 1, STACK, None, (more,)).why_not == whole.why_not


@pytest.mark.parametrize(("words", "is_found"), [(4, True), (3, False)])
def test_fewer_bytes_than_a_variable_has_are_no_cleared_data(
    words: int, is_found: bool, tmp_path: Path
) -> None:
    """Code that sets some of its variables to zero clears no copied data; 16 bytes in a row are."""
    assert module.MIN_ZEROED == 16
    clears = "movs r3, #0\nldr r0, =0x20000000\n" + "str r3, [r0], #4\n" * words
    code = f"{COPY.replace('#16', '#32')}{clears}ldr r4, =0x08000801\nbx r4"
    stored = dict(enumerate(assembled(code + "\n.ltorg", tmp_path), CODE))
    stored |= dict(enumerate([0xFE, 0xE7], CODE + 0x800)) | dict.fromkeys(
        range(CODE + 0x1000, CODE + 0x1020), 1
    )
    copied = WrittenBytes(CODE + 0x1000, Span(RAM, 32))
    run = start_run(stored.get, CODE | 1, STACK, CODE + 0x801, (copied,))
    assert run.zeroed == ((Span(RAM, 16),) if is_found else ())


def test_what_code_writes_is_bounded(tmp_path: Path) -> None:
    """Twelve words an instruction at an odd address, and 90 ways from where much is written."""
    asks = "".join(f"ldr r5, [r4]\ncmp r5, #{value}\nbne 2f\nadds r6, #1\n2:\n" for value in range(90))
    block = (
        "ldr r0, =0x2000000{}\nldr r7, =0x20038000\nmovs r1, #0\n"
        "1: stmia r0!, {{r1-r3, r8-r12}}\ncmp r0, r7\nblo 1b\n"
    )
    for code in (block.format(1) + "5: b 5b", f"ldr r4, =0x40020000\n{block.format(0)}{asks}5: b 5b"):
        with within(2):
            run = ran(code, tmp_path)
        assert run.why_not == "more instructions than are followed"


def test_a_loop_that_counts_is_left_for_last(tmp_path: Path) -> None:
    """It changes memory for ever; the way beside it is gone before all instructions are spent there."""
    device = "ldr r4, =0x40020000\nldr r5, [r4]\ncbnz r5, 3f\n"
    counts = "2: ldr r0, =0x20000000\nldr r1, [r0]\nadds r1, #1\nstr r1, [r0]\nb 2b\n"
    clears = "3: movs r2, #0\nldr r0, =0x20000100\nstr r2, [r0]\n9: b 9b"
    assert Span(0x2000_0100, 4) in ran(device + counts + clears, tmp_path).written


DIVIDES = "push {r0, lr}\ncmp r1, #0\nbeq 6f\nudiv r0, r2, r1\n6: pop {r0, pc}\n"
TABLE = "ldr r0, =0xE000ED08\nldr r1, =0x20000100\nstr r1, [r0]\n"


@pytest.mark.parametrize(
    ("before", "blank"),
    [("", {RAM + 0x100}), ("ldr r3, =0x08000001\nstr r3, [r1, #12]\n", set())],
    ids=["never filled", "filled before"],
)
def test_a_table_is_blank_where_the_main_loop_goes_round(
    before: str, blank: set[int], tmp_path: Path
) -> None:
    """Ways that are tried from a loop on end anywhere: what they return to is kept, and a table was blank by then."""
    loop = "movs r2, #9\n1: movs r1, #3\nbl 7f\nb 1b\n7: "
    run = ran(f"{TABLE}{before}{loop}{DIVIDES}", tmp_path)
    assert run.blank_tables == blank


def test_a_table_that_is_filled_after_a_loop_that_waits_is_not_blank(tmp_path: Path) -> None:
    """A handler that another way writes counts, a number does not."""
    waits = "ldr r4, =0x20000400\nmovs r5, #0\nstr r5, [r4]\n1: ldr r5, [r4]\ncmp r5, #0\nbeq 1b\n"
    fills = "ldr r3, =0x08000001\nstr r3, [r1, #12]\n2: b 2b"
    assert ran(TABLE + waits + fills, tmp_path).blank_tables == frozenset()
    assert ran(TABLE + waits + fills.replace("0x08000001", "77"), tmp_path).blank_tables == {RAM + 0x100}


def test_where_the_main_loop_goes_round_is_an_end(tmp_path: Path) -> None:
    """With the table that is set there, whatever becomes of the ways that are tried from it on."""
    run = ran(f"{TABLE}1: ldr r4, [r0]\nmovs r2, #1\ncmp r2, #1\nbeq 1b\nbx r7", tmp_path)
    assert RAM + 0x100 in {end.table for end in run.ends}

"""Which of the emulator's cores stands for which architecture: measured, and held against what is said."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest
from rehearsals import device, gauge, kinds
from thumb import assembled
from unicorn import UC_ARCH_ARM, UC_HOOK_INTR, UC_MODE_THUMB, UC_PROT_ALL, Uc, UcError

from gemel.image.sparse import SparseBytes
from gemel.layout.model import Core
from gemel.layout.reader import read_layout
from gemel.rehearsal.kinds import FATAL
from gemel.rehearsal.result import Rehearsal
from gemel.rehearsal.session import RehearsalOptions, rehearse
from gemel.rehearsal.setup.core_setup import emulated_as, profile_notes

FLASH = 0x1000_0000
SAMPLES = {
    "mainline": "add.w r8, r9, r10",
    "baseline": "movw r0, #1",
    "dsp": "sadd8 r0, r1, r2",
    "fp": "vadd.f32 s0, s1, s2",
    "fp-double": "vadd.f64 d0, d1, d2",
    "armv8": "lda r0, [sp]",
}
EXECUTES = {
    "armv6-m": set[str](),
    "armv7-m": {"baseline", "mainline"},
    "armv7e-m": {"baseline", "mainline", "dsp", "fp"},
    "armv7e-m double": {"baseline", "mainline", "dsp", "fp", "fp-double"},
    "armv8-m.main": {"baseline", "mainline", "dsp", "fp", "armv8"},
}
"""What the emulator's core for each architecture was measured to execute."""


def core(architecture: str, *extensions: str) -> Core:
    """A core with only what the profile asks."""
    return Core(
        name="station", role="primary", architecture=architecture, extensions=extensions, interrupts=1
    )


def executes(number: int, code: bytes) -> bool:
    """Whether the emulator's core of that number executes one instruction."""
    emulator = Uc(UC_ARCH_ARM, UC_MODE_THUMB, number)
    emulator.mem_map(FLASH, 0x1000, UC_PROT_ALL)
    emulator.mem_map(0x2000_0000, 0x1000, UC_PROT_ALL)
    emulator.mem_write(FLASH, code + b"\xfe\xe7")
    from unicorn.arm_const import UC_ARM_REG_SP

    emulator.reg_write(UC_ARM_REG_SP, 0x2000_0800)
    taken = []
    emulator.hook_add(UC_HOOK_INTR, lambda uc, number, data: (taken.append(number), uc.emu_stop()))
    try:
        emulator.emu_start(FLASH | 1, 0, count=1)
    except UcError:
        return False
    return not taken


@pytest.mark.parametrize("name", EXECUTES)
def test_emulated_cores_execute_what_is_said_of_them(name: str, tmp_path: Path) -> None:
    """The table of what each emulated core executes is true of the installed emulator."""
    architecture, _, double = name.partition(" ")
    number = emulated_as(core(architecture, *(["fp-double"] if double else [])))
    found = {
        need
        for need, line in SAMPLES.items()
        if executes(number, assembled(line, tmp_path, "armv8-m.main+dsp+fp.dp"))
    }
    assert found == EXECUTES[name]


@pytest.mark.parametrize(
    ("architecture", "extensions", "said"),
    [
        ("armv7-m", (), ""),
        ("armv7e-m", ("fp", "dsp"), ""),
        ("armv7e-m", ("dsp",), "Armv7E-M core with DSP and float"),
        ("armv8-m.main", ("fp", "dsp"), ""),
        ("armv8-m.main", (), "Armv8-M Mainline core with DSP"),
        ("armv8-m.main", ("fp-double", "dsp"), "no double-precision"),
        ("armv8-m.base", (), "Armv8-M Mainline core"),
        ("armv8.1-m.main", ("mve",), "no Armv8.1-M core"),
        ("armv6-m", (), "armv6-m faults on unaligned accesses; each would be reported"),
    ],
)
def test_a_stand_in_is_told_of(architecture: str, extensions: tuple[str, ...], said: str) -> None:
    """Where the emulator has no such core, the result says which one stands for it; else nothing."""
    notes = " ".join(profile_notes(core(architecture, *extensions)))
    assert said in notes
    assert bool(notes) == bool(said)


@pytest.mark.parametrize("suffix", ["-base", "-v6"])
def test_lesser_cores_rehearse(suffix: str) -> None:
    """Samplers for Armv8-M Baseline and Armv6-M run through the whole handshake without a finding."""
    architecture = {"-base": "armv8-m.base", "-v6": "armv6-m"}[suffix]
    rehearsal = device(sampler=f"none{suffix}", replace=sampler_is(architecture)).rehearse()
    assert rehearsal.findings == ()
    assert all(goal.reached for goal in rehearsal.goals)


@pytest.mark.parametrize("architecture", ["armv8-m.base", "armv6-m"])
def test_build_for_a_greater_core_is_found(architecture: str) -> None:
    """A sampler compiled for Armv8-M Mainline on a lesser core meets an instruction that the core lacks."""
    rehearsal = device(replace=sampler_is(architecture)).rehearse()
    assert kinds(rehearsal) == [("instruction-missing", "sampler")]
    finding = rehearsal.findings[0]
    assert finding.place is not None
    assert finding.place.source.startswith(("core.c", "sampler.c"))


def test_unaligned_word_on_armv6_m_is_a_fault() -> None:
    """The emulator's Armv6-M core faults on an unaligned word by itself."""
    rehearsal = device(sampler="unaligned-word-v6", replace=sampler_is("armv6-m")).rehearse()
    assert kinds(rehearsal) == [("alignment-fault", "sampler")]


def test_unaligned_word_on_baseline_is_found_by_the_watch() -> None:
    """On Armv8-M Baseline, emulated by a greater core, the watch for alignment finds it."""
    case = device(sampler="unaligned-word-base", replace=sampler_is("armv8-m.base"))
    assert case.rehearse().findings == ()
    watched = case.rehearse(watches=("alignment",))
    assert kinds(watched) == [("unaligned", "sampler")]


def test_what_the_emulator_cannot_execute_is_no_verdict(tmp_path: Path) -> None:
    """Double-precision arithmetic of an Armv8-M core ends the rehearsal; the finding says just that."""
    enable = "ldr r2, =0xE000ED88\n ldr r3, =0xF00000\n str r3, [r2]\n dsb\n isb\n"
    rehearsal = of_station('["fp-double"]', enable + "vadd.f64 d0, d1, d2\n b .\n .ltorg", tmp_path)
    assert kinds(rehearsal)[0] == ("instruction-not-emulated", "station")
    assert not rehearsal.passes


@pytest.mark.parametrize(
    ("access", "found"),
    [
        ("vldr d0, [r2, #4]\n vstr d0, [r2, #12]\n vldm r2, {d0, d1}", ["endless-loop"]),
        ("vldr d0, [r3, #4]", ["unmapped-read"]),
        ("adds r2, #2\n vldr d0, [r2]", ["alignment-fault"]),
    ],
)
def test_a_pair_of_words_is_aligned_as_a_word(access: str, found: list[str], tmp_path: Path) -> None:
    """Double-precision loads and stores under the alignment trap (DDI 0553, "VLDR", from memory)."""
    enable = "ldr r2, =0xE000ED88\n ldr r3, =0xF00000\n str r3, [r2]\n ldr r2, =0xE000ED14\n movs r3, #8\n"
    places = "str r3, [r2]\n dsb\n isb\n ldr r2, =0x38000100\n ldr r3, =0x60000000\n"
    rehearsal = of_station('["fp-double"]', f"{enable} {places} {access}\n b .\n .ltorg", tmp_path)
    assert [each.kind for each in rehearsal.findings][:1] == found


PRIVILEGE = [
    ("armv6-m", "[]", 1, 1),
    ("armv6-m", "[]", 3, 1),
    ("armv6-m", "[]", 2, 0),
    ("armv6-m", "[]", 0, 0),
    ("armv6-m", '["mpu"]', 1, 0),
    ("armv8-m.main", '["mpu"]', 1, 0),
]


@pytest.mark.parametrize(("architecture", "extensions", "control", "count"), PRIVILEGE)
def test_privilege_that_the_core_may_not_have_is_a_note(
    architecture: str, extensions: str, control: int, count: int, tmp_path: Path
) -> None:
    """Armv6-M code that gives it up goes on with it where the core may lack it, and is told so."""
    source = f"movs r0, #0\n msr control, r0\n movs r0, #{control}\n msr control, r0\n isb\n 1: wfi\n b 1b"
    rehearsal = of_station(extensions, source, tmp_path, architecture)
    assert sum("gave up its privilege (CONTROL.nPRIV)" in note for note in rehearsal.notes) == count


USER = "movs r0, #1\n msr control, r0\n isb\n"
CALLED = "movs r0, #0\n mrs r4, control\n msr control, r0\n isb\n bx lr\n"
READS_ID = "ldr r0, =0xE000ED00\n ldr r3, [r0]\n"
TICKS = "ldr r0, =0xE000E010\n movs r1, #99\n str r1, [r0, #4]\n movs r1, #7\n str r1, [r0]\n"
ONE_REGION = (
    "ldr r0, =0xE000ED98\n movs r1, #0\n str r1, [r0]\n ldr r1, =0x38004000\n str r1, [r0, #4]\n"
    "ldr r1, =0x01000017\n str r1, [r0, #8]\n ldr r1, =0xE000ED94\n movs r2, #5\n str r2, [r1]\n dsb\n isb\n"
)
WITHOUT = {
    "a register of its own": (USER + READS_ID, "", "unprivileged-access", 0),
    "and with privilege": (READS_ID + "movs r7, #5\n", "", "", 5),
    "and in a handler": (USER + "svc #0\n movs r7, #6\n", READS_ID + "bx lr\n", "", 6),
    "and given back by a handler": (USER + "svc #0\n" + READS_ID + "mov r7, r4\n", CALLED, "", 1),
    "given back by itself": (
        USER + "movs r0, #0\n msr control, r0\n" + READS_ID,
        "",
        "unprivileged-access",
        0,
    ),
    "masks": (USER + "cpsid i\n svc #0\n mrs r7, primask\n", CALLED, "", 0),
    "masks that it sets by MSR": (USER + "msr primask, r0\n svc #0\n mrs r7, primask\n", CALLED, "", 0),
    "masks that were set": ("cpsid i\n" + USER + "mrs r7, primask\n", "", "", 0),
    "stack pointers": (
        "ldr r1, =0x38002000\n msr psp, r1\n" + USER + "adds r1, #16\n msr psp, r1\n svc #0\n mrs r7, psp\n",
        CALLED,
        "",
        0x3800_2000,
    ),
    "stack pointers that it reads": (
        "ldr r1, =0x38003000\n msr psp, r1\n" + USER + "movs r7, #1\n mrs r7, psp\n",
        "",
        "",
        0,
    ),
    "flags": (
        USER + "movs r1, #1\n lsls r1, #30\n msr apsr_nzcvq, r1\n bne 3f\n movs r7, #9\n3:\n",
        "",
        "",
        9,
    ),
    "what it reads of CONTROL": (USER + "mrs r7, control\n", "", "", 1),
    "ticks, which it cannot mask": (
        TICKS + USER + "cpsid i\n movs r7, #0\n3: cmp r7, #0\n beq 3b\n",
        "movs r7, #3\n bx lr\n",
        "",
        3,
    ),
    "a region for privileged code": (
        ONE_REGION + "ldr r1, =0x38004000\n str r1, [r1]\n" + USER + "str r1, [r1]\n",
        "",
        "protected-",
        0,
    ),
}


@pytest.mark.parametrize("name", WITHOUT)
def test_code_of_an_armv6_m_core_without_privilege(name: str, tmp_path: Path) -> None:
    """With "mpu" such a core has it: what is closed is a HardFault, what is ignored has no effect."""
    source, handler, kind, value = WITHOUT[name]
    source = (
        f"movs r4, #0\n movs r7, #0\n {source} ldr r0, =0x38010000\n str r7, [r0]\n 9: wfi\n b 9b\n .ltorg\n"
    )
    rehearsal = of_station('["mpu"]', source, tmp_path, "armv6-m", f"{handler or '8: b 8b'}\n .ltorg\n")
    found = [each.kind for each in rehearsal.findings if each.kind in FATAL]
    assert bool(found) is bool(kind), rehearsal.findings
    assert not kind or found[0].startswith(kind)
    if not kind:
        assert int.from_bytes(rehearsal.shared_memory["link"][:4], "little") == value


COUNTS_CYCLES = (
    "ldr r0, =0xE0001004\n movs r2, #100\n 1: ldr r1, [r0]\n cmp r1, r2\n blo 1b\n 9: wfi\n b 9b\n .ltorg"
)
COUNTER_ON = (
    "ldr r0, =0xE000EDFC\n movs r1, #1\n lsls r1, #24\n str r1, [r0]\n ldr r0, =0xE0001000\n movs r1, #1\n"
    " str r1, [r0]\n movs r1, #0\n str r1, [r0, #4]\n"
)


@pytest.mark.parametrize(
    ("architecture", "switched", "says"),
    [
        ("armv6-m", "", "a core of armv6-m has no cycle counter, and reads zero: count by SysTick"),
        ("armv6-m", COUNTER_ON, "a core of armv6-m has no cycle counter, and reads zero: count by SysTick"),
        ("armv8-m.main", "", "let it count: set bit 24 of DEMCR (0xE000_EDFC), then bit 0 of DWT_CTRL"),
        ("armv8-m.main", COUNTER_ON, ""),
    ],
)
def test_a_wait_for_the_cycle_counter(architecture: str, switched: str, says: str, tmp_path: Path) -> None:
    """Where the core has none, or it stands, the loop that waits for a count has that for a cause."""
    rehearsal = of_station("[]", switched + COUNTS_CYCLES, tmp_path, architecture)
    found = [each for each in rehearsal.findings if each.kind == "endless-loop"]
    assert len(found) == bool(says)
    assert all("0xE000_1004 (DWT_CYCCNT)" in each.found and says in each.next_step for each in found)


def of_station(
    extensions: str, source: str, folder: Path, architecture: str = "armv8-m.main", handler: str = ""
) -> Rehearsal:
    """The tide gauge's station with other extensions and other code."""
    text = gauge("in-place").read.text.replace('["mpu", "security"]', extensions, 1)
    if architecture == "armv6-m":
        text = text.replace("armv8-m.main", architecture, 1).replace("interrupts = 124", "interrupts = 32", 1)
    image = SparseBytes()
    vector = struct.pack("<I", FLASH + (0x801 if handler else 0x401))
    image.write(FLASH, struct.pack("<II", 0x3800_8000, FLASH + 0x401) + vector * 138)
    if handler:
        image.write(FLASH + 0x800, assembled(handler, folder, "armv6s-m"))
    image.write(FLASH + 0x400, assembled(source, folder, "armv8-m.main+dsp+fp.dp"))
    options = RehearsalOptions(budget=40_000, isolate=False)
    return rehearse(read_layout(text.encode(), "x.toml"), image, {}, options)


def sampler_is(architecture: str) -> dict[str, str]:
    """The replacement that gives the small device's sampler another architecture."""
    before = '[core.sampler]\nrole = "secondary"\narchitecture = "armv8-m.main"'
    return {before: before.replace("armv8-m.main", architecture)}

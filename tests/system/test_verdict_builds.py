"""The builds of ``testdata/verdict``: sound but unusual ones break no rule, and one fault gives its findings."""

from __future__ import annotations

import re
import subprocess
from itertools import product
from pathlib import Path

import pytest
from draft import cases as drafts
from small_device import TODAY
from tools import required_tool
from verdict_builds import (
    ARCHITECTURES,
    AT_ZERO,
    BUILT,
    FOLDER,
    WITH_LOADER,
    broken_in,
    build_of,
    builds_of,
    judged,
    layout_of,
    of,
    renamed,
)

from gemel.builds.build import Build
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.checking.runner import check
from gemel.draft.document import document
from gemel.draft.drafting import draft
from gemel.errors import BuildError, GemelError
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.m_profile.architectures import EXTENSIONS_OF
from gemel.rehearsal.session import RehearsalOptions, rehearse
from gemel.show.facts.gather import contents_of

SOUND: tuple[tuple[str, ...], ...] = (
    (),
    ("station-tables", "sampler-tables"),
    # the primary clears or initialises what is shared before the release
    ("station-link-cleared",),
    ("station-link-initialised",),
    # gaps that the plain binary of the second build fills with 0x00 or 0xFF
    ("station-embeds-zeros", "sampler-gaps"),
    ("station-embeds-ones", "sampler-gaps"),
    ("station-embeds-padded", "sampler-gaps"),
    # two phases of code at one run address, copied in turn
    ("station-overlays",),
    # the first of them in one segment with the data before it
    ("station-overlays-no-phdrs",),
    # an object in a section of type INFO, in RAM of its own
    ("sampler-extra-info",),
    # a section without bytes at the end of RAM, up to which lld has a segment reach
    ("sampler-stack-empty",),
    # zeros that the linker stores for a stack, and code that puts constants onto it
    ("sampler-stack-stored",),
    # a secondary that clears what nobody initialises
    ("sampler-link-cleared-in-code",),
    # a secondary that takes what the primary has written, before it clears it, or clears all RAM of its own
    ("station-link-marked",),
    ("station-link-marked", "sampler-link-taken"),
    ("station-link-marked", "sampler-ram-cleared"),
    # labels of what keeps its content, around nothing, or in front of all that is not cleared
    ("sampler-kept-nothing",),
    ("sampler-kept-all",),
    # what is shared in no segment, and no program headers in the script
    ("station-link-none",),
    ("station-no-phdrs", "sampler-nmagic"),
    # a handler that skips a prologue by design, and a table set by the code
    ("sampler-entries",),
    ("sampler-isr",),
    ("sampler-vtor",),
    ("sampler-vtor-passed",),
    # a primary that sets its table to 0, where flash may have an alias
    ("station-vtor-zero",),
    # a release register whose page number is computed
    ("station-release-page",),
    # the address of the sampler's vectors as a number in the code alone
    ("station-number",),
    ("station-number-clang",),
    # the second of two slots, by what a device answers, or an address that a device gives
    ("station-release-slot",),
    ("station-release-given",),
    # instructions of an extension that the core lacks, behind a test of its state
    ("sampler-guarded",),
    ("sampler-dispatched",),
    ("sampler-tasks",),
    # bits of its own RAM by the words of an alias
    ("sampler-bit-band",),
    ("sampler-bit-band-clang",),
    # a limit of the main stack inside its area
    ("sampler-limit",),
    ("sampler-limit-clang",),
    ("sampler-limit-passed",),
    # a C library's own start and linker script, with debug information of its own only
    ("station-library", "sampler-library"),
    # stacks first in RAM, in sections without objects; a table in assembler; a reset handler that ends in a jump
    ("sampler-stacks",),
    # the same with sections whose names say nothing
    ("sampler-stacks-plain",),
    # the same by the location counter: lld has a stack in the segment of the vectors, which reaches over all flash
    ("sampler-stacks-by-counter",),
    # the address of the secondary's vectors among the copied data
    ("station-start-copied",),
    # what is shared is volatile on both sides, or on neither
    ("station-debug", "sampler-debug"),
    ("station-link-plain", "sampler-link-plain"),
    ("station-link-members", "sampler-link-members"),
)
"""Files in which nothing is wrong, each with the sound build of the other core."""

RELEASE = {"start-releases-secondary": 1}
NOT_COPIED = {"initialised-data-copied": 1}
NOT_CLEARED = {"cleared-data-cleared-whole": 1}
FAULTS: dict[str, dict[str, int]] = {
    # allocated sections in no segment, over the other core's data
    "sampler-extra-none": {"ram-claims-in-own-areas": 1},
    "sampler-extra-copy": {"ram-claims-in-own-areas": 1},
    "sampler-space-in-flash": {"ram-claims-in-own-areas": 1},
    "sampler-extra-orphan": {"ram-claims-in-own-areas": 1},
    "sampler-bit-band-station": {"ram-claims-in-own-areas": 1},
    # cleared and copied data
    "sampler-bss-orphans": NOT_CLEARED,
    "sampler-bss-end-early": NOT_CLEARED,
    "sampler-bss-nothing": NOT_CLEARED,
    "sampler-link-cleared": {"start-clears-own-ram": 1},
    "station-data-empty": NOT_COPIED,
    "station-data-end-early": NOT_COPIED,
    "sampler-table-empty": NOT_COPIED,
    "sampler-data-orphans": NOT_COPIED,
    "sampler-clear-table-empty": NOT_CLEARED,
    "sampler-clear-entry-empty": NOT_CLEARED,
    "sampler-kept-nothing-not-cleared": NOT_CLEARED,
    "sampler-kept-before-not-cleared": NOT_CLEARED,
    "sampler-constants-noload": {"ram-claims-in-own-areas": 1},
    "sampler-data-in-flash": {"initialised-data-in-ram": 1},
    # code that copies itself to RAM, of which the layout says nothing: a warning
    "sampler-ram-code": NOT_COPIED,
    "sampler-ram-linked": NOT_COPIED,
    # vectors
    "sampler-vector-inside": {"handlers-at-function-starts": 1},
    "sampler-vector-variable": {"handlers-executable": 1},
    "sampler-vector-constant": {"handlers-executable": 1},
    "sampler-reset-behind": {"handlers-at-function-starts": 1},
    "sampler-reset-constant": {"handlers-executable": 1},
    "sampler-vectors-short": {"vector-table-complete": 1},
    # no word for an interrupt, of which the code enables none, but the tick timer
    "sampler-vectors-none": {"required-handlers-present": 1},
    "sampler-vectors-none-enabled": {"vector-table-complete": 1},
    "sampler-vectors-collected": {"vector-table-not-blank": 1},
    "sampler-note-first": {"vector-table-not-blank": 1},
    # what the code sets
    "sampler-vtor-station": {"vector-register-own-table": 1},
    "sampler-vtor-passed-station": {"vector-register-own-table": 1},
    "sampler-vtor-nothing": {"vector-register-own-table": 1},
    # a table in RAM that nothing fills
    "sampler-vtor-blank": {"vector-register-own-table": 1},
    "sampler-vtor-passed-blank": {"vector-register-own-table": 1},
    # sections that were left out of the file
    "sampler-no-constants": {"addressed-constants-stored": 1},
    # copy tables right after an object of constants
    "sampler-no-tables": {"addressed-constants-stored": 1},
    "sampler-no-data": {"start-copies-stored-data": 1},
    "station-start-copied-elsewhere": {"start-copies-stored-data": 1},
    # code, or all of it, moved by objcopy; where the code was, the segment before it is filled up
    "sampler-code-moved": {"code-runs-where-stored": 1},
    "sampler-all-moved": {"code-runs-where-stored": 1},
    "sampler-limit-close": {"stack-limit-below-stack": 1},
    "sampler-limit-above": {"stack-limit-below-stack": 1},
    "sampler-limit-passed-above": {"stack-limit-below-stack": 1},
    "sampler-limit-elsewhere": {"stack-limit-below-stack": 1},
    "station-release-slot-elsewhere": RELEASE,
    "station-release-value": RELEASE,
    # a heap that ends far off: over the stack, what is shared, and RAM that nobody has
    "sampler-library-heap": {"ram-claims-in-own-areas": 1},
    # instructions that the core lacks
    "sampler-unguarded": {"instructions-fit-core": 1},
    "sampler-not-dispatched": {"instructions-fit-core": 1},
    "sampler-not-tasks": {"instructions-fit-core": 1},
    # a table without a symbol, and blocks that no name says much of
    "sampler-stacks-upside-down": {"stack-has-room": 1},
    "sampler-stacks-table-short": {"vector-table-complete": 1},
    "sampler-stacks-no-reset": {"reset-handler-in-code": 1},
    "sampler-stacks-vectors-not-stored": {"vector-table-not-blank": 1},
    "sampler-stacks-constant": {"handlers-executable": 1},
    "sampler-stacks-constants-noload": {"ram-claims-in-own-areas": 1},
    "sampler-stacks-not-copied": NOT_COPIED,
    "sampler-stacks-cleared-again": {"start-clears-own-ram": 1},
    "sampler-stacks-not-cleared": NOT_CLEARED,
    "sampler-stacks-cleared-early": NOT_CLEARED,
    # a quarter is cleared of a section, and variables run in flash, whose names say nothing
    "sampler-stacks-plain-cleared-early": NOT_CLEARED,
    "sampler-stacks-plain-cleared-late": NOT_CLEARED,
    "sampler-stacks-plain-in-flash": {"initialised-data-in-ram": 1},
    # what is shared
    "station-link-pointer": {"shared-values-not-private": 1},
    "sampler-link-pointer": {"shared-values-not-private": 1},
}
"""For each faulty build the rules that it breaks, with the number of findings."""


PAIRS: dict[tuple[str, str], dict[str, int]] = {
    ("station-link-members", "sampler-link-member-plain"): {"shared-objects-guarded-alike": 1},
    ("station-link-plain", "sampler-debug"): {"shared-objects-guarded-alike": 1},
    ("station-debug", "sampler-link-plain"): {"shared-objects-guarded-alike": 1},
    ("station-debug", "sampler-link-atomic"): {"shared-atomics-alike": 1},
    ("station-link-initialised", "sampler-link-initialised"): {"shared-areas-initialised-by-one": 1},
    ("station-link-initialised", "sampler-link-cleared-in-code"): {"start-clears-own-ram": 1},
    # what the primary's code writes before the release
    ("station-link-marked", "sampler-link-cleared-in-code"): {"start-clears-own-ram": 1},
    ("station-link-marked", "sampler-ram-cleared-on"): {"start-clears-own-ram": 1},
    # gaps between the sections of a segment that the plain binary of the second build fills with 0xFF
    ("station-embeds-sections", "sampler-ram-code"): NOT_COPIED,
}
"""Pairs that differ in how they access what they share, or both initialise it, or one with a copy of the other."""

USES_FLOAT = {
    "sampler-float-first": {},
    "sampler-float-late": {"float-enabled-before-use": 1},
    "sampler-float-late-clang": {"float-enabled-before-use": 1},
    "sampler-float-never": {"float-enabled-before-use": 1},
    "sampler-float-other-bits": {"float-enabled-before-use": 1},
    # a handler, or a task that nothing calls by name, of a build that never enables the unit; one that does
    "sampler-float-handler": {"float-enabled-before-use": 1},
    "sampler-float-handler-clang": {"float-enabled-before-use": 1},
    "sampler-float-handler-bits": {"float-enabled-before-use": 1},
    "sampler-float-task": {"float-enabled-before-use": 1},
    "sampler-float-task-clang": {"float-enabled-before-use": 1},
    "sampler-float-handler-late": {},
}
"""Builds for a core with a floating-point unit, which is switched off at reset."""

ATOMICS = {"shared-atomics-alike": 2}
LANGUAGES: dict[tuple[str, str], dict[str, int]] = {
    ("station-c", "sampler-rust"): ATOMICS,
    ("station-c-atomic", "sampler-rust"): {"shared-atomics-alike": 1},
    ("station-c", "sampler-cxx"): {"shared-atomics-alike": 3},
    ("station-c-atomic", "sampler-cxx"): {"shared-atomics-alike": 2},
    ("station-c", "sampler-rust-tagged"): {"shared-symbols-agree": 1, **ATOMICS},
    ("station-c", "sampler-rust-swapped"): {"contract-types-agree": 1, **ATOMICS},
    ("station-c", "sampler-rust-lost"): {"shared-symbols-agree": 1, **ATOMICS},
    ("station-c", "sampler-rust-cells"): ATOMICS,
    ("station-c", "sampler-rust-referenced"): {"shared-symbols-agree": 1, **ATOMICS},
    ("station-c", "sampler-rust-moved"): {"shared-symbols-agree": 1, **ATOMICS},
}
"""A C primary with a secondary in Rust or C++: no more than notes on what is atomic, unless something is wrong."""

CONTRACT = (
    (
        'symbols = ["link_words"]',
        'symbols = ["link", "link_turn", "link_words", "link_quality"]\ntypes = ["struct Link"]',
    ),
)
FLOAT = (('role = "secondary"\n', 'role = "secondary"\nextensions = ["fp"]\n'),)
"""A secondary with a floating-point unit."""

STARTUP: dict[tuple[str, str], dict[str, int]] = {
    ("station-startup", "sampler-startup"): {},
    # copied by labels, or a table, of names of their own; what is shared too
    ("station-startup", "sampler-startup-block"): {},
    ("station-startup", "sampler-startup-block-table"): {},
    ("station-startup-shared", "sampler-startup"): {},
    # labels that no code uses
    ("station-startup", "sampler-startup-block-unused"): NOT_COPIED,
    ("station-startup", "sampler-startup-not-cleared"): NOT_CLEARED,
    # code that initialises nothing
    ("station-startup", "sampler-startup-nothing"): NOT_COPIED,
    # a list that ends where the data is stored, which nothing copies, or a function that nothing calls
    ("station-startup", "sampler-startup-constructors"): {},
    ("station-startup", "sampler-startup-copier"): {},
    ("station-startup", "sampler-startup-constructors-never"): {"constructors-run": 1},
    ("station-startup", "sampler-startup-constructors-outside"): {"constructors-run": 1},
    # with data at an odd halfword, which a library copies by words
    ("station-startup", "sampler-startup-init"): {},
    ("station-startup", "sampler-startup-init-open"): {"init-function-ends": 1},
    ("station-startup", "sampler-startup-never-copied"): NOT_COPIED,
    ("station-startup", "sampler-startup-copier-unused"): NOT_COPIED,
    # cleared up to the top of the stack, and far beyond
    ("station-startup", "sampler-startup-over-stack"): {"start-clears-own-ram": 1},
    ("station-startup", "sampler-startup-over-all"): {"start-clears-own-ram": 1},
    # a release by a bit, and by the wrong bit
    ("station-startup-release-bit", "sampler-startup"): {},
    ("station-startup-release-other", "sampler-startup"): RELEASE,
    ("station-startup-stale", "sampler-startup"): {"boot-constant-agrees": 1},
    # over variables of the other core
    ("station-startup", "sampler-startup-over-station"): {"ram-claims-in-own-areas": 1},
    # constants and an included file among the code, which the compiler does not mark as data
    ("station-startup", "sampler-startup-noise"): {},
    # single words, the entry point, a unit that the core lacks
    ("station-startup", "sampler-startup-stack-odd"): {"stack-pointer-aligned": 1},
    ("station-startup", "sampler-startup-stack-station"): {"stack-pointer-in-own-ram": 1},
    ("station-startup", "sampler-startup-reserved"): {"reserved-vectors-zero": 1},
    ("station-startup", "sampler-startup-no-fault"): {"required-handlers-present": 1},
    ("station-startup", "sampler-startup-reset-station"): {"reset-handler-in-code": 1},
    ("station-startup", "sampler-startup-entry"): {"entry-point-agrees": 1},
    ("station-startup", "sampler-startup-float"): {"float-demands-fit-core": 1},
    # something before the vectors; code of a library in their place, the same as the station's; a section left out
    ("station-startup", "sampler-startup-header"): {"vector-table-not-blank": 1},
    ("station-startup", "sampler-startup-shifted"): {"vector-table-not-blank": 1},
    ("station-startup", "sampler-startup-vectors-last"): {"vector-table-not-blank": 1},
    ("station-startup", "sampler-startup-reset-in-main"): {"handlers-at-function-starts": 1},
    ("station-startup", "sampler-startup-collected"): {"vector-table-not-blank": 1},
    ("station-startup", "sampler-startup-left-out"): {"handlers-executable": 1},
}
"""Start-up code of another style, in flash at address 0."""

BOARD: dict[tuple[str, str], dict[str, int]] = {
    ("station-board", "sampler-board"): {},
    ("station-board", "sampler-board-bss-early"): NOT_CLEARED,
    ("station-board", "sampler-board-bss-left"): NOT_CLEARED,
    # what labels and a run of the code both say
    ("station-board", "sampler-board-bss-over-data"): {"start-clears-own-ram": 1},
    ("station-board", "sampler-board-data-early"): NOT_COPIED,
    ("station-board", "sampler-board-data-elsewhere"): {"start-copies-stored-data": 1},
    ("station-board", "sampler-board-vectors-short"): {"vector-table-complete": 1},
    ("station-board", "sampler-board-ram-table"): {},
    ("station-board", "sampler-board-ram-table-odd"): {"vector-register-own-table": 1},
    ("station-board-value", "sampler-board"): RELEASE,
    ("station-board-table", "sampler-board"): RELEASE,
    # a call into non-secure code, by a core without a floating-point unit
    ("station-board-callback", "sampler-board"): {},
    ("station-board-calls", "sampler-board"): {},
}
"""Names of their own for what is copied and cleared; start registers at an address that a shift makes."""

SAMPLE: dict[tuple[str, str], dict[str, int]] = {
    ("station-board", "sampler-copies-pairs"): {},
    ("station-board", "sampler-copies-table"): {},
    ("station-board", "sampler-copies-down"): {},
    ("station-board", "sampler-copies-late"): NOT_COPIED,
    ("station-board", "sampler-copies-short"): NOT_COPIED,
    ("station-board", "sampler-copies-next"): {"start-copies-stored-data": 1},
    ("station-board", "sampler-copies-beside"): {"start-copies-stored-data": 1},
    ("station-board", "sampler-clears-late"): NOT_CLEARED,
    ("station-board", "sampler-clears-short"): NOT_CLEARED,
    # every second word
    ("station-board", "sampler-clears-some"): NOT_CLEARED,
    ("station-board", "sampler-vtor-member"): {},
    ("station-board", "sampler-vtor-member-station"): {"vector-register-own-table": 1},
    ("station-board", "sampler-vtor-pointer-station"): {"vector-register-own-table": 1},
    ("station-board", "sampler-float-member"): {},
    ("station-board", "sampler-float-listed"): {},
    ("station-board", "sampler-float-member-late"): {"float-enabled-before-use": 1},
    ("station-starts-pointer", "sampler-board"): {},
    ("station-starts-member-value", "sampler-board"): RELEASE,
    ("station-starts-listed-table", "sampler-board"): RELEASE,
    # bits that are set and cleared in the word that was read, by a function or in one instruction
    ("station-starts-bits", "sampler-board"): {},
    ("station-starts-bits-value", "sampler-board"): RELEASE,
    ("station-board", "sampler-at-main"): {"reset-handler-in-code": 1},
    ("station-board", "sampler-at-main-copies"): {"entry-point-agrees": 1},
}
"""A sample of the corpus: start-up code whose labels are right and whose instructions may not be."""

REGISTERS = (
    ("start = 0x4002_1000", "start = 0x5800_0000"),
    ("vector_register = 0x4002_1114", "vector_register = 0x5800_0010"),
    ("control_register = 0x4002_1118", "control_register = 0x5800_0014"),
    ("release_mask = 0x2\nrelease_value = 0x0", "release_mask = 0x1\nrelease_value = 0x1"),
)
SECURITY = (('role = "primary"\n', 'role = "primary"\nextensions = ["security"]\n'),)
COPIED = (
    ('stored_in = "sampler-code"', 'stored_in = "sampler-code"\nruns_in = "sampler-run"'),
    (
        'sampler-ram = { memory = "ram", offset = "8 KiB", size = "8 KiB", purpose = "data" }',
        'sampler-run = { memory = "ram", offset = "8 KiB", size = "4 KiB", purpose = "code" }\n'
        'sampler-ram = { memory = "ram", offset = "12 KiB", size = "4 KiB", purpose = "data" }',
    ),
)
COPIED_TO_ALL = (('stored_in = "sampler-code"', 'stored_in = "sampler-code"\nruns_in = "sampler-ram"'),)
"""A secondary that the primary copies to RAM, beside its data, or to the one area that holds both."""

SMALL = 512
"""Bytes of flash that are less than any build takes."""

REFUSED = {
    "sampler-library-zeros": "section .link stores nothing but zeros at an address of RAM",
    "sampler-extra-over-bss": "correct the address of section .extra or .bss in the linker script",
}
"""Files that are not even read, with what the message says of the cause."""


def _built(*groups: tuple[str, ...]) -> list:
    """Each group of files with each architecture that all of them are built for."""
    return [
        pytest.param(files, family, id=f"{' '.join(files) or 'sound pair'} {family}")
        for files in groups
        for family in ARCHITECTURES
        if all((BUILT / f"{file}-{family}.elf").exists() for file in files)
    ]


@pytest.mark.parametrize(("files", "family"), _built(*SOUND))
def test_sound_builds_break_no_rule(files: tuple[str, ...], family: str) -> None:
    """No rule has anything to say of a sound pair, be it as a note."""
    assert broken_in(judged(family, files)) == {}


def _flat(folder: Path, name: str, file: str, elf: Build, end: int) -> Build:
    """The raw binary that objcopy makes of a build, filled up to ``end`` where that is not 0."""
    start, binary = min(segment.load_address for segment in elf.stored), folder / f"{file}.bin"
    padded = ["--gap-fill", "0xFF", "--pad-to", hex(end)] if end else []
    copy = required_tool("arm-none-eabi-objcopy")
    subprocess.run(
        [copy, "-O", "binary", *padded, BUILT / f"{file}.elf", binary], check=True, stderr=subprocess.DEVNULL
    )
    return read_build(
        BytesSource(binary.read_bytes(), binary.name), name=name, file=binary.name, raw_start=start
    )


@pytest.mark.parametrize("padded", [False, True], ids=["as stored", "padded"])
@pytest.mark.parametrize("turn", range(len(ARCHITECTURES)))
def test_an_image_of_raw_binaries_is_checked_with_their_elf_files(
    turn: int, padded: bool, tmp_path: Path
) -> None:
    """All sound pairs, each with one architecture, the secondary's binary filled up to the end of its area or not."""
    names = {"station": "station", "sampler": "sampler"}
    for files, family in [each.values for each in _built(*SOUND)][turn :: len(ARCHITECTURES)][padded::2]:
        read, elves = layout_of(family), builds_of(family, *files)
        chosen = names | {file.split("-")[0]: file for file in files}
        end = read.layout.span_of("sampler-code").end if padded else 0
        flat = {
            name: _flat(tmp_path, name, f"{chosen[name]}-{family}", elf, end if name == "sampler" else 0)
            for name, elf in elves.items()
        }
        image = join(read, flat).image
        assert broken_in(check(Inspection(read, image, elves, disassemble=True), TODAY)) == {}, files


@pytest.mark.parametrize(("files", "family"), _built(*((file,) for file in FAULTS)))
def test_one_fault_gives_exactly_its_findings(files: tuple[str, ...], family: str) -> None:
    """Of all rules only those that belong to the fault have findings, and as many as belong to it."""
    assert broken_in(judged(family, files)) == FAULTS[files[0]]


NOLOAD = "section .rodata has no bytes in the file: take (NOLOAD) out of the linker script"
RUNS_ELSEWHERE = (
    "section .ram_code, ",
    "where build sampler as a whole is copied to RAM before it starts, name the area that it runs in: runs_in in "
    "[build.sampler]",
)
SAID: dict[str, tuple[str, str, tuple[str, ...]]] = {
    "sampler-note-first": (
        "vector-table-not-blank",
        "error",
        (
            "place the note after the vectors in the linker script: .note.gnu.build-id : "
            "{ KEEP(*(.note.gnu.build-id)) }",
        ),
    ),
    "sampler-vectors-collected": (
        "vector-table-not-blank",
        "error",
        ("keep the vectors, which nothing refers to, first in the linker script: KEEP(*(.vectors))",),
    ),
    "sampler-vectors-short": (
        "vector-table-complete",
        "error",
        ("80 bytes, the size of vector_table in sampler-vectors-short-",),
    ),
    "sampler-constants-noload": ("ram-claims-in-own-areas", "error", (NOLOAD,)),
    "sampler-stacks-constants-noload": ("ram-claims-in-own-areas", "error", (NOLOAD,)),
    "sampler-ram-code": ("initialised-data-copied", "warning", RUNS_ELSEWHERE),
    "sampler-ram-linked": ("initialised-data-copied", "warning", RUNS_ELSEWHERE),
    "station-release-value": (
        "start-releases-secondary",
        "error",
        ("0x0000_0002, of which the bits 0x0000_0002 are 0x0000_0002", "0x0000_0000 in the bits 0x0000_0002"),
    ),
}
"""The rule that has the one finding, how serious it is, and words of what was found, expected and is to be done."""


@pytest.mark.parametrize("family", ARCHITECTURES)
@pytest.mark.parametrize("file", SAID)
def test_what_is_wrong_is_said(file: str, family: str) -> None:
    """The cause and what to do about it, such as the line of a linker script or the key of the layout."""
    rule, severity, said = SAID[file]
    result = of(rule, family, file)
    assert result.severity == severity
    finding = result.findings[0].finding
    for words in said:
        assert words in f"{finding.found}; {finding.expected}; {finding.next_step}"


@pytest.mark.parametrize("family", ARCHITECTURES)
@pytest.mark.parametrize("file", ["sampler-vectors-none", "sampler-vectors-none-enabled"])
def test_a_table_without_interrupts_in_an_image_alone(file: str, family: str) -> None:
    """Code where the words of interrupts would be ends the table: a warning where none is enabled."""
    read, builds = layout_of(family), builds_of(family, file)
    image = join(read, builds).image
    result = check(Inspection(read, image, {}, disassemble=True), TODAY)
    assert broken_in(result) == FAULTS[file]
    assert result.passes == (file == "sampler-vectors-none")


UNGUARDED = {
    "sampler-not-dispatched": (
        "bad_by_variable",
        "bad_by_other_register",
        "bad_after_both",
        "bad_callee",
        "bad_from_start",
    ),
    "sampler-not-tasks": ("bad_by_case", "bad_by_choice", "bad_saver", "bad_by_member"),
}


@pytest.mark.parametrize("family", ARCHITECTURES)
@pytest.mark.parametrize("file", UNGUARDED)
def test_only_what_no_test_of_the_core_guards_is_named(file: str, family: str) -> None:
    """Of all functions with instructions that the core lacks, those that another word, or nothing, guards."""
    (judged_one,) = of("instructions-fit-core", family, file).findings
    finding = judged_one.finding
    named = re.findall(r"\b(bad_\w+|by_\w+|save_\w+|load_\w+)", " ".join((finding.found, *finding.lines)))
    assert set(named) == set(UNGUARDED[file])


@pytest.mark.parametrize(("files", "family"), _built(*PAIRS))
def test_pairs_that_access_differently(files: tuple[str, str], family: str) -> None:
    """What one side of a pair declares volatile or atomic and the other does not, or both initialise, is said once."""
    assert broken_in(judged(family, files)) == PAIRS[files]


@pytest.mark.parametrize(("files", "family"), _built(*LANGUAGES))
def test_two_languages(files: tuple[str, str], family: str) -> None:
    """Types are compared through what Rust and C++ wrap around them; what differs is found all the same."""
    assert broken_in(judged(family, files, CONTRACT)) == LANGUAGES[files]


_CLANG = (
    "-Os -fno-builtin -fno-exceptions -fno-rtti -fshort-enums -ffunction-sections -fdata-sections -gdwarf-5"
)
_LINKED = "-nostdlib -Wl,--gc-sections,--build-id=none -T core.ld -Wl,--defsym=__atomic_store_4=0x10008100"


@pytest.mark.parametrize("family", ARCHITECTURES)
def test_the_library_of_gcc_read_by_clang(family: str, tmp_path: Path) -> None:
    """What clang++ says of std::atomic, std::array and an empty base class in GCC's headers is seen through."""
    gcc, clang = required_tool("arm-none-eabi-g++"), required_tool("clang++")
    core = ("-mthumb", f"-march={ARCHITECTURES[family]}", "-mfloat-abi=soft")
    listed = subprocess.run([gcc, *core, "-xc++", "-E", "-v", "/dev/null"], capture_output=True, check=True)
    after = listed.stderr.decode().partition("#include <...> search starts here:\n")[2]
    paths = [line.strip() for line in after.partition("End of search list.")[0].splitlines()]
    headers = [f"-isystem{path}" for path in paths if "/../" in path]  # not what is GCC's own
    own = (f"-I{FOLDER}", f"-I{FOLDER / 'languages'}", "-DQUALITY_LOST_VALUE=2", "-DLANGUAGES")
    compiled = [clang, "--target=arm-none-eabi", *core, *_CLANG.split(), "-nostdinc++", *headers, *own]
    for command in (
        [*compiled, "-c", str(FOLDER / "languages/sampler.cpp"), "-o", "core.o"],
        [gcc, "-E", "-P", "-x", "c", *own, str(FOLDER / "core.ld"), "-o", "core.ld"],
        [gcc, *core, *_LINKED.split(), "core.o", "-o", "core.elf"],
    ):
        subprocess.run(command, cwd=tmp_path, check=True, capture_output=True)
    source = BytesSource((tmp_path / "core.elf").read_bytes(), "core.elf")
    builds = {
        "station": build_of("station", f"station-c-{family}"),
        "sampler": read_build(source, name="sampler", file="core.elf"),
    }
    read = layout_of(family, *CONTRACT)
    result = check(Inspection(read, join(read, builds).image, builds, disassemble=True), TODAY)
    assert broken_in(result) == LANGUAGES["station-c", "sampler-cxx"]


@pytest.mark.parametrize("family", ["v6", "v7", "v8"])
def test_a_reference_of_rust_is_named(family: str) -> None:
    """Only its own core may hold it, within an Option too; a raw pointer that may be null is what C has."""
    result = judged(family, ("station-c", "sampler-rust-referenced"), CONTRACT)
    (found,) = (each for rule, each in result.open_findings("error") if rule.name == "shared-symbols-agree")
    assert found.what == "build sampler shares struct Node link_node, which only its own code can read"
    assert found.found == "&sampler::Node is a reference of Rust, which only its own core may hold"


SPELLED = {
    ("sampler-cxx", "Link"): {"shared-atomics-alike": 3},
    ("sampler-cxx", "second::Link"): {"shared-atomics-alike": 3},
    ("sampler-rust", "sampler::Link"): ATOMICS,
    ("sampler-rust-swapped", "struct sampler::Link"): {"contract-types-agree": 1, **ATOMICS},
    # a scope that no build has, and one that has no such type
    ("sampler-cxx", "first::Link"): {"contract-types-agree": 1, "shared-atomics-alike": 3},
    ("sampler-cxx", "second::Lost"): {"contract-types-agree": 1, "shared-atomics-alike": 3},
}
"""What a layout calls a type of C and of another language, and what is found."""


@pytest.mark.parametrize("family", ARCHITECTURES)
@pytest.mark.parametrize(("file", "spelling"), SPELLED)
def test_a_type_goes_by_its_plain_name(file: str, spelling: str, family: str) -> None:
    """A scope that only one of two builds has is no part of a type's name for the other."""
    ((symbols, types),) = CONTRACT
    changes = ((symbols, types.replace("struct Link", spelling)),)
    result = judged(family, ("station-c", file), changes)
    assert broken_in(result) == SPELLED[file, spelling]
    (types_agree,) = (each for each in result.results if each.rule.name == "contract-types-agree")
    assert not types_agree.not_checked


@pytest.mark.parametrize(("files", "family"), _built(*STARTUP))
def test_start_up_code_of_another_style(files: tuple[str, str], family: str) -> None:
    """What a linker script calls its blocks does not matter; one fault gives its one finding."""
    assert broken_in(judged(family, files, AT_ZERO)) == STARTUP[files]


@pytest.mark.parametrize(("files", "family"), _built(*BOARD))
def test_names_and_registers_of_another_board(files: tuple[str, str], family: str) -> None:
    """Blocks are known by the words of their labels, registers by how code puts their addresses together."""
    changes = REGISTERS + (SECURITY if "call" in files[0] else ())
    assert broken_in(judged(family, files, changes)) == BOARD[files]


@pytest.mark.parametrize(("files", "family"), _built(*SAMPLE))
def test_what_start_up_code_does_counts(files: tuple[str, str], family: str) -> None:
    """Blocks, settings and floating point are judged by a run of the code, whatever its shape."""
    changes = REGISTERS + (FLOAT if "float" in files[1] else ())
    assert broken_in(judged(family, files, changes)) == SAMPLE[files]


@pytest.mark.parametrize("areas", [COPIED, COPIED_TO_ALL])
@pytest.mark.parametrize(
    ("files", "family"),
    _built(
        ("station-board-copies", "sampler-board-copied"),
        ("station-board-copies", "sampler-board-copied-early"),
    ),
)
def test_a_copied_build_moves_its_data_on(files: tuple[str, str], family: str, areas: tuple) -> None:
    """Data stored in the block that is copied may run anywhere in its core's RAM, where code moves all of it."""
    found = {"copied-build-in-run-area": 1} if files[1].endswith("-early") else {}
    assert broken_in(judged(family, files, REGISTERS + areas)) == found


@pytest.mark.parametrize("family", ARCHITECTURES)
def test_ram_in_another_place_is_one_finding(family: str) -> None:
    """Nothing of the build is in the RAM of its core: what is in another core's, and in no area, has one cause."""
    moved = (
        'sampler-ram = { memory = "ram", offset = "8 KiB"',
        'sampler-ram = { memory = "ram", offset = "20 KiB"',
    )
    assert broken_in(judged(family, ("sampler-extra-none",), (moved,))) == {"ram-claims-in-own-areas": 1}


TABLE_NAMES = (
    ("__data_table", "__data_table_end", "__bss_table", "__bss_table_end"),
    ("_copy_tbl_begin", "_copy_tbl_limit", "_zero_tbl_begin", "_zero_tbl_limit"),
    ("___CopyTableStart", "___CopyTableEnd", "___BssTableStart", "___BssTableEnd"),
)
"""Names of the labels at both ends of a table of what is copied, and of one of what is cleared."""


@pytest.mark.parametrize("family", ARCHITECTURES)
@pytest.mark.parametrize("names", TABLE_NAMES, ids=lambda names: names[0])
def test_tables_of_other_names(names: tuple[str, ...], family: str) -> None:
    """What the ends of the tables are called does not matter; an empty one is found."""
    usual = ("__copy_table_start__", "__copy_table_end__", "__zero_table_start__", "__zero_table_end__")
    for file, expected in (("sampler-tables", {}), ("sampler-table-empty", NOT_COPIED)):
        sampler = renamed("sampler", f"{file}-{family}", dict(zip(usual, names, strict=True)))
        read, builds = layout_of(family), builds_of(family) | {"sampler": sampler}
        image = join(read, builds).image
        assert broken_in(check(Inspection(read, image, builds, disassemble=True), TODAY)) == expected


@pytest.mark.parametrize("family", ["v6", "v7"])
def test_a_build_for_another_core_is_called_so(family: str) -> None:
    """Instructions, demands and words of the vector table that follow from the architecture are not told too."""
    builds = builds_of(family, "station-startup") | {"sampler": build_of("sampler", "sampler-startup-v8")}
    read = layout_of(family, *AT_ZERO)
    result = check(Inspection(read, join(read, builds).image, builds, disassemble=True), TODAY)
    assert broken_in(result) == {"build-architecture-fits-core": 1}


@pytest.mark.parametrize("family", ARCHITECTURES)
def test_a_build_too_large_for_the_memory_is_one_problem(family: str, tmp_path: Path) -> None:
    """What reaches over the end of the last area and of flash is told once, with the bytes that are too many."""
    binary = tmp_path / "sampler.bin"
    program = required_tool("arm-none-eabi-objcopy")
    subprocess.run([program, "-O", "binary", BUILT / f"sampler-startup-{family}.elf", binary], check=True)
    whole = ('size = "64 KiB"', f"size = {0x8000 + SMALL}")
    area = ('offset = "32 KiB", size = "32 KiB"', f'offset = "32 KiB", size = {SMALL}')
    read = layout_of(family, *AT_ZERO, ('erase_block = "4 KiB"\n', ""), whole, area)
    with pytest.raises(GemelError) as error:
        join(read, builds_of(family, "station-startup", "sampler-startup"))
    (problem,) = error.value.problems
    over = binary.stat().st_size - SMALL
    assert problem.what == f"build sampler is {over} bytes too large for area sampler-code"


LOADERS = {
    ("station-loader", "station-app"): {},
    ("station-loader-stale", "station-app"): {"boot-constant-agrees": 1},
    # to the secondary, which the application starts
    ("station-loader-second", "station-app"): {"boot-constant-agrees": 1},
    ("station-loader-table-second", "station-app"): {"boot-constant-agrees": 1},
    ("station-loader-table", "station-app"): {},
    ("station-loader-table-stale", "station-app"): {"boot-constant-agrees": 1},
    # what it sets VTOR to follows from the constant
    ("station-launch", "station-app"): {},
    ("station-launch-stale", "station-app"): {"boot-constant-agrees": 1},
    # a header in front of the table, which the constant leads to, and code that adds its size or does not
    ("station-launch-header", "app-header"): {},
    ("station-launch", "app-header"): {"boot-constant-agrees": 1},
    # two applications, in one table
    ("station-launch-two", "station-app", "spare-app"): {},
    ("station-launch-two-stale", "station-app", "spare-app"): {"boot-constant-agrees": 1},
    # two applications by numbers that one call passes; one by a number, and VTOR left as it is
    ("station-launch-either", "station-app", "spare-app"): {},
    ("station-launch-either-stale", "station-app", "spare-app"): {"vector-register-own-table": 1},
    ("station-launch-number", "station-app"): {},
    ("station-launch-number-stale", "station-app"): {"vector-register-own-table": 1},
    # an application with the loader's table: where it goes back, and where it goes on
    ("station-launch", "app-back"): {},
    ("station-launch", "app-vtor-loader"): {"vector-register-own-table": 1},
}
"""A boot loader with the address of the application's vectors."""

APP = '[build.app]\ncore = "station"\nstored_in = "app-code"\n'
WITH_HEADER = ((APP, f"{APP}vector_offset = 0x200\n"),)
WITH_SPARE = (
    (APP, f'{APP}\n[build.spare]\ncore = "station"\nstored_in = "spare-code"\n'),
    (
        'app-code = { memory = "flash", offset = "16 KiB", size = "16 KiB", purpose = "code" }',
        'app-code = { memory = "flash", offset = "16 KiB", size = "8 KiB", purpose = "code" }\n'
        'spare-code = { memory = "flash", offset = "24 KiB", size = "8 KiB", purpose = "code" }',
    ),
)


@pytest.mark.parametrize(("files", "family"), _built(*LOADERS))
def test_a_boot_loader_goes_on_to_its_application(files: tuple[str, ...], family: str) -> None:
    """The constant for the application on the same core is checked as one for a secondary is."""
    named = (
        (
            'symbol = "sampler_start_address" }\n\n[contract.link]',
            'symbol = "application" }\n\n[contract.link]',
        ),
    )
    changes = WITH_LOADER + (named if "table" in files[0] or "two" in files[0] else ())
    changes += (WITH_HEADER if "app-header" in files else ()) + (WITH_SPARE if "spare-app" in files else ())
    assert broken_in(judged(family, files, changes)) == LOADERS[files]


OTHERS: dict[tuple[str, ...], tuple[tuple[tuple[str, str], ...], dict[str, int]]] = {
    ("sampler-tables-other",): ((), {}),
    **{
        (f"{file}-other",): ((), FAULTS[file])
        for file in (
            "sampler-no-tables",
            "sampler-bss-end-early",
            "sampler-vectors-none-enabled",
            "sampler-vtor-passed-station",
            "station-release-slot-elsewhere",
            "sampler-stacks-cleared-early",
            "sampler-not-dispatched",
        )
    },
    ("sampler-float-late-other",): (FLOAT, {"float-enabled-before-use": 1}),
    ("station-launch-header-other", "app-header"): (WITH_LOADER + WITH_HEADER, {}),
    ("station-startup", "sampler-startup-nothing-other"): (AT_ZERO, NOT_COPIED),
    ("station-startup", "sampler-startup-over-stack-other"): (AT_ZERO, {"start-clears-own-ram": 1}),
    ("station-board", "sampler-board-data-early-other"): (REGISTERS, NOT_COPIED),
    ("station-board-table-other", "sampler-board"): (REGISTERS, RELEASE),
}
"""A selection by the other compiler of each family, or at another level: what must change, what is found."""


@pytest.mark.parametrize(("files", "family"), _built(*OTHERS))
def test_the_other_compiler_of_each_family(files: tuple[str, ...], family: str) -> None:
    """What is found goes by the fault, not by the compiler, the linker or the level that a family's builds have."""
    changes, expected = OTHERS[files]
    assert broken_in(judged(family, files, changes)) == expected


@pytest.mark.parametrize("family", ARCHITECTURES)
def test_a_build_linked_after_the_start_of_its_area_is_one_finding(family: str) -> None:
    """The constant that leads to where the layout has the vectors is not wrong too."""
    areas = (
        ('offset = 0, size = "32 KiB", purpose = "code"', 'offset = 0, size = "16 KiB", purpose = "code"'),
        ('offset = "32 KiB", size = "32 KiB"', 'offset = "16 KiB", size = "48 KiB"'),
    )
    assert broken_in(judged(family, ("station-loader",), areas)) == {"vector-table-not-blank": 1}


@pytest.mark.parametrize(("files", "family"), _built(*((file,) for file in USES_FLOAT)))
def test_floating_point_is_enabled_before_it_is_used(files: tuple[str, ...], family: str) -> None:
    """The first such instruction from the reset handler on comes after a store to CPACR, or is reported."""
    assert broken_in(judged(family, files, FLOAT)) == USES_FLOAT[files[0]]


_FLOAT_BUILDS = (
    # the interrupts and tasks of the others never come
    *(
        (("station", file), FLOAT, faults)
        for file, faults in USES_FLOAT.items()
        if "handler" not in file and "task" not in file
    ),
    *((files, REGISTERS + FLOAT, faults) for files, faults in SAMPLE.items() if "float" in files[1]),
)


@pytest.mark.parametrize(
    ("files", "family", "changes", "faults"),
    [
        pytest.param(*each.values, changes, faults, id=each.id)
        for files, changes, faults in _FLOAT_BUILDS
        for each in _built(files)
    ],
)
def test_a_rehearsal_finds_floating_point_that_is_off(
    files: tuple[str, str], family: str, changes: tuple[tuple[str, str], ...], faults: dict[str, int]
) -> None:
    """What the rule finds in the code stops the run; where the unit is on before its use, nothing is said of it."""
    read, builds = layout_of(family, *changes), builds_of(family, *files)
    rehearsal = rehearse(
        read, join(read, builds).image, builds, RehearsalOptions(isolate=False, budget=100_000)
    )
    assert ("float-unit-off" in [each.kind for each in rehearsal.findings]) == bool(faults)


@pytest.mark.parametrize(("files", "family"), _built(*((file,) for file in REFUSED)))
def test_files_that_cannot_be_read_name_the_cause(files: tuple[str, ...], family: str) -> None:
    """The problem's next step names the section and what to write in the linker script."""
    with pytest.raises(BuildError) as error:
        build_of("sampler", f"{files[0]}-{family}")
    assert REFUSED[files[0]] in error.value.problems[0].next_step


def test_debug_information_alone_is_called_so(tmp_path: Path) -> None:
    """A file that objcopy --only-keep-debug made is refused with what it is, with a build id note or without."""
    program = required_tool("arm-none-eabi-objcopy")
    for family, name in product(ARCHITECTURES, ("sampler-debug", "sampler-note-first")):
        file = tmp_path / f"{name}-{family}.elf"
        subprocess.run([program, "--only-keep-debug", BUILT / file.name, file], check=True)
        with pytest.raises(BuildError) as error:
            read_build(BytesSource(file.read_bytes(), "debug.elf"), name="sampler", file="debug.elf")
        assert error.value.problems[0].what == "the file holds debug information only, no code"


@pytest.mark.parametrize("family", ARCHITECTURES)
def test_what_is_in_no_segment_is_drafted_and_shown(family: str) -> None:
    """A shared section, and one in RAM of the other core, that no program header has."""
    text = document(draft(builds_of(family, "station-link-none", "sampler-nmagic")), {})
    assert "[area.shared]                   # 0x2000_4000..0x2000_43FF" in text
    assert "0x2000_0400..0x2000_043F" in document(draft(builds_of(family, "sampler-extra-none")), {})
    read, sizes = layout_of(family), {}
    for file in ("sampler", "sampler-extra-none"):
        builds = builds_of(family, "station-link-none", file)
        shown = contents_of(Inspection(read, join(read, builds).image, builds), "image.hex")
        sizes[file] = next(each.ram for each in shown.builds if each.name == "sampler")
        (link,) = (each for memory in shown.memories for each in memory.areas if each.name == "link")
        assert link.used == 128
    assert sizes["sampler-extra-none"] - sizes["sampler"] == 64


@pytest.mark.parametrize(
    ("files", "family"),
    _built(("station-number",), ("station-number-clang",), ("station-number", "sampler-vtor-station")),
)
@pytest.mark.parametrize("turned", [False, True])
def test_a_draft_knows_the_primary_by_a_number_in_its_code(
    files: tuple[str, ...], family: str, turned: bool
) -> None:
    """Code that writes the address of the other's vectors to a device starts it; to its own VTOR it does not."""
    builds = builds_of(family, *files)
    assert draft(dict(sorted(builds.items(), reverse=turned))).primary.name == "station"


DRAFTED = {
    ("station-board-calls", "sampler-board"): ("station", "security"),
    ("station-board", "sampler-board"): ("station", ""),
    ("station", "sampler-unguarded"): ("sampler", "fp"),
    ("station", "sampler-guarded"): ("sampler", ""),
    ("station", "sampler-dispatched"): ("sampler", ""),
}
"""Builds whose attributes name no extension, with the core whose code needs one, unless a test of it stands before."""


@pytest.mark.parametrize(("files", "family"), _built(*DRAFTED))
def test_a_draft_has_the_extensions_that_code_needs(files: tuple[str, str], family: str) -> None:
    """What no attribute names is in the draft where code cannot do without, and its own check then accepts the code."""
    core, extension = DRAFTED[files]
    builds = builds_of(family, *files)
    extensions = set(drafts.layout_of(builds).cores[core].extensions) - {"dsp"}
    assert extensions == {extension} & set(EXTENSIONS_OF[ARCHITECTURES[family]])
    found = broken_in(drafts.checked(builds, disassemble=True))
    assert ("instructions-fit-core" in found) == (extension not in ("", *extensions))


@pytest.mark.parametrize("family", ARCHITECTURES)
def test_types_without_own_debug_information_are_not_checked(family: str) -> None:
    """Types and constants of a contract are not judged where only a library's units are described."""
    change = (
        'symbols = ["link_words"]',
        'symbols = ["link_words"]\ntypes = ["struct Link"]\nconstants = ["X"]',
    )
    result = judged(family, ("station-library", "sampler-library"), (change,))
    status = {each.rule.name: each.status for each in result.results}
    assert status["contract-types-agree"] == status["contract-constants-equal"] == "not checked"


def test_every_build_is_in_a_table() -> None:
    """No committed ELF file is left out, and none in the tables is missing."""
    groups = (*SOUND, *PAIRS, *LANGUAGES, *LOADERS, *STARTUP, *BOARD, *SAMPLE, *OTHERS)
    listed = {
        "station",
        "sampler",
        "station-board-copies",
        "sampler-board-copied",
        "sampler-board-copied-early",
        *FAULTS,
        *REFUSED,
        *USES_FLOAT,
        *(file for files in groups for file in files),
    }
    stems = [path.stem.rsplit("-", 1)[0] for path in BUILT.glob("*.elf")]
    assert set(stems) == listed

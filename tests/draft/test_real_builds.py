"""Drafts of compiled builds, of all three families, by two compilers: sound ones, unusual ones and faulty ones."""

from __future__ import annotations

import pytest
from draft.cases import checked, layout_of, text_of
from draft.real_builds import (
    ARCHITECTURES,
    BOOT,
    COMPILERS,
    EMBEDDING,
    FIRST,
    NOTE,
    SECOND,
    compiled,
    first,
    second,
)

from gemel.builds.build import Build
from gemel.draft.document import document
from gemel.draft.drafting import draft
from gemel.draft.regions import LinkMap, read_link_map
from gemel.errors import JoinRefused
from gemel.layout.reader import read_layout
from gemel.m_profile.architectures import EXTENSIONS_OF
from gemel.spans import Span
from gemel.structs import replace

pytestmark = [
    pytest.mark.parametrize("compiler", COMPILERS),
    pytest.mark.parametrize("march", ARCHITECTURES),
]

CHANCE = "const volatile uint32_t pair[2] __attribute__((used)) = {0x08000000u, 0x08000000u};"
REGIONS = (
    " __flash_start = ORIGIN(FLASH); __flash_size = LENGTH(FLASH); "
    "_ram_origin = ORIGIN(RAM); _ram_length = LENGTH(RAM);"
)
WHOLE = {"ram": 0x2000_8000, "ram_size": 0x4000, "flash": 0x2000_C000, "flash_size": 0x2000, "data": "FLASH"}


def _sound(made: dict[str, Build]) -> None:
    result = checked(made, disassemble=True)
    assert result.passes, [finding.what for _, finding in result.open_findings("error")]


WRITES = "#define START *(volatile uint32_t *)0x40001004u = 0x08040000u;"
"""The first build has the second's vector address in its instructions alone, where the core has MOVW and MOVT."""


@pytest.mark.parametrize("order", [1, -1])
def test_code_that_writes_the_vector_address_to_a_register_is_the_primarys(
    compiler: str, march: str, order: int
) -> None:
    """Whatever build is named first; what is no register, or another address, shows nothing."""
    made = {"one": first(compiler, march, WRITES), "two": second(compiler, march)}
    made = dict(list(made.items())[::order])
    assert layout_of(made).cores["one"].role == "primary"
    _sound(made)
    other = first(compiler, march, WRITES.replace("0x08040000u", "0x08040040u"))
    made = {"two": made["two"], "one": other}
    assert "named first; no single build" in _words(made)


def _words(made: dict[str, Build]) -> str:
    return " ".join(line.lstrip("# ") for line in text_of(made).splitlines())


@pytest.mark.parametrize("order", [1, -1])
def test_a_named_constant_outweighs_chance_words(compiler: str, march: str, order: int) -> None:
    """The second holds the first's vector address twice, in no symbol of one word: the first is primary."""
    made = {"one": first(compiler, march), "two": second(compiler, march, CHANCE)}
    made = dict(list(made.items())[::order])
    assert layout_of(made).cores["one"].role == "primary"
    _sound(made)


@pytest.mark.parametrize("order", [1, -1])
def test_of_named_constants_in_two_builds_a_register_gets_one(compiler: str, march: str, order: int) -> None:
    """The second has a constant of one word with the first's address too, from where it counts a sum."""
    chance = "const volatile uint32_t sum_from __attribute__((used)) = 0x08000000u;"
    chance += "\n#define START counter = sum_from;\n"
    made = {"one": first(compiler, march, BOOT % SECOND + DEVICE), "two": second(compiler, march, chance)}
    made = dict(list(made.items())[::order])
    assert layout_of(made).cores["one"].role == "primary"
    assert "its symbol second_vectors holds two's vector address" in _words(made)
    _sound(made)


@pytest.mark.parametrize("written", [True, False])
def test_a_constant_for_another_place_of_the_second(compiler: str, march: str, written: bool) -> None:
    """A constant near the second's vector table that a register gets is asked about; one that none gets is not."""
    more = BOOT % (SECOND + 0x1000) + (DEVICE if written else "")
    made = {"two": second(compiler, march), "one": first(compiler, march, more)}
    asked = "was it built for another place of two? It is 0x0804_1000, and the vector table of two is at 0x0804_0000"
    assert (asked in _words(made)) == written
    assert (layout_of(made).cores["one"].role == "primary") == written


def test_objects_of_one_name_at_several_places(compiler: str, march: str) -> None:
    """Those in sections of a script's own are asked about; variables in .data and .bss are each build's own."""
    made = {"one": first(compiler, march), "two": second(compiler, march, shared=0x2001_1000)}
    words = _words(made)
    assert "ask: is mailbox one object? It is at 0x2001_0000 in one and 0x2001_1000 in two" in words
    assert "is counter one" not in words
    assert "is started one" not in words


def test_a_stack_where_nothing_else_is(compiler: str, march: str) -> None:
    """An initial stack pointer at the end of another kind of memory is asked about, and no other build's RAM is."""
    made = {"one": first(compiler, march), "two": second(compiler, march, ram_size=0x1FFF_8000)}
    assert _words(made).count("is RAM there? Nothing but the initial stack pointer of two leads to it") == 1


def test_a_reset_handler_without_the_thumb_bit(compiler: str, march: str) -> None:
    """The table is known by its other handlers, so that the fault is the only one."""
    two = second(compiler, march)
    stored = two.stored[0]
    even = stored.data[:4] + bytes([stored.data[4] & 0xFE]) + stored.data[5:]
    segments = tuple(replace(each, data=even) if each is stored else each for each in two.segments)
    found = checked({"one": first(compiler, march), "two": replace(two, segments=segments)}).open_findings(
        "error"
    )
    assert [finding.what for _, finding in found] == ["the reset handler of build two lacks the Thumb bit"]


def test_types_of_shared_symbols(compiler: str, march: str) -> None:
    """Structure, typedef and enumeration of shared symbols become types of the contract; numbers do not."""
    made = {"one": first(compiler, march), "two": second(compiler, march)}
    (contract,) = layout_of(made).contracts.values()
    assert set(contract.types) == {"struct link", "event_t", "enum phase"}
    assert set(contract.symbols) == {"mailbox", "events", "phase", "ticks"}


@pytest.mark.parametrize("side", ["one", "two"])
@pytest.mark.parametrize(
    "form", ["{} = {:#x};", "PROVIDE({} = {:#x});", "{} = ORIGIN(SHARED) + {:#x} - 0x20010000;"]
)
def test_shared_objects_that_one_script_places(compiler: str, march: str, side: str, form: str) -> None:
    """The symbols of one side are numbers of its linker script: the contract has them all the same."""
    made = {"one": first(compiler, march), "two": second(compiler, march)}
    names = ("mailbox", "events", "phase", "ticks")
    found = [made["one"].symbols.find(name) for name in names]
    script = " ".join(form.format(each.name, each.address) for each in found)
    placed = {"objects": "extern", "shared_section": script}
    made[side] = (first if side == "one" else second)(compiler, march, **placed)
    (contract,) = layout_of(made).contracts.values()
    assert set(contract.symbols) == set(names)
    _sound(made)


def test_numbers_of_two_scripts_are_no_shared_objects(compiler: str, march: str) -> None:
    """Labels alike in both scripts say nothing of what is there; those of one name elsewhere are each build's."""
    labels = {"after": NOTE + " link_start = ORIGIN(SHARED); counter_end = .; ticks_per_second = 0x20010078;"}
    made = {"one": first(compiler, march, **labels), "two": second(compiler, march, **labels)}
    (contract,) = layout_of(made).contracts.values()
    assert set(contract.symbols) == {"mailbox", "events", "phase", "ticks"}
    made["two"] = second(
        compiler,
        march,
        objects="extern",
        shared_section="mailbox = 0x20010000; "
        "events = 0x20010100; PROVIDE(phase = 0x20010200); ticks = 0x20010300;",
    )
    (contract,) = layout_of(made).contracts.values()
    assert contract.symbols == ("mailbox",)
    words = _words(made)
    assert "ask: is ticks one object? It is at 0x2001_009" in words
    assert "0x2001_0300 in two" in words


def test_questions_that_the_core_can_answer(compiler: str, march: str) -> None:
    """The security extension is asked for only where the architecture can have it."""
    words = _words({"one": first(compiler, march), "two": second(compiler, march)})
    assert ('("security")' in words) == ("security" in EXTENSIONS_OF[march])
    assert "has it an MPU" in words


@pytest.mark.parametrize(
    ("value", "has_one"), [("5u", True), ("*(volatile uint32_t *)0x20000100u", True), ("0u", False)]
)
def test_a_core_whose_code_switches_an_mpu_on_has_one(
    compiler: str, march: str, value: str, has_one: bool
) -> None:
    """A store to MPU_CTRL shows it, but one that switches it off: then it is asked for as where there is none."""
    sets = f"*(volatile uint32_t *)0xE000ED94u = {value};"
    code = f"#define START *(volatile uint32_t *)0x40001004u = 0x08040000u; {sets}"
    made = {"one": first(compiler, march, code), "two": second(compiler, march)}
    cores = layout_of(made).cores
    assert ("mpu" in cores["one"].extensions, "mpu" in cores["two"].extensions) == (has_one, False)


@pytest.mark.parametrize("where", ["in the script", "orphan"])
def test_a_note_before_the_vectors(compiler: str, march: str, where: str) -> None:
    """The note is named with the line that moves it, and the misaligned table is reported."""
    script = {"before": NOTE, "after": ""} if where == "in the script" else {"after": ""}
    made = {"one": first(compiler, march), "two": second(compiler, march, **script)}
    text, words = text_of(made), _words(made)
    if where == "orphan" and compiler == "clang":  # lld puts orphan notes after the script's sections
        assert "vector_offset" not in text
        assert "before the vector table" not in words
        return
    assert "vector_offset = 0x24" in text
    assert "Section .note.gnu.build-id, 0x0804_0000..0x0804_0023, is before the vector table" in words
    assert ".note.gnu.build-id : { KEEP(*(.note.gnu.build-id)) } > FLASH" in words
    assert "The vector table of two is misaligned: it is at 0x0804_0024" in words
    assert "place the vectors first in their region, or write . = ALIGN(" in words
    (finding,) = [
        it for rule, it in checked(made).open_findings("error") if rule.name == "vector-table-aligned"
    ]
    assert finding.lines == (
        "section .note.gnu.build-id, 0x0804_0000..0x0804_0023, is before it",
        "leads to primary-holds-vector-address",
    )
    assert ".note.gnu.build-id : { KEEP(*(.note.gnu.build-id)) } > FLASH" in finding.next_step


def test_an_aligned_table_after_a_header_is_sound(compiler: str, march: str) -> None:
    """A header of 512 bytes before the vectors is named, the draft joins, and nothing is called misaligned."""
    header = ".header : { LONG(0x1) . = . + 0x1FC; } > FLASH"
    made = {
        "one": first(compiler, march, BOOT % (SECOND + 0x200)),
        "two": second(compiler, march, before=header),
    }
    words = _words(made)
    assert "Section .header, 0x0804_0000..0x0804_01FF, is before the vector table" in words
    assert "misaligned" not in words
    assert layout_of(made).builds["two"].vector_offset == 0x200
    _sound(made)


def test_zero_bytes_stored_in_ram_are_no_flash(compiler: str, march: str) -> None:
    """A heap section that stores zero bytes is RAM of its build; no memory of kind flash is guessed there."""
    heap = ".heap : { BYTE(0) . = . + 63; } > RAM " + NOTE
    made = {"one": first(compiler, march), "two": second(compiler, march, after=heap)}
    layout = layout_of(made)
    flash = [memory.span for memory in layout.memories.values() if memory.kind == "flash"]
    assert len(flash) == 1
    assert flash[0].start == FIRST
    assert layout.cores["two"].ram == ("two-ram",)


@pytest.mark.parametrize("at", [0, 0x0080_0000])
def test_ram_that_runs_code_is_no_flash(compiler: str, march: str, at: int) -> None:
    """A second build linked for RAM below the SRAM region, with its stack: somebody copies it there."""
    place = {"flash": at, "flash_size": 0x2000, "ram": at + 0x2000, "ram_size": 0x2000, "data": "FLASH"}
    releases = BOOT % at + "\n#define START *(volatile uint32_t *)0x40001004u = second_vectors;"
    made = {"one": first(compiler, march, releases), "two": second(compiler, march, **place)}
    layout = layout_of(made)
    assert layout.builds["two"].runs_in == "two-run"
    assert "another place of two" not in _words(made)
    assert [each.start for each in layout.memories.values() if each.kind == "flash"] == [FIRST]
    _sound(made)


CLEARS_FRAME = """
volatile uint8_t frame[0x2000];
extern volatile uint32_t _bss[], _bss_end[];
#define START for (volatile uint32_t *at = _bss; at < _bss_end;) *at++ = 0; frame[0] = 1;
"""


@pytest.mark.parametrize("at", [0xA000_0000, 0xC000_0000, 0xD000_0000])
def test_external_ram_is_no_device(compiler: str, march: str, at: int) -> None:
    """More than registers take is RAM where the memory map has external devices, and code is seen to clear it."""
    ends = "_bss = ADDR(.bss); _bss_end = ADDR(.bss) + SIZEOF(.bss); "
    made = {
        "one": first(compiler, march),
        "two": second(compiler, march, CLEARS_FRAME, ram=at, after=ends + NOTE),
    }
    assert [(each.kind, each.start) for each in layout_of(made).memories.values() if each.start >= at] == [
        ("ram", at)
    ]
    _sound(made)
    cleared = next(
        each
        for each in checked(made, disassemble=True).results
        if each.rule.name == "cleared-data-cleared-whole"
    )
    assert cleared.status == "holds", [finding.what for finding in cleared.findings]


def test_registers_of_the_core_are_no_memory(compiler: str, march: str) -> None:
    """Sections for the system control space, and for texts that only a debugger reads, are left out of a draft."""
    regions = "} MEMORY { SYS (rw) : ORIGIN = 0xE000E000, LENGTH = 64  TEXTS (r) : ORIGIN = 0xF0000000, LENGTH = 64 } "
    places = regions + "SECTIONS { .scs (NOLOAD) : { . += 64; } > SYS .texts (NOLOAD) : { . += 64; } > TEXTS "
    made = {"one": first(compiler, march), "two": second(compiler, march, before=places)}
    assert {each.kind for each in layout_of(made).memories.values()} == {"flash", "ram"}
    _sound(made)


def test_an_embedded_copy_is_where_the_second_is_stored(compiler: str, march: str) -> None:
    """A second build linked for RAM, held by the first as plain binary: its place is that of the copy."""
    two = second(compiler, march, **WHOLE)
    data = b"".join(segment.data for segment in two.stored)
    one = first(compiler, march, BOOT % 0x2000_C000 + EMBEDDING, data)
    for made in ({"one": one, "two": two}, {"two": two, "one": one}):
        layout = layout_of(made)
        at = one.stored[0].data.find(data) + FIRST
        assert layout.span_of(layout.builds["two"].stored_in).start == at
        assert layout.builds["two"].runs_in == "two-run"
        assert layout.builds["one"].also_stored_in == ("one-code-2",)  # which may hold second_vectors
        assert not list(checked(made).open_findings("note"))
        assert "It holds a copy of two at" in _words(made)
        _sound(made)


def test_an_embedded_older_copy_is_told(compiler: str, march: str) -> None:
    """One whose reset handler was elsewhere is known by its other vectors, and is not the second that is given."""
    two = second(compiler, march, **WHOLE)
    data = b"".join(segment.data for segment in two.stored)
    older = data[:4] + bytes([data[4] ^ 8]) + data[5:]
    one = first(compiler, march, BOOT % 0x2000_C000 + EMBEDDING, older)
    made = {"one": one, "two": two}
    assert layout_of(made).span_of("two-code").start == one.stored[0].data.find(older) + FIRST
    with pytest.raises(JoinRefused, match="the copy of build two inside build one is not the two given"):
        checked(made)


@pytest.mark.parametrize("more", ["", "const uint32_t longer[8] __attribute__((used)) = {1};"])
def test_two_builds_for_one_place_hold_no_copies(compiler: str, march: str, more: str) -> None:
    """An application linked where its boot loader is, with equal or other handlers: neither is a copy of the other."""
    boot = replace(
        first(compiler, march, "const uint32_t sooner[2] __attribute__((used)) = {2};"), name="boot"
    )
    app = replace(first(compiler, march, BOOT % SECOND + more), name="app")
    made = {"boot": boot, "app": app, "two": second(compiler, march)}
    assert "It holds a copy" not in _words(made)
    with pytest.raises(
        JoinRefused, match=r"linked for the same flash addresses|app has no byte in its own area"
    ):
        checked(made)


def test_an_embedded_copy_has_its_initial_values(compiler: str, march: str) -> None:
    """Data behind the code of the second, which its own start-up moves to other RAM: the copy ends after it."""
    separate = WHOLE | {"ram": 0x2001_4000, "data": "RAM AT> FLASH", "after": "/DISCARD/ : { *(.note*) }"}
    two = second(compiler, march, **separate)
    start = two.stored[0].load_address
    data = bytearray()
    for segment in two.stored:
        data[segment.load_address - start :] = segment.data
    assert two.stored[-1].run_address >= 0x2001_4000
    one = first(compiler, march, BOOT % 0x2000_C000 + EMBEDDING, bytes(data))
    for made in ({"one": one, "two": two}, {"two": two, "one": one}):
        layout = layout_of(made)
        assert layout.span_of("two-run").size >= len(data)
        assert layout.span_of(layout.builds["two"].stored_in).size == len(data)
        (finding,) = [
            it.what for _, it in checked(made).open_findings("error")
        ]  # these builds have no start-up code
        assert finding == "build two is not linked to run in area two-run, which it is copied to"
        bare = replace(two, symbols=None, missing=("symbols: it was stripped",))
        applied = checked(made | {"two": bare})
        assert not list(applied.open_findings("error"))
        (result,) = [each for each in applied.results if each.rule.name == "copied-build-in-run-area"]
        assert [each.where for each in result.not_checked] == ["build two"]


COPIER = """
const volatile uint32_t copy_to __attribute__((used)) = 0x2000C000u, second_vectors __attribute__((used)) = 0x2000C000u;
__attribute__((used)) void start_second(void)
{
    for (uint32_t *to = (uint32_t *)copy_to; to < (uint32_t *)0x2000C400u;) *to++ = 0u;
    *(volatile uint32_t *)0x58024410u = %s;
}
"""


@pytest.mark.parametrize("released_by", ["second_vectors", "copy_to"])
def test_of_two_constants_the_one_that_releases_counts(compiler: str, march: str, released_by: str) -> None:
    """Where a build goes and where its vector table is are one address: the boot symbol is what a register gets."""
    made = {"one": first(compiler, march, COPIER % released_by), "two": second(compiler, march, **WHOLE)}
    constants = draft(made).primary.constants
    assert [each.symbol for each in constants[:2]] == [
        released_by,
        *({"copy_to", "second_vectors"} - {released_by}),
    ]


LOADER = "__attribute__((used)) void start_app(void) { *(volatile uint32_t *)0xE000ED08u = %#xu; }"


@pytest.mark.parametrize("ram", [0x2000_0000, 0x2000_8000])
def test_a_loader_runs_on_the_core_of_what_it_starts(compiler: str, march: str, ram: int) -> None:
    """It sets VTOR to the other's table and has the same RAM; with RAM of its own it is another core, mistaken."""
    app = replace(first(compiler, march, flash=FIRST + 0x8000), name="app")
    more = LOADER % (FIRST + 0x8000)
    loader = replace(first(compiler, march, more, flash_size=0x8000, ram=ram), name="loader")
    made = {"loader": loader, "app": app, "two": second(compiler, march, ram=0x2001_8000)}
    layout = layout_of(made)
    assert set(layout.cores) == ({"app", "two"} if ram == 0x2000_0000 else {"loader", "app", "two"})
    if ram == 0x2000_0000:
        assert layout.builds["loader"].core == "app"
        assert layout.cores["app"].role == "primary"
        assert "it starts app" in _words(made)
        _sound(made)


JUMP = """
#define WORD(at) (*(volatile uint32_t *)(at))
#define START __asm volatile("msr msp, %%0\\n bx %%1" : : "r"(WORD(%#xu)), "r"(WORD(%#xu)));
"""
DEVICE = "\n#define START *(volatile uint32_t *)0x58024410u = second_vectors;\n"


@pytest.mark.parametrize("jumps", [True, False])
def test_a_loader_may_leave_vtor_to_what_it_starts(compiler: str, march: str, jumps: bool) -> None:
    """A run of its code goes on into the other build; where it does not, that is another core with the same RAM."""
    place = FIRST + 0x8000
    app = replace(first(compiler, march, BOOT % SECOND + DEVICE, flash=place), name="app")
    more = JUMP % (place, place + 4) if jumps else ""
    loader = replace(first(compiler, march, more, flash_size=0x8000), name="loader")
    made = {"loader": loader, "app": app, "two": second(compiler, march, ram=0x2001_8000)}
    layout = layout_of(made)
    assert ("loader" in layout.cores) == (not jumps)
    if jumps:
        assert layout.builds["loader"].core == "app"
        _sound(made)


@pytest.mark.parametrize("place", [FIRST + 0x9000, FIRST + 0x4000, SECOND])
def test_a_loader_with_a_wrong_address_runs_on_the_core_with_its_stack(
    compiler: str, march: str, place: int
) -> None:
    """It takes its next stack pointer from where no table is, or another core's: the check of the draft says that."""
    app = replace(first(compiler, march, BOOT % SECOND + DEVICE, flash=FIRST + 0x8000), name="app")
    loader = replace(first(compiler, march, JUMP % (place, place + 4), flash_size=0x8000), name="loader")
    made = {"loader": loader, "app": app, "two": second(compiler, march, ram=0x2001_8000)}
    assert layout_of(made).builds["loader"].core == "app"


def test_a_kernel_that_resets_its_stack_is_no_loader(compiler: str, march: str) -> None:
    """Its table is in its own RAM, its stack pointer from where VTOR leads; the other core has the same RAM."""
    kernel = """
static uint32_t table[16] __attribute__((aligned(128)));
#define WORD(at) (*(volatile uint32_t *)(at))
#define START WORD(0xE000ED08u) = (uint32_t)table; __asm volatile("msr msp, %0" : : "r"(WORD(WORD(0xE000ED08u))));
"""
    one = first(compiler, march, BOOT % SECOND + kernel)
    made = {"one": one, "two": second(compiler, march, ram=0x2000_0000)}
    assert set(layout_of(made).cores) == {"one", "two"}


def test_a_loader_with_ram_of_its_own_that_goes_on_is_no_other_core(compiler: str, march: str) -> None:
    """Its code shows it, whatever RAM it has."""
    place = FIRST + 0x8000
    app = replace(first(compiler, march, BOOT % SECOND + DEVICE, flash=place), name="app")
    loader = replace(
        first(compiler, march, JUMP % (place, place + 4), flash_size=0x8000, ram=0x2000_8000), name="loader"
    )
    made = {"loader": loader, "app": app, "two": second(compiler, march, ram=0x2001_8000)}
    layout = layout_of(made)
    assert layout.builds["loader"].core == "app"
    _sound(made)


def test_what_one_build_initialises_beside_what_is_shared_is_shared(compiler: str, march: str) -> None:
    """An object after those that both builds have, in a section with initial values of one: no RAM of its core."""
    more = (
        BOOT % SECOND
        + '\n__attribute__((section(".described"), used)) volatile uint32_t described[4] = { 1, 2 };\n'
    )
    section = ".shared : { *(.shared*) *(.described) } > SHARED AT> FLASH"
    made = {"one": first(compiler, march, more, shared_section=section), "two": second(compiler, march)}
    layout = layout_of(made)
    assert layout.cores["one"].ram == ("one-ram",)
    (shared,) = [area for area in layout.areas.values() if area.purpose == "shared"]
    both = made["two"].sections.named(".shared")[0].span if made["two"].sections else None
    assert both is not None
    assert layout.span_of(shared.name).size > both.size


def test_settings_of_zeros_are_in_flash(compiler: str, march: str) -> None:
    """A writable section of zero bytes after the code, with no RAM near there, is flash that a driver programs."""
    settings = NOTE + " .settings 0x08050000 : { KEEP(*(.settings)) } > FLASH"
    more = '__attribute__((section(".settings"), used)) uint32_t settings[16];'
    made = {"one": first(compiler, march), "two": second(compiler, march, more, after=settings)}
    layout = layout_of(made)
    assert {memory.kind for memory in layout.memories.values() if memory.start < 0x2000_0000} == {"flash"}
    _sound(made)


def test_a_section_without_bytes_between_constants_is_no_ram(compiler: str, march: str) -> None:
    """A section of flash that stores nothing, as scripts for C++ leave between code and initial values, is flash."""
    empty = NOTE + " .except (NOLOAD) : { . = . + 4; } > FLASH .version : { LONG(0x31) LONG(2) } > FLASH"
    made = {"one": first(compiler, march), "two": second(compiler, march, after=empty)}
    layout = layout_of(made)
    assert [memory.kind for memory in layout.memories.values() if memory.start < 0x2000_0000] == ["flash"]
    _sound(made)


def test_notes_alike_are_no_copy(compiler: str, march: str) -> None:
    """Two builds whose notes begin alike, at one address, hold no copy of each other."""
    at = NOTE.replace("FLASH", "NOTES")
    made = {"one": first(compiler, march, after=at), "two": second(compiler, march, after=at)}
    assert "copy" not in _words(made).replace("it is no copy", "")
    assert "two stores bytes at 0x0806_0000..0x0806_0023 too, and it is no copy" in _words(made)


@pytest.mark.parametrize("shared", [0x2001_0000, 0x2000_8000])
def test_ram_that_each_core_has_of_its_own_at_one_address(compiler: str, march: str, shared: int) -> None:
    """Two stacks and variables at one address are two memories with views; what is shared after them is one."""
    made = {
        "one": first(compiler, march, shared=shared),
        "two": second(compiler, march, ram=0x2000_0000, shared=shared),
    }
    layout = layout_of(made)
    own = [layout.memories[layout.areas[layout.cores[name].ram[0]].memory] for name in ("one", "two")]
    assert own[0].start == own[1].views["two"] == 0x2000_0000
    assert own[0].views["two"] == own[1].start
    (contract,) = layout.contracts.values()
    assert set(contract.symbols) == {"mailbox", "events", "phase", "ticks"}
    assert layout.span_of(contract.area).start == shared
    assert "has each RAM of its own at that address?" in _words(made)
    _sound(made)


def test_sizes_by_symbols(compiler: str, march: str) -> None:
    """Symbols with start and size of flash and RAM give the areas of a build."""
    made = {"one": first(compiler, march, after=NOTE + REGIONS), "two": second(compiler, march)}
    layout = layout_of(made)
    assert layout.span_of("one-code") == Span(FIRST, 0x4_0000)
    assert layout.span_of("one-ram") == Span(0x2000_0000, 0x8000)
    assert "symbols __flash_start and __flash_size of one: 0x0800_0000..0x0803_FFFF" in _words(made)
    _sound(made)


def test_sizes_by_link_maps(compiler: str, march: str) -> None:
    """GNU ld's map has the regions of the script; lld's has none, and the reason names it."""
    place = {"flash": SECOND, "flash_size": 0x2_0000, "ram": 0x2000_8000}
    found = read_link_map(compiled(compiler, march, "", **place)[1], "two.map")
    if compiler == "clang":
        assert found.regions == {}
        assert "a map by lld" in found.reason
        return
    assert found.regions == {
        "FLASH": Span(SECOND, 0x2_0000),
        "RAM": Span(0x2000_8000, 0x4000),
        "SHARED": Span(0x2001_0000, 0x400),
        "NOTES": Span(0x0806_0000, 0x100),
    }
    made = {"one": first(compiler, march), "two": second(compiler, march)}
    text = document(draft(made, {"two": found}), {})
    layout = read_layout(text.encode(), "draft.toml").layout
    assert layout.span_of("two-code") == Span(SECOND, 0x2_0000)
    assert layout.span_of("two-ram") == Span(0x2000_8000, 0x4000)
    assert "region FLASH of two.map" in text


def test_a_region_holds_a_copied_build_and_its_data(compiler: str, march: str) -> None:
    """A second that is copied to RAM, with its data after it in one region of its map: each gets its part of it."""
    whole = WHOLE | {"ram": 0x2000_C800, "ram_size": 0x1800}
    two = second(compiler, march, **whole)
    data = b"".join(segment.data for segment in two.stored)
    made = {"one": first(compiler, march, BOOT % 0x2000_C000 + EMBEDDING, data), "two": two}
    found = LinkMap("two.map", {"FLASH": Span(0x2000_C000, 0x2000)}, {})
    text = document(draft(made, {"two": found}), {})
    layout = read_layout(text.encode(), "draft.toml").layout
    assert layout.span_of("two-run") == Span(0x2000_C000, 0x800)
    assert layout.span_of("two-ram") == Span(0x2000_C800, 0x1800)
    assert "part of region FLASH of two.map" in " ".join(line.lstrip("# ") for line in text.splitlines())
    assert layout_of(made).span_of("two-run").size < 0x800

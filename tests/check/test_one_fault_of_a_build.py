"""One fault of a build that several rules meet, by compiled builds of three architectures: one finding, its cause."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from built import built
from small_device import TODAY
from tools import required_tool
from verdict_builds import ARCHITECTURES, broken_in, layout_of

from gemel.builds.build import Build
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.checking.runner import RulesApplied, check
from gemel.errors import GemelError
from gemel.inspection.cores.regions import ID_SYMBOL
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import join
from gemel.layout.reader import ReadLayout
from gemel.outcomes import Finding
from gemel.structs import NamedTuple

SOURCE = """
#include <stdint.h>
extern uint32_t data_load[], data_start[], data_end[], fast_load[], fast_start[], fast_end[], bss_start[], bss_end[];
__attribute__((section(".shared.a"), used)) volatile uint32_t link_words[32];
__attribute__((section(".shared.b"), used)) volatile uint32_t link_more[16];
__attribute__((used)) const uint32_t sampler_start_address = 0x10008000u;
__attribute__((section(".data.table"))) volatile uint32_t table[7] = { 1, 2, 3, 4, 5, 6, 7 };
__attribute__((section(".fast"))) volatile uint32_t fast[8] = { 8, 7, 6, 5, 4, 3, 2, 1 };
volatile uint32_t faults, history[16];
__attribute__((noinline)) static void trap(void) { for (;;) { } }
__attribute__((noinline)) static void tick(void) { faults++; }
__attribute__((used)) int main(void)
{
    link_words[0] = 1;
    *(volatile uint32_t *)0x40021114u = sampler_start_address;
    *(volatile uint32_t *)0x40021118u = 0u;
    for (;;) { history[table[0] & 15] = fast[1]; }
}
/* before */
__attribute__((used)) void reset_handler(void)
{
    /* first */
    const uint32_t *from = data_load;
    for (uint32_t *to = data_start; to < data_end;) *to++ = *from++;
    from = fast_load;
    for (uint32_t *to = fast_start; to < fast_end;) *to++ = *from++;
    for (uint32_t *to = bss_start; to < bss_end;) *to++ = 0;
    main();
    for (;;) { }
}
__attribute__((section(".vectors"), used)) void *const vectors[24] = {
    (void *)(TOP), reset_handler, trap, trap, [11] = trap, [14] = trap, [15] = tick, [16 ... 23] = trap };
"""
SCRIPT = """
ENTRY(reset_handler)
MEMORY { FLASH : ORIGIN = START, LENGTH = 32K  RAM : ORIGIN = FIRST, LENGTH = 8K
         LINK : ORIGIN = 0x20004000, LENGTH = 1K }
SECTIONS
{
  .vectors : { KEEP(*(.vectors)) } > FLASH
  .text : { *(.text* .rodata*) . = ALIGN(4); } > FLASH
  .data : { data_start = .; *(.data*) . = ALIGN(4); data_end = .; } > RAM AT> FLASH
  data_load = LOADADDR(.data);
  .fast : { fast_start = .; *(.fast) . = ALIGN(4); fast_end = .; } > RAM AT> FLASH
  fast_load = LOADADDR(.fast);
  .bss (NOLOAD) : { bss_start = .; *(.bss*) . = ALIGN(4); bss_end = .; } > RAM
  .shared (NOLOAD) : { *(.shared.a) *(.shared.b) } > LINK
}
"""
FLASH = {"station": 0x1000_0000, "sampler": 0x1000_8000}
RAM = {"station": 0x2000_0000, "sampler": 0x2000_2000}

Changes = tuple[tuple[str, str], ...]
BASE_LAYOUT: Changes = (('symbols = ["link_words"]', 'symbols = ["link_words", "link_more"]'),)


def _edited(text: str, changes: Changes) -> str:
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return text


def _made(family: str, core: str, changes: Changes, options: str, *copied: str) -> Build:
    """A build of ``core``, of its ELF file."""
    data = _elf(family, core, changes, options, *copied)
    return read_build(BytesSource(data, f"{core}.elf"), name=core, file=f"{core}.elf")


def _elf(family: str, core: str, changes: Changes, options: str, *copied: str) -> bytes:
    """The ELF file of ``core`` with changes of its source and linker script, put through objcopy with ``copied``."""
    source = [each for each in changes if each[0] in SOURCE]
    top = f"0x{RAM[core] + 0x2000:x}"
    script = _edited(SCRIPT, tuple(each for each in changes if each not in source))
    code = _edited(SOURCE, tuple(source)).replace("TOP", top)
    script = script.replace("START", hex(FLASH[core])).replace("FIRST", hex(RAM[core]))
    file = f"{core}.elf"
    march = f"-march={ARCHITECTURES[family]}{options}"
    flags = ["-mthumb", march, f"-mfloat-abi={'hard' if options else 'soft'}", "-O2", "-ffreestanding"]
    if family == "v7":
        more = ["--target=arm-none-eabi", "-fshort-enums", "-fno-builtin", "-Wno-initializer-overrides"]
        more += ["-mfpu=fpv4-sp-d16"] if options else []
        flags[1] = f"-march={ARCHITECTURES[family]}"
        clang, linker = required_tool("clang"), required_tool("ld.lld")
        commands = [[clang, *more, *flags, "-c", f"{core}.c", "-o", f"{core}.o"]]
        commands.append([linker, "--no-check-sections", "-T", f"{core}.ld", f"{core}.o", "-o", file])
    else:
        gcc, more = required_tool("arm-none-eabi-gcc"), ["-nostdlib", "-Wl,--no-check-sections"]
        if "cmse" in code:
            more.append("-mcmse")
        linked = ["-T", f"{core}.ld", f"{core}.c", "-lgcc", "-o", file]
        commands = [[gcc, *flags, *more, *linked]]
    if copied:
        commands.append([required_tool("arm-none-eabi-objcopy"), *copied, file])
    return built({f"{core}.c": code, f"{core}.ld": script}, *commands, made=file)


def _judged(read: ReadLayout, builds: dict[str, Build]) -> RulesApplied:
    return check(Inspection(read, join(read, builds).image, builds, disassemble=True), TODAY)


class Case(NamedTuple):
    """A core's build with changes; what is found, which words of the one finding say the cause; families it is for."""

    core: str
    changes: Changes
    rule: str
    words: str
    families: str = "v6 v7 v8"
    options: str = ""
    copied: tuple[str, ...] = ()
    layout: Changes = ()
    other: Changes = ()


def _limit(value: str) -> Changes:
    """A function that sets the limit of the stack, which the compiler inlines and keeps, as start-up code has it."""
    text = f'__attribute__((used)) void system_init(void) {{ __asm volatile("msr msplim, %0" :: "r"({value}u)); }}'
    return (("/* before */", text), ("/* first */", "system_init();"))


TICK = "[11] = trap, [14] = trap, [15] = tick, "
FLOATS: Changes = (
    ("history[table[0] & 15] = fast[1];", "history[table[0] & 15] = (uint32_t)((float)fast[1] * 1.5f);"),
    (
        "/* before */",
        "__attribute__((noinline, used)) void system_init(void) { *(volatile uint32_t *)0xE000ED88u |= 0xF00000u; "
        '__asm volatile("dsb; isb" ::: "memory"); }',
    ),
    ("/* first */", "system_init();"),
)

SHARED = ".shared (NOLOAD) : { *(.shared.a) *(.shared.b) }"
PROVIDED = "data_load = LOADADDR(.data);"
GNU_LD = "v6 v8"
"""Families whose builds GNU ld links: lld has another way to write these scripts."""
SECURITY: Changes = (('role = "primary"\n', 'role = "primary"\nextensions = ["security"]\n'),)
CALL: Changes = (
    (
        "volatile uint32_t faults",
        "typedef void __attribute__((cmse_nonsecure_call)) away(void); volatile uint32_t faults",
    ),
    ("for (;;) { history", "((away *)sampler_start_address)(); for (;;) { history"),
)
UNGUARDED = (
    '__asm(".fpu fpv5-sp-d16; .thumb_func; .global __gnu_cmse_nonsecure_call; '
    ".type __gnu_cmse_nonsecure_call, %function; "
    "__gnu_cmse_nonsecure_call: push {r4, lr}; vmov s0, r4; blxns r4; pop {r4, pc}; "
    '.size __gnu_cmse_nonsecure_call, . - __gnu_cmse_nonsecure_call");'
)
UDIV = '__asm volatile(".arch armv7-m; udiv r0, r0, r1; .arch armv6-m" ::: "r0");'


def _overlays(first: int, second: int) -> Changes:
    """Two buffers at one address, of which one is used at a time."""
    text = "".join(
        f'__attribute__((section(".buffer_{name}"), used)) uint8_t buffer_{name}[{size}]; '
        for name, size in (("a", first), ("b", second))
    )
    return (
        ("/* before */", text),
        (
            SHARED,
            ".buffer_a (NOLOAD) : { *(.buffer_a) } > RAM\n"
            f"  .buffer_b ADDR(.buffer_a) (NOLOAD) : {{ *(.buffer_b) }}\n  {SHARED}",
        ),
    )


def _phases(instruction: str) -> Changes:
    """Two functions that are copied to one address, each before its call."""
    text = (
        "extern uint32_t load_one[], load_two[], phase[], end_one[], end_two[]; "
        '__attribute__((section(".one"), noinline)) void one(void) { faults++; } '
        f'__attribute__((section(".two"), noinline)) void two(void) {{ faults += 2; {instruction} }} '
        "static void copied(uint32_t *to, uint32_t *end, const uint32_t *from) { while (to < end) *to++ = *from++; }"
    )
    return (
        ("/* before */", text),
        (
            "    main();",
            "    copied(phase, end_one, load_one); one(); copied(phase, end_two, load_two); two(); main();",
        ),
        (
            SHARED,
            ".one : { phase = .; *(.one) . = ALIGN(4); end_one = .; } > RAM AT> FLASH load_one = LOADADDR(.one);\n"
            "  .two ADDR(.one) : { *(.two) . = ALIGN(4); end_two = .; } AT> FLASH load_two = LOADADDR(.two);\n"
            f"  {SHARED}",
        ),
    )


WRITES_VECTORS, WRITES_CONTROL = (
    "*(volatile uint32_t *)0x40021114u = sampler_start_address;",
    "*(volatile uint32_t *)0x40021118u = 0u;",
)


def _given(value: str, control: str = WRITES_CONTROL) -> Changes:
    """A primary that writes this value to the vector register, and then to the control register."""
    return ((WRITES_VECTORS, f"*(volatile uint32_t *)0x40021114u = {value};"), (WRITES_CONTROL, control))


def _unwritten(data: str, code: str = "") -> Changes:
    """A primary with constants that writes the control register only as ``code`` of a handler does."""
    constants = ("volatile uint32_t faults", f"{data} volatile uint32_t faults")
    return (constants, (WRITES_CONTROL, ""), ("{ faults++; }", f"{{ faults++; {code} }}"))


ODD = (
    "__attribute__((aligned(4))) const uint8_t odd[8] = { 9, 9, 9, 2, 64, 9, 9, 9 };",
    "history[1] = odd[history[2] & 7];",
)
"""A table with the upper half of the register's address at an odd place, as squares in halfwords have it."""
PACKED = (
    "struct __attribute__((packed)) step { uint8_t wait; uint32_t at, value; }; "
    "__attribute__((aligned(4))) const struct step steps[2] = { { 1, 0x40021118u, 2 }, { 2, 0x40021118u, 0 } }; "
    "const struct step *volatile script = steps;",
    "for (const struct step *each = script, *end = each + 2; each < end; each++) "
    "*(volatile uint32_t *)each->at = each->value;",
)
"""A table of steps, each with a register and its value, without padding."""
ONE_REGISTER: Changes = (
    ("control_register = 0x4002_1118", "control_register = 0x4002_1114"),
    ("release_mask = 0x2", "release_mask = 0x1"),
    ("release_value = 0x0", "release_value = 0x1"),
)
COPIED: Changes = (
    ('stored_in = "sampler-code"\n', 'stored_in = "sampler-code"\nruns_in = "sampler-run"\n'),
    (
        'sampler-ram = { memory = "ram", offset = "8 KiB", size = "8 KiB", purpose = "data" }',
        'sampler-ram = { memory = "ram", offset = "8 KiB", size = "8 KiB", purpose = "data" }\n'
        'sampler-run = { memory = "ram", offset = "20 KiB", size = "8 KiB", purpose = "code" }',
    ),
)
STORED_STACK = (
    "bss_end = .; } > RAM",
    "bss_end = .; } > RAM AT> FLASH\n  .stack FIRST + 0x1800 : { . += 0x7FC; LONG(0) } > RAM AT> FLASH",
)


def _saves(text: str) -> tuple[str, str]:
    """Start-up code that puts two registers on the stack, which it has loaded from its literals before."""
    code = f"ldr r4, =0x12345678\\n ldr r5, =0x23456789\\n {text}"
    return ("/* first */", f'__asm volatile("{code}" ::: "r4", "r5", "memory");')


FAULTS: dict[str, Case] = {
    "the Thumb bit in a vector register": Case(
        "station", _given("sampler_start_address + 1u"), "release-value-agrees", "1 byte after the start"
    ),
    "the place of the reset word in a vector register": Case(
        "station", _given("sampler_start_address + 4u"), "release-value-agrees", "4 bytes after the start"
    ),
    "an address inside the table in a vector register": Case(
        "station", _given("sampler_start_address + 0x40u"), "release-value-agrees", "64 bytes after the start"
    ),
    "a Thumb bit next to the one that releases": Case(
        "station",
        _given(
            "sampler_start_address + 2u", "*(volatile uint32_t *)0x40021114u = sampler_start_address | 3u;"
        ),
        "release-value-agrees",
        "2 bytes after the start",
        layout=ONE_REGISTER,
    ),
    "no release, and a table with bytes of the register": Case(
        "station", _unwritten(*ODD), "release-value-agrees", "writes the control register"
    ),
    "a copied build that is linked for flash": Case(
        "sampler",
        (),
        "copied-build-in-run-area",
        "not linked to run in area sampler-run",
        layout=COPIED,
        other=(("0x10008000u", "0x20005000u"),),
    ),
    "a limit above the stack, in two copies": Case(
        "station", _limit("0x20004000"), "stack-limit-below-stack", "above the initial stack pointer", "v8"
    ),
    "a limit above a wrong stack pointer": Case(
        "station",
        (*_limit("0x20001000"), ("(void *)(TOP)", "(void *)0x20000040")),
        "stack-has-room",
        "starts in",
        "v8",
    ),
    "what is shared, linked elsewhere": Case(
        "sampler",
        ((SHARED, ".shared 0x20004100 (NOLOAD) : { *(.shared.a) *(.shared.b) }"),),
        "contract-symbols-agree",
        "link_more is",
    ),
    "what is shared, outside": Case(
        "sampler",
        (("LINK : ORIGIN = 0x20004000", "LINK : ORIGIN = 0x20004400"),),
        "contract-symbols-agree",
        "link_more is as far from its place",
    ),
    "what is shared, in another order": Case(
        "sampler",
        (("*(.shared.a) *(.shared.b)", "*(.shared.b) *(.shared.a)"),),
        "contract-symbols-agree",
        "takes the same bytes in another order",
    ),
    "data in front of what is shared": Case(
        "sampler",
        (
            (
                ".fast : { fast_start = .; *(.fast) . = ALIGN(4); fast_end = .; } > RAM",
                ".fast : { fast_start = .; *(.fast) . = ALIGN(4); fast_end = .; } > LINK",
            ),
        ),
        "contract-symbols-agree",
        "section .fast of build sampler is in area link, in front of",
    ),
    "cleared data in front of what is shared": Case(
        "sampler",
        (("*(.bss*) . = ALIGN(4); bss_end = .; } > RAM", "*(.bss*) . = ALIGN(4); bss_end = .; } > LINK"),),
        "start-clears-own-ram",
        "place section .bss",
    ),
    "addresses changed after linking": Case(
        "sampler",
        (),
        "vector-table-not-blank",
        "are 0x800 higher than its code has them",
        copied=("--change-addresses=0x800",),
    ),
    "handlers a word too early": Case(
        "station",
        ((TICK, "[10] = trap, [13] = trap, [14] = tick, "),),
        "required-handlers-present",
        "one word before their places",
        "v6",
    ),
    "handlers a word too early, with a monitor": Case(
        "station",
        ((TICK, "[10] = trap, [11] = trap, [13] = trap, [14] = tick, "),),
        "required-handlers-present",
        "one word before their places",
        "v7 v8",
    ),
    "handlers a word too late": Case(
        "station",
        ((TICK, "[12] = trap, [15] = trap, "),),
        "required-handlers-present",
        "one word after their places",
        "v6",
    ),
    "handlers a word too late, with a monitor": Case(
        "station",
        ((TICK, "[12] = trap, [13] = trap, [15] = trap, "),),
        "required-handlers-present",
        "one word after their places",
        "v7 v8",
    ),
    "no initial stack pointer": Case(
        "station",
        (
            ("(void *)(TOP), reset_handler", "reset_handler"),
            (TICK, "[10] = trap, [13] = trap, [14] = tick, "),
        ),
        "vector-table-not-blank",
        "a table without its first word",
    ),
    "a variable as a handler": Case(
        "station",
        (("[15] = tick", "[15] = (void *)&table"),),
        "handlers-executable",
        "which is not executable",
    ),
    "a constant's address as stack pointer": Case(
        "station",
        (("(void *)(TOP)", "(char *)vectors + 4"),),
        "stack-pointer-in-own-ram",
        "not in RAM that it owns",
    ),
    "main for the reset handler": Case(
        "station",
        (*FLOATS, ("(void *)(TOP), reset_handler", "(void *)(TOP), main")),
        "reset-handler-in-code",
        "start-up is skipped",
        "v7 v8",
        "+fp",
    ),
    "sources exchanged": Case(
        "station",
        (
            (PROVIDED, "fast_load = LOADADDR(.data);"),
            ("fast_load = LOADADDR(.fast);", "data_load = LOADADDR(.fast);"),
        ),
        "start-copies-stored-data",
        "are exchanged",
    ),
}
FAULTS |= {
    "an attribute that nobody knows": Case(
        "station", (("/* before */", '__asm(".eabi_attribute 60, 1");'),), "build-demands-understood", "60"
    ),
    "the file's headers in front of the vectors": Case(
        "sampler",
        (
            (
                "SECTIONS\n{",
                "PHDRS { all PT_LOAD FILEHDR PHDRS; data PT_LOAD; }\nSECTIONS\n{\n  . = START + 0x100;",
            ),
            (
                ".vectors : { KEEP(*(.vectors)) } > FLASH",
                ".vectors START + 0x100 : { KEEP(*(.vectors)) } > FLASH :all",
            ),
            ("data_end = .; } > RAM AT> FLASH", "data_end = .; } > RAM AT> FLASH :data"),
        ),
        "file-headers-not-stored",
        "ELF file",
        GNU_LD,
        layout=(('stored_in = "sampler-code"', 'stored_in = "sampler-code"\nvector_offset = 0x100'),),
        other=(("0x10008000u", "0x10008100u"),),
    ),
    "a section in no segment below the stack": Case(
        "sampler",
        (
            ("SECTIONS\n{", "PHDRS { code PT_LOAD; data PT_LOAD; }\nSECTIONS\n{"),
            (".vectors : { KEEP(*(.vectors)) } > FLASH", ".vectors : { KEEP(*(.vectors)) } > FLASH :code"),
            ("data_end = .; } > RAM AT> FLASH", "data_end = .; } > RAM AT> FLASH :data"),
            ("bss_end = .; } > RAM", "bss_end = .; } > RAM\n  .big (NOLOAD) : { . += 8050; } > RAM :NONE"),
        ),
        "stack-has-room",
        "less room than build sampler needs",
    ),
    "linked by an older fragment": Case(
        "station",
        ((PROVIDED, f"{PROVIDED} {ID_SYMBOL} = 0x1234;"),),
        "linked-by-current-regions",
        "another memory",
    ),
    "one of two overlays too large": Case(
        "sampler", _overlays(64, 8192), "ram-claims-in-own-areas", "buffer_b", GNU_LD
    ),
    "an instruction that the core lacks, in the second overlay": Case(
        "station", _phases(UDIV), "instructions-fit-core", "udiv", "v6"
    ),
    "floating point that no test guards in a call of non-secure code": Case(
        "station",
        (*CALL, ("/* before */", UNGUARDED)),
        "float-demands-fit-core",
        "floating",
        "v8",
        layout=SECURITY,
    ),
}
SOUND: dict[str, Case] = {
    "bits of the release in the vector register": Case(
        "station",
        _given("sampler_start_address", "*(volatile uint32_t *)0x40021114u = sampler_start_address | 1u;"),
        "",
        "",
        layout=ONE_REGISTER,
    ),
    "a release by a packed table": Case("station", _unwritten(*PACKED), "", ""),
    "a release by a table of words": Case(
        "station", _unwritten(PACKED[0].replace("uint8_t wait", "uint32_t wait"), PACKED[1]), "", ""
    ),
    "a stack whose zeros are stored, and registers pushed": Case(
        "station", (STORED_STACK, _saves("push {r4, r5}\\n pop {r4, r5}")), "", "", GNU_LD
    ),
    "a stack whose zeros are stored, and registers kept in a frame": Case(
        "station",
        (STORED_STACK, _saves("sub sp, #8\\n str r4, [sp]\\n str r5, [sp, #4]\\n add sp, #8")),
        "",
        "",
        GNU_LD,
    ),
    "overlays without bytes": Case("sampler", _overlays(64, 1024), "", "", GNU_LD),
    "two phases copied in turn": Case("station", _phases(""), "", "", GNU_LD),
    "a call of non-secure code": Case("station", CALL, "", "", "v8", layout=SECURITY),
    "a known attribute": Case("station", (("/* before */", '__asm(".eabi_attribute 70, 1");'),), "", ""),
    "as it is": Case("station", (), "", ""),
    "a limit in two copies": Case("station", _limit("0x20001000"), "", "", "v8"),
    "floats": Case("station", FLOATS, "", "", "v7 v8", "+fp"),
    "one handler for all": Case(
        "station", ((TICK, "[11 ... 15] = trap, "),), "reserved-vectors-zero", "word 13"
    ),
    "words for a tool in reserved ones": Case(
        "station",
        ((TICK, TICK + "[10] = (void *)0x474D, [13] = (void *)0x474D, "),),
        "reserved-vectors-zero",
        "2 words",
    ),
}
EXTENDED: Changes = tuple(
    (f'[core.{core}]\nrole = "{role}"\n', f'[core.{core}]\nrole = "{role}"\nextensions = ["fp"]\n')
    for core, role in (("station", "primary"),)
)


def _cases(table: dict[str, Case]) -> list[tuple[str, str]]:
    return [(name, family) for name, case in table.items() for family in case.families.split()]


def _found(case: Case, family: str) -> list[Finding]:
    changes = (*BASE_LAYOUT, *(EXTENDED if case.options else ()), *case.layout)
    other = "station" if case.core == "sampler" else "sampler"
    builds = {
        case.core: _made(family, case.core, case.changes, case.options, *case.copied),
        other: _made(family, other, case.other, ""),
    }
    result = _judged(layout_of(family, *changes), builds)
    assert broken_in(result) == ({case.rule: 1} if case.rule else {})
    return [each.finding for rule in result.results for each in rule.findings]


def _said(finding: Finding) -> str:
    return " ".join((finding.what, finding.found, *finding.lines, finding.next_step))


@pytest.mark.parametrize(("case", "family"), [*_cases(FAULTS)])
def test_one_fault_of_a_build_is_one_finding_that_says_it(case: str, family: str) -> None:
    """Two compiled builds, one of them with one fault."""
    (finding,) = _found(FAULTS[case], family)
    assert FAULTS[case].words in _said(finding)


@pytest.mark.parametrize(("case", "family"), [*_cases(SOUND)])
def test_what_is_like_a_fault_is_none(case: str, family: str) -> None:
    """The same without the fault: nothing is found, or the note that was before."""
    for finding in _found(SOUND[case], family):
        assert SOUND[case].words in _said(finding)


@pytest.mark.parametrize("family", ARCHITECTURES)
def test_a_hex_file_without_a_line_of_its_vectors_is_one_finding(family: str) -> None:
    """The words of the line are erased: that they are no handlers follows from what is not stored."""
    lines = _flat(family, ("-O", "ihex")).decode().splitlines(keepends=True)
    vectors = [each for each in lines if each[7:9] == "00"]
    lines.remove(vectors[4])  # words 16 to 19
    station = BytesSource("".join(lines).encode(), "station.hex")
    builds = {
        "station": read_build(station, name="station", file="station.hex"),
        "sampler": _made(family, "sampler", (), ""),
    }
    assert broken_in(_judged(layout_of(family, *BASE_LAYOUT), builds)) == {"vector-table-complete": 1}


def test_a_heap_that_lld_stores_is_named() -> None:
    """It gives sections of the script alone bytes, all zero, which load into RAM."""
    heap = (
        "bss_end = .; } > RAM",
        "bss_end = .; } > RAM\n  .heap : { . += 0x400; } > RAM\n  .pile : { . += 0x800; } > RAM",
    )
    read = layout_of("v7", *BASE_LAYOUT)
    builds = {core: _made("v7", core, (heap,) if core == "sampler" else (), "") for core in FLASH}
    with pytest.raises(GemelError) as error:
        join(read, builds)
    (problem,) = error.value.problems
    assert problem.next_step.startswith(
        "sections .heap, .pile store nothing but zeros at an address of RAM: mark them (NOLOAD)"
    )


FLAT: dict[str, tuple[Callable[[bytes], bytes], str, str]] = {
    "blank": (lambda data: b"\xff" * len(data), "vector-table-not-blank", "is blank"),
    "zeros": (lambda data: bytes(len(data)), "vector-table-not-blank", "is blank"),
    "cut in its vectors": (lambda data: data[:90], "vector-table-complete", "does not store its whole"),
    "cut after its vectors": (
        lambda data: data[:0x60],
        "reset-handler-in-code",
        "holds only its vector table",
    ),
    "a dump as text": (
        lambda data: data.hex(" ").encode(),
        "vector-table-not-blank",
        "no vector table: no stack pointer",
    ),
}


@pytest.mark.parametrize("family", ARCHITECTURES)
@pytest.mark.parametrize("case", FLAT)
def test_one_fault_of_a_flat_build_is_one_finding(case: str, family: str) -> None:
    """That the primary holds no address, and what reads as code there, follows from what the file is."""
    edit, rule, words = FLAT[case]
    read = layout_of(family, *BASE_LAYOUT)
    flat = ("-O", "binary", "-j", ".vectors", "-j", ".text", "-j", ".data", "-j", ".fast")
    builds = {
        "station": read_build(
            BytesSource(edit(_flat(family, flat)), "station.bin"),
            name="station",
            file="station.bin",
            raw_start=FLASH["station"],
        ),
        "sampler": _made(family, "sampler", (), ""),
    }
    result = _judged(read, builds)
    assert broken_in(result) == {rule: 1}
    ((_, finding),) = result.open_findings("error")
    assert words in _said(finding)


def _flat(family: str, options: tuple[str, ...]) -> bytes:
    copy = required_tool("arm-none-eabi-objcopy")
    elf = _elf(family, "station", (), "")
    return built({"station.elf": elf}, [copy, *options, "station.elf", "station.bin"], made="station.bin")

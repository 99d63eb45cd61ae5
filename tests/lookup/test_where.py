"""``gemel where``: addresses and symbols as each core sees them, and text with its addresses named."""

from __future__ import annotations

import io
import json
import re
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st
from in_process import bytes_here
from schemas import exported_schema
from seconds import within
from tide_gauge import BUILT, join, layout_file
from tools import required_tool

import gemel
from gemel.cli.commands.where import BLOCK
from gemel.errors import UsageProblem
from gemel.lookup.annotating import annotated
from gemel.lookup.as_text import text_of
from gemel.lookup.facts import FORMAT, MAX_DEFINITIONS, Answers
from gemel.m_profile.fault_registers import exception_return, flags_of
from gemel.text.as_json import form_text
from gemel.workflows.looking_up import answers_of, lookup_of

ARRANGEMENT = "copied"
FOLDER = BUILT / ARRANGEMENT


def builds(*names: str) -> list[str]:
    return [f"{name}={FOLDER / name}.elf" for name in names or ("station", "sampler")]


@pytest.fixture(scope="module")
def lookup():
    read = gemel.load_layout(layout_file(ARRANGEMENT))
    return lookup_of(
        read, gemel.load_builds(read, {name: FOLDER / f"{name}.elf" for name in ("station", "sampler")})
    )


def symbol_address(name: str, symbol: str) -> int:
    """The address that pyelftools reads, without the Thumb bit."""
    from elftools.elf.elffile import ELFFile

    with (FOLDER / f"{name}.elf").open("rb") as file:
        (found,) = ELFFile(file).get_section_by_name(".symtab").get_symbol_by_name(symbol)
        return found["st_value"] & ~1


def run(*words: str, cwd=None, text: bytes = b"") -> subprocess.CompletedProcess[bytes]:
    return bytes_here("where", *words, cwd=cwd or Path.cwd(), stdin=text)


def test_code_of_a_copied_build_is_found_where_it_runs_and_where_it_is_stored(lookup):
    """Both addresses lead to the same function of the sampler, as both cores see it."""
    run_address = symbol_address("sampler", "run_sampler") + 6
    stored = run_address - 0x3801_8000 + 0x1000_8000
    for address, use in ((run_address, "runs"), (stored, "stored")):
        facts = lookup.address(address, "")
        assert [view.core for view in facts.views] == ["station", "sampler"]
        for view in facts.views:
            (hit,) = view.hits
            assert (hit.build, hit.use, hit.symbol, hit.offset) == ("sampler", use, "run_sampler", 6)
            assert hit.run_address == run_address
            assert hit.section == ".text"


def test_data_is_named_by_its_object(lookup):
    """An address in RAM is named by the object that is there."""
    address = symbol_address("station", "line_buffer")
    (hit,) = lookup.address(address + 3, "").views[0].hits
    assert (hit.symbol, hit.offset, hit.section) == ("line_buffer", 3, ".bss")


def test_a_symbol_of_both_builds_is_given_for_both(lookup):
    """Each definition stands with its own build's address, and where its bytes are stored."""
    (facts,) = answers_of(lookup, ["reset_handler"])
    assert {use.build: use.run_address for use in facts.uses} == {
        name: symbol_address(name, "reset_handler") for name in ("station", "sampler")
    }
    sampler = next(use for use in facts.uses if use.build == "sampler")
    assert sampler.stored_at == sampler.run_address - 0x3801_8000 + 0x1000_8000


def test_offsets_and_forms_of_numbers(lookup):
    """SYMBOL+OFFSET, grouped, bare and decimal numbers are understood."""
    base = symbol_address("sampler", "run_sampler")
    (facts,) = answers_of(lookup, ["run_sampler+0x10"])
    assert facts.uses[0].run_address == base + 16
    grouped = f"0x{base >> 16:04X}_{base & 0xFFFF:04X}"
    for text in (hex(base), grouped, f"{base:08x}", str(base)):
        (facts,) = answers_of(lookup, [text])
        assert facts.address == base
        assert facts.views[0].hits[0].symbol == "run_sampler"


def test_a_number_that_may_be_either_says_how_it_was_read(lookup):
    """Digits without 0x are decimal, eight of them hexadecimal; short numbers are sizes and offsets, not addresses."""
    for text, first, hint in (
        ("1000080", "0x000F_4290, 1000080 in decimal", True),
        ("12", "0x0000_000C, 12 in decimal", False),
        ("268435456", "0x1000_0000", False),
        ("10000080", "0x1000_0080", False),
        ("0x1000080", "0x0100_0080", False),
    ):
        (facts,) = answers_of(lookup, [text])
        lines = text_of(facts, 80)
        assert lines[0] == first
        assert (f"write 0x{text} if these digits are hexadecimal" in lines[1]) is hint


def test_everything_that_cannot_be_answered_is_reported_at_once(lookup):
    """Unknown symbols with their nearest names, numbers past 32 bits, unknown cores."""
    with pytest.raises(UsageProblem) as caught:
        answers_of(lookup, ["run_sample", "0x1_0000_0000", "0x1000_0000"], ["motor"])
    found = [(problem.what, problem.found) for problem in caught.value.problems]
    assert found == [
        ("unknown core", "motor"),
        ("unknown symbol", "run_sample"),
        ("not an address", "0x1_0000_0000"),
    ]
    assert "run_sampler" in caught.value.problems[1].next_step


def test_a_build_without_its_name_is_recognised(lookup):
    """A file's name in place of a symbol leads to NAME=BUILD."""
    with pytest.raises(UsageProblem) as caught:
        answers_of(lookup, ["station.elf"])
    step = caught.value.problems[0].next_step
    assert step == "write NAME=station.elf, with the build's name in the layout, or --image station.elf"


def test_the_layout_in_the_folder_is_named(tmp_path: Path) -> None:
    """Where it has another name than gemel.toml; a build alone needs none, and gemel.toml is taken."""

    def said(*words: str) -> tuple[int, str]:
        done = bytes_here("where", *words, cwd=tmp_path)
        return done.returncode, " ".join(done.stderr.decode().split())

    assert "run this in a folder with gemel.toml" in said("0x10008004")[1]
    text = layout_file(ARRANGEMENT).read_text()
    (tmp_path / "tide-gauge.toml").write_text(text)
    for words, shown in (
        (["0x10008004"], "[NAME=BUILD]... 0x10008004"),
        ([], "[NAME=BUILD]... [ADDRESS|SYMBOL]..."),
        (["main", "--image", "a.hex"], "[NAME=BUILD]... main --image a.hex"),
    ):
        code, told = said(*words)
        assert code == 2
        assert "no gemel.toml here, but tide-gauge.toml" in told
        assert f"name the layout first: tide-gauge.toml {shown}" in told
    assert said(*builds("station"), "0x10000004")[0] == 0
    (tmp_path / "gemel.toml").write_text(text)
    assert said("0x10008004") == (0, "")


def test_an_address_in_no_memory_is_an_answer(lookup):
    """It is shown as such for every core."""
    (facts,) = answers_of(lookup, ["0x6000_0000"])
    assert [(view.memory, view.hits) for view in facts.views] == [("", ()), ("", ())]
    assert text_of(facts, 80) == [
        "0x6000_0000",
        "  station  outside all memories",
        "  sampler  the same",
    ]


@pytest.mark.parametrize(
    ("number", "meaning"),
    [  # Armv7-M and Armv8-M Architecture Reference Manuals, "EXC_RETURN", "System address map" (from memory)
        ("0xFFFF_FFF9", "exception return to thread mode, main stack"),
        ("0xFFFF_FFED", "exception return to thread mode, process stack, float frame"),
        ("0xE000_ED28", "CFSR, one of the core's own registers (private peripheral bus)"),
        ("0xE000_ED8B", "CPACR, one of the core's own registers (private peripheral bus)"),
        ("0xE000_ED84", "the core's own registers (private peripheral bus)"),
        ("0xE000_0000", "the core's own registers (private peripheral bus)"),
        ("0xE00F_FFFF", "the core's own registers (private peripheral bus)"),
        ("0xDFFF_FFFF", ""),
        ("0xE010_0000", ""),
        ("0xFFFF_FFFF", ""),
        ("0xFFFF_FF00", ""),
    ],
)
def test_a_number_that_means_the_same_on_every_device(lookup, number, meaning):
    """What a register dump in text says of it, the answer to the number alone says too."""
    (facts,) = answers_of(lookup, [number])
    assert facts.meaning == meaning
    assert text_of(facts, 80)[1] == f"  station  {meaning or 'outside all memories'}"


def test_an_address_of_a_memory_is_shown_with_it(lookup):
    """A number that a memory of the layout holds is an address."""
    (facts,) = answers_of(lookup, ["0x1000_8124"])
    assert facts.meaning == ""
    assert "memory flash" in text_of(facts, 80)[1]


def test_a_register_of_the_layout_is_named(lookup):
    """Those that release a core by what they do, and others by the names that messages have for them."""
    release = lookup._inspection.layout.cores["sampler"].release
    queries = [f"{each:#x}" for each in (release.vector_register, release.control_register + 3)]
    queries.append(f"{release.control_register + 4:#x}")
    vectors, control, other = answers_of(lookup, queries)
    assert vectors.meaning == "the register that receives the vector table's address of core sampler"
    assert control.meaning == "the register that releases core sampler"
    assert control.meaning in " ".join(line.strip() for line in text_of(control, 80))
    assert other.meaning == ""


def test_a_text_from_standard_input_is_no_json(tmp_path):
    """--format json without a question is refused, and not ignored."""
    done = run(str(layout_file(ARRANGEMENT)), "--format", "json", text=b"pc=0x10008124\n")
    assert done.returncode == 2
    assert b"nothing to answer in JSON" in done.stderr
    assert b"give addresses or symbols" in done.stderr


def test_a_symbol_that_another_core_sees_elsewhere(tmp_path):
    """The same address is not written twice, so that it is not taken for a second definition."""
    read = layout_file(ARRANGEMENT).read_text(encoding="utf-8")
    (tmp_path / "gemel.toml").write_text(read, encoding="utf-8")
    done = run(*builds("station"), "line_buffer", cwd=tmp_path).stdout.decode()
    assert re.search(r"\n  station  0x3800_\w+, \w+ object of build station", done)
    assert done.rstrip().endswith("\n  sampler  sees it there")


def test_views_of_one_memory(tmp_path):
    """A core that sees a memory elsewhere gets its own address, and finds other bytes at the same number."""
    text = layout_file("in-place").read_text(encoding="utf-8")
    assert "views" not in text
    changed = text.replace("[memory.ram]\n", "[memory.ram]\nviews = { sampler = 0x2000_0000 }\n", 1)
    assert changed != text
    path = tmp_path / "seen.toml"
    path.write_text(changed, encoding="utf-8")
    read = gemel.load_layout(path)
    seen = lookup_of(read, {}).address(0x2000_0010, "")
    by_core = {view.core: view.memory for view in seen.views}
    assert by_core == {"station": "", "sampler": "ram"}


def test_the_image_gives_words_and_builds_without_files(tmp_path):
    """With an image and no build, the record says whose byte it is, and the word is shown."""
    join(ARRANGEMENT, tmp_path / "tide.hex")
    done = run(
        str(layout_file(ARRANGEMENT)), "--image", str(tmp_path / "tide.hex"), "0x10008004", "--format", "json"
    )
    assert done.returncode == 0, done.stderr
    view = json.loads(done.stdout)["addresses"][0]["views"][0]
    assert [hit["build"] for hit in view["hits"]] == ["sampler"]
    assert view["word"]["value"] == symbol_address("sampler", "reset_handler") + 1


def test_a_bench_log_is_annotated_in_place(lookup):
    """Program counter, return address and fault bits are named; other text and small numbers stay as they are."""
    pc, lr = symbol_address("sampler", "run_sampler"), symbol_address("station", "reset_handler") + 8
    log = [
        "count 0x10 of 00000020, version 1.2.3",
        f"PC={pc:08x} LR: 0x{lr | 1:08X} CFSR=00000400 HFSR: 0x40000000 xPSR={pc:08x}",
        "lr = 0xFFFFFFFD \x1b[31m",
        "e0b1c2d3-10000204-11ee",
    ]
    lines = list(annotated(log, lookup, lookup.cores))
    assert lines[0] == log[0]
    assert f"PC={pc:08x} <run_sampler, " in lines[1]
    assert f"0x{lr | 1:08X} <reset_handler + 8, " in lines[1]
    assert "CFSR=00000400 <IMPRECISERR> HFSR: 0x40000000 <FORCED> " in lines[1]
    assert lines[1].endswith(f"xPSR={pc:08x}")
    assert lines[2] == "lr = 0xFFFFFFFD <exception return to thread mode, process stack> \\x1b[31m"


LOG_WORDS = st.sampled_from(
    [
        *(
            "pc",
            "LR:",
            "lr =",
            "CFSR",
            "UFSR=",
            "\x1b[31m",
            "0x",
            "0X",
            "380182a0",
            "3801_82A1",
            "00000000",
            "fffffff9",
        ),
        *(
            "h",
            "UL",
            "82",
            "400",
            "-",
            ".",
            "_",
            "[",
            " ",
            "\t",
            "Hard fault status:",
            "(words)",
            "\u202e",
            "\N{SNOWMAN}",
        ),
    ]
)


@given(
    st.lists(LOG_WORDS | st.text(st.characters(exclude_characters="<>\r\n"), max_size=9), max_size=14).map(
        "".join
    )
)
def test_any_text_is_passed_on(lookup, line):
    """Without its annotations the text is the same, tabs too, with what else is not printable as escapes."""
    from gemel.text.escaping import on_one_line

    (out,) = annotated([line], lookup, lookup.cores)
    assert re.sub(" <[^<>]+>", "", out) == "\t".join(map(on_one_line, line.split("\t")))


STYLES = """\
PC %x|pc=0x%X|R15 = %x|\x1b[31m%x|\x1b[1;31m0x%x|\x1b[m%x|0x00000000%x|00000000%x|(0x%x)|[<%x>]|0x%xUL|%xh|$%x|pc=%X,
#1  0x%x|  frame 3: %x|Faulting instruction address (r15/pc): 0x%x|E: r15: 0x%x|pc : [<%x>]|Backtrace: 0x%x
Nov 29 00:44:04 host gauge[380182]: pc %x|<3>[   12.345678] PC is at 0x%x|2026-11-29T00:44:04.123456Z E pc=%x
{"pc":"0x%x"|pc:%x|MMFAR: %x|@%x|+ %x|0x0:0x%x|stacked_pc = (0x%x|PC:0x%x, a=1|"%x"|'%x'|%x"""


@pytest.mark.parametrize("style", re.split(r"[|\n]", STYLES))
def test_an_address_in_any_style_is_named(lookup, style):
    """Fault dumps, back traces, journals, JSON, colours, 64-bit numbers, suffixes of C and of assemblers."""
    address = symbol_address("sampler", "run_sampler")
    upper = "%X" in style
    line = style.replace("%X" if upper else "%x", f"{address:{'X' if upper else 'x'}}")
    (out,) = annotated([line], lookup, lookup.cores)
    assert out.count(" <run_sampler, main.c:82>") == 1


def test_words_before_numbers(lookup):
    """A colour's end, a letter of another language or a number with letters hides no address after it."""
    address = f"{symbol_address('sampler', 'run_sampler'):x}"
    for line in (
        f"\x1b[31m{address} {address}",
        f"é0x{address} {address}",
        f"deadbeef {address}",
        f"m{address} {address}",
    ):
        (out,) = annotated([line], lookup, lookup.cores)
        assert out.count("<run_sampler") == line.replace(f"m{address}", "", line[0] == "m").count(address), (
            line
        )


@pytest.mark.parametrize(
    "line",
    [
        "380182a0-0000-1000-8000-00805f9b34fb",
        "sha 380182a0380182a0 x380182a0 380182a0_x a.380182a0 0x380182a0380182a 0x1380182a0",
        "size 380182a0, crc32: 0x380182a0, CONTROL=380182a0",
        "r0 10204 tick 10204 cafe bed 12 add 0xcafe",
        "CFSR 400, UFSR 200, status 82",
    ],
)
def test_what_is_no_address_stays_as_it_is(lookup, line):
    """Identifiers, longer numbers, counters, words of hexadecimal digits, registers of another width."""
    assert list(annotated([line], lookup, lookup.cores)) == [line]


@pytest.mark.parametrize(
    ("line", "named"),
    [
        ("CFSR (Configurable Fault Status Register): 0x00008200", "PRECISERR, BFARVALID"),
        ("Configurable fault status register = 00000400", "IMPRECISERR"),
        ("HardFault Status Register: 40000000", "FORCED"),
        ("MemManage Fault Status 82", "DACCVIOL, MMARVALID"),
        ("usage_fault_status: 0x0200", "DIVBYZERO"),
        ("BFSR=82", "PRECISERR, BFARVALID"),
        ("SCB->UFSR = 0001", "UNDEFINSTR"),
    ],
)
def test_fault_status_registers_in_words(lookup, line, named):
    """By their short names, in full, or both; without 0x where the digits are those of the register."""
    assert list(annotated([line], lookup, lookup.cores)) == [f"{line} <{named}>"]


NO_RETURN = """
__attribute__((noreturn, noinline)) void stop(void) { for (;;) ; }
__attribute__((noinline)) int check(int x) { if (x > 3) return x * 2; stop(); }
int after(int x) { return x + 1; }
void start(void) { check(4); after(1); for (;;) ; }
"""


def test_a_return_address_after_the_last_instruction(tmp_path):
    """A call that never returns ends its function: LR is in the next one, and the function that called is named too."""
    source, out = tmp_path / "stop.c", tmp_path / "stop.elf"
    source.write_text(NO_RETURN)
    words = [
        "-mthumb",
        "-mcpu=cortex-m33",
        "-Os",
        "-nostdlib",
        "-fno-toplevel-reorder",
        "-Wl,-Ttext=0x8000000,-estart",
    ]
    subprocess.run(
        [required_tool("arm-none-eabi-gcc"), *words, source, "-o", out], check=True, capture_output=True
    )
    low = lookup_of(None, gemel.load_builds(None, {"station": out}))
    (use,) = low.symbol("after").uses
    (line,) = annotated([f"LR: {use.run_address + 1:x} PC: {use.run_address:x}"], low, low.cores)
    assert re.fullmatch(
        r"LR: 80\w{5} <after; as a return address: after check \+ \d+> PC: 80\w{5} <after>", line
    )


def test_fault_registers_by_hand():
    """Bits as the architecture manuals name them (from memory)."""
    assert flags_of("CFSR", 0x0200_8200) == "PRECISERR, BFARVALID, DIVBYZERO"
    assert flags_of("cfsr", 0) == "no bit set"
    assert flags_of("HFSR", 0x4000_0000) == "FORCED"
    assert flags_of("UFSR", 0x0002) == "INVSTATE"
    assert flags_of("r0", 1) is None
    assert exception_return(0xFFFF_FFF1) == "exception return to handler mode, main stack"
    assert exception_return(0xFFFF_FFED) == "exception return to thread mode, process stack, float frame"
    assert exception_return(0xFFFF_FFFF) == ""
    assert exception_return(0x1000_0001) == ""


def test_status_registers_of_any_width_and_numbers_with_an_h(lookup):
    """A byte of a fault status register is written out; a short number that is no such register is left alone."""
    pc = symbol_address("sampler", "run_sampler")
    (line,) = annotated(
        [f"MMFSR=0x82 SFSR 0x8 DFSR: 0x2 n=0x2 [<{pc:08x}>] {pc:08X}h ${pc:08x}"], lookup, lookup.cores
    )
    name = "<run_sampler, main.c:82>"
    assert line == (
        "MMFSR=0x82 <DACCVIOL, MMARVALID> SFSR 0x8 <AUVIOL> DFSR: 0x2 <BKPT> n=0x2 "
        f"[<{pc:08x} {name}>] {pc:08X}h {name} ${pc:08x} {name}"
    )


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_a_log_with_a_byte_order_mark(encoding):
    """A log that a terminal program stored as UTF-16, or with a mark, is read as the text that it is."""
    done = run(*builds("sampler"), text="PC 380182a0\r\nLR 380182a1 \u2713\r\n".encode(encoding))
    assert done.stdout.decode().splitlines() == [
        "PC 380182a0 <run_sampler, main.c:82>",
        "LR 380182a1 <run_sampler, main.c:82> \u2713",
    ]


CXX = """
namespace tide {
struct Filter { __attribute__((noinline)) int step(int x) const { return x * 3; } int k; };
Filter filter;
}
namespace {
__attribute__((noinline)) int level(tide::Filter &of) { return of.k; }
}
extern "C" void start(void) { for (;;) tide::filter.k = tide::filter.step(level(tide::filter)); }
"""


def test_mangled_names_are_readable_and_found(tmp_path):
    """A C++ build's names are as the source spells them, in a log and to look up; JSON has those of the file."""
    pytest.importorskip("pydemumble")
    (tmp_path / "c.cpp").write_text(CXX, encoding="utf-8")
    words = [
        "-mthumb",
        "-mcpu=cortex-m3",
        "-g",
        "-O1",
        "-nostdlib",
        "-Wl,-Ttext=0x10000000",
        "-estart",
        "c.cpp",
    ]
    subprocess.run([required_tool("arm-none-eabi-g++"), *words, "-o", "c.elf"], cwd=tmp_path, check=True)
    own = lookup_of(None, gemel.load_builds(None, {"c": tmp_path / "c.elf"}))
    (by_name,) = answers_of(own, ["tide::Filter::step"])
    (by_parameters,) = answers_of(own, ["tide::Filter::step(int) const"])
    (hidden,) = answers_of(own, ["(anonymous namespace)::level"])
    assert [each.name for each in hidden.uses] == ["_ZN12_GLOBAL__N_15levelERN4tide6FilterE"]
    with pytest.raises(UsageProblem):
        answers_of(own, ["(anonymous namespace)"])
    (use,) = by_name.uses
    assert by_parameters.uses == by_name.uses
    (line,) = annotated([f"lr = {use.run_address | 1:08x}"], own, own.cores)
    assert "<tide::Filter::step(int) const, c.cpp:" in line
    (hit,) = own.address(use.run_address, "").views[0].hits
    assert hit.symbol == use.name == "_ZNK4tide6Filter4stepEi"
    with pytest.raises(UsageProblem):
        answers_of(own, ["tide::Filter::stop"])


def test_json_keeps_to_its_schema(lookup):
    """What is printed as JSON is valid by the schema derived from the declarations."""
    answers = answers_of(lookup, ["0x1000_8124", "reset_handler", "0xE000_0000", "line_buffer"])
    jsonschema.validate(json.loads(form_text(FORMAT, Answers.of(answers))), exported_schema("where-schema"))


def test_nothing_to_look_up_is_said():
    """Without an address, a symbol or a text a remark says so; with a text of one empty line none does."""
    layout = str(layout_file(ARRANGEMENT))
    done = run(layout)
    assert (done.returncode, done.stdout) == (0, b"")
    assert b"remark: standard input is empty" in done.stderr
    assert b"give an address or a symbol" in done.stderr
    text = run(layout, text=b"\n")
    assert (text.returncode, text.stdout, text.stderr) == (0, b"\n", b"")


def test_command_from_a_folder_with_its_own_layout(tmp_path):
    """``gemel.toml`` in the folder is the layout where none is named; without any, builds stand alone."""
    assert run("0x10000000", cwd=tmp_path).returncode == 2
    alone = run(*builds("sampler"), "run_sampler", cwd=tmp_path)
    assert alone.returncode == 0
    assert b"0x3801_82A0" in alone.stdout
    (tmp_path / "gemel.toml").write_bytes(layout_file(ARRANGEMENT).read_bytes())
    with_layout = run(*builds(), "run_sampler", cwd=tmp_path)
    assert b"its bytes are stored at 0x1000_82A0" in with_layout.stdout
    unknown = run(*builds(), "no_such", cwd=tmp_path)
    assert (unknown.returncode, unknown.stdout) == (2, b"")
    some = run(*builds(), "no_such", "run_sampler", "0x10000000", cwd=tmp_path)
    assert some.returncode == 2
    assert b"no_such" in some.stderr
    assert b"its bytes are stored at 0x1000_82A0" in some.stdout
    assert b"0x1000_0000" in some.stdout
    data = run(*builds(), "no_such", "run_sampler", "--format", "json", cwd=tmp_path)
    assert (data.returncode, [each["found"] for each in json.loads(data.stdout)["problems"]]) == (
        2,
        ["no_such"],
    )
    log = run(*builds(), cwd=tmp_path, text=b"PC 380182a0\n\xff\xfe 0x1000\r\n")
    assert run(*builds(), "-", cwd=tmp_path, text=b"PC 380182a0\n\xff\xfe 0x1000\r\n").stdout == log.stdout
    assert log.stdout.decode().splitlines()[0].startswith("PC 380182a0 <run_sampler, main.c:")
    assert log.stdout.decode().splitlines()[1] == "\\xff\\xfe 0x1000"


def test_each_line_of_a_long_log_comes_through(capfd, monkeypatch):
    """Hundreds of thousands of short lines, lines across two reads, and a last one without its end, in time."""
    from sealed_device import run_here

    long = b"x" * (BLOCK - 600_000 % BLOCK - 5) + b" 0x1000_8124"
    given_text = b"a\n" * 300_000 + long + b"\r\n\nlast"
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(given_text)))
    with within(2):
        said = run_here(capfd)("where", layout_file(ARRANGEMENT), *builds(), "-").out
    first, _, rest = said.partition("x")
    assert first == "a\n" * 300_000
    assert rest.startswith(f"{long.decode()[1:]} <")
    assert rest.endswith(">\n\nlast\n")


def test_a_name_of_very_many_symbols_is_an_error(tmp_path, capfd):
    """The attack: tens of thousands of symbols with one name cost seconds and print megabytes."""
    import small_device
    from elf_writer import SymbolSpec
    from sealed_device import run_here

    many = tuple(
        SymbolSpec("again", small_device.STATION + 0x80 + at % 64) for at in range(MAX_DEFINITIONS + 1)
    )
    (tmp_path / "x.elf").write_bytes(small_device.station_elf(symbols=many))
    said = run_here(capfd)("where", f"station={tmp_path / 'x.elf'}", "again")
    assert (said.code, "1,001" in said.err) == (2, True)
    (tmp_path / "x.elf").write_bytes(small_device.station_elf(symbols=many[1:]))
    assert run_here(capfd)("where", f"station={tmp_path / 'x.elf'}", "again").out.count("again") == 1

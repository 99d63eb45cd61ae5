"""Exports of a layout: compiled, linked, run by the tools that they are for."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import time

import pytest
from elftools.elf.elffile import ELFFile
from tide_gauge import ARRANGEMENTS, BUILT, ROOT, layout_file
from tools import required_tool

import gemel
from gemel.errors import UsageProblem
from gemel.inspection.cores.regions import ID_SYMBOL, regions_id, regions_of
from gemel.workflows.exports import EXPORTS

OF_LAYOUT = {export.name: export for export in EXPORTS if export.of_layout}
CORES = ("station", "sampler")
SECTIONS = """
INCLUDE layout.ld
SECTIONS {
  .text : { KEEP(*(.vectors)) *(.text*) *(.rodata*) } > %(code)s
  .data : { *(.data*) } > %(ram)s AT > %(code)s
  .bss (NOLOAD) : { *(.bss*) *(COMMON) } > %(ram)s
  .link (NOLOAD) : { *(.link) } > link
  /DISCARD/ : { *(.ARM.exidx*) }
}
ENTRY(start)
"""
SOURCE = """
extern unsigned stack[] __asm__("%(core)s_stack_top");
extern unsigned other[] __asm__("%(other)s_vectors");
void start(void);
__attribute__((section(".vectors"), used)) void *const vectors[2] = { stack, start };
unsigned counter = 3, cleared;
__attribute__((section(".link"))) unsigned shared;
void start(void) { for (;;) { cleared += counter; shared = (unsigned) other; } }
"""
LINKERS = {
    "GNU ld": ["arm-none-eabi-gcc"],
    "lld": ["clang", "--target=armv8m.main-none-eabi", "-fuse-ld=lld"],
}


def text_of(what: str, arrangement: str, core: str = "station") -> str:
    export = OF_LAYOUT[what]
    assert export.of_layout is not None
    return export.of_layout(gemel.load_layout(layout_file(arrangement)), core)


def run(words, folder, **environment) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [str(word) for word in words],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, **environment},
    )


@pytest.mark.parametrize("linker", LINKERS)
@pytest.mark.parametrize("core", CORES)
@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_a_build_links_by_its_fragment(arrangement, core, linker, tmp_path):
    """Sections are where the layout says, symbols have its values, and what is too large does not link."""
    compiler = LINKERS[linker]
    required_tool(compiler[0])
    layout = gemel.load_layout(layout_file(arrangement)).layout
    other = next(each for each in CORES if each != core)
    plan = layout.builds[core]
    places = {"core": core, "other": other, "ram": f"{core}_ram"}
    places["code"] = (plan.runs_in or plan.stored_in).replace("-", "_")
    (tmp_path / "layout.ld").write_text(text_of("linker", arrangement, core))
    (tmp_path / "script.ld").write_text(SECTIONS % places)
    (tmp_path / "main.c").write_text(SOURCE % places)
    words = [*compiler, "-march=armv8-m.main", "-mthumb", "-O1", "-ffreestanding", "-nostdlib"]
    words += ["-Wl,-T,script.ld", "-o", "out.elf", "main.c"]
    done = run(words, tmp_path)
    assert done.returncode == 0, done.stderr
    with (tmp_path / "out.elf").open("rb") as file:
        elf = ELFFile(file)
        symbols = {each.name: each["st_value"] for each in elf.get_section_by_name(".symtab").iter_symbols()}
        text = elf.get_section_by_name(".text")["sh_addr"]
        link = elf.get_section_by_name(".link")["sh_addr"]
    regions = {region.name: region.span for region in regions_of(layout, core)}
    assert text == regions[places["code"]].start
    assert link == regions["link"].start
    assert symbols[ID_SYMBOL] == regions_id(layout, core)
    assert symbols[f"{core}_stack_top"] == regions[places["ram"]].end
    (tmp_path / "main.c").write_text(
        SOURCE % places + f"unsigned char large[{regions[places['ram']].size}];\nvoid *p = large;"
    )
    assert run(words, tmp_path).returncode != 0


@pytest.mark.parametrize("core", CORES)
@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_the_c_header_compiles_and_says_what_the_layout_says(arrangement, core, tmp_path):
    """C99 with every warning an error; the numbers are those of the gauge's own hand-written header."""
    header = text_of("c-header", arrangement, core)
    (tmp_path / "layout.h").write_text(header)
    device = (ROOT / "testdata/tide-gauge/arrangements" / arrangement / "device.h").read_text()
    ours = dict(re.findall(r"^#define (\w+)\s+LAYOUT_NUMBER\((0x[0-9a-f]+)", header, re.MULTILINE))
    theirs = dict(re.findall(r"^#define (\w+)\s+(0x[0-9A-Fa-f]+)\b", device, re.MULTILINE))
    both = sorted(set(ours) & set(theirs))
    assert len(both) >= 8
    other = re.findall(
        r"^#define (\w+)\s+LAYOUT_NUMBER\((0x[0-9a-f]+)",
        text_of("c-header", arrangement, next(each for each in CORES if each != core)),
        re.MULTILINE,
    )
    for name in both:  # the gauge's header has what is seen at two addresses as its own core sees it
        assert int(theirs[name], 16) in (int(ours[name], 16), int(dict(other)[name], 16)), name
    (tmp_path / "main.c").write_text(
        '#include "layout.h"\n#include "layout.h"\nint main(void) { return STATION_CODE_SIZE == 0; }\n'
    )
    for compiler in ("gcc", "arm-none-eabi-gcc", "clang"):
        words = [
            required_tool(compiler),
            "-std=c99",
            "-Wall",
            "-Wextra",
            "-Wpedantic",
            "-Werror",
            "-fsyntax-only",
            "main.c",
        ]
        done = run(words, tmp_path)
        assert done.returncode == 0, done.stderr


def test_the_checks_of_the_c_header_can_fail(tmp_path):
    """A header whose area does not begin on a write unit does not compile."""
    header = text_of("c-header", "in-place").replace("(0x10008000) /* area", "(0x10008001) /* area")
    (tmp_path / "layout.h").write_text(header)
    (tmp_path / "main.c").write_text('#include "layout.h"\n')
    assert run([required_tool("gcc"), "-fsyntax-only", "main.c"], tmp_path).returncode != 0


@pytest.mark.parametrize("core", CORES)
def test_the_rust_constants_compile(core, tmp_path):
    """A module of Rust without warnings, with the numbers of the C header; its checks can fail."""
    compiler = "/usr/bin/rustc" if os.path.exists("/usr/bin/rustc") else required_tool("rustc")
    constants = text_of("rust", "copied", core)
    numbers = dict(re.findall(r"pub const (\w+): u32 = (0x[0-9a-f]+);", constants))
    header = text_of("c-header", "copied", core)
    assert numbers == dict(re.findall(r"^#define (\w+)\s+LAYOUT_NUMBER\((0x[0-9a-f]+)", header, re.MULTILINE))
    words = [compiler, "--crate-type", "lib", "--emit", "metadata", "-D", "warnings", "layout.rs"]
    (tmp_path / "layout.rs").write_text("#![no_std]\n" + constants)
    done = run(words, tmp_path)
    assert done.returncode == 0, done.stderr
    (tmp_path / "layout.rs").write_text(
        "#![no_std]\n" + re.sub(r"(STATION_CODE_START: u32 = )\w+", r"\g<1>1", constants)
    )
    assert run(words, tmp_path).returncode != 0


@pytest.mark.parametrize("arrangement", ["in-place", "copied"])
def test_the_debugger_stops_both_cores(arrangement, tmp_path):
    """On qemu's two-core board gdb stops the station in its main function, the sampler at its release and then too."""
    read = gemel.load_layout(layout_file(arrangement))
    for core in CORES:
        shutil.copy(BUILT / arrangement / f"{core}.elf", tmp_path)
    builds = gemel.load_builds(read, {core: tmp_path / f"{core}.elf" for core in CORES})
    gemel.write_images(gemel.join(read, builds).image, tmp_path / "image.bin", layout=read)
    (tmp_path / "gemel.gdb").write_text(text_of("debugger", arrangement))
    port = tmp_path / "port"
    (tmp_path / "run.gdb").write_text(
        f"set pagination off\ntarget extended-remote {port}\nadd-inferior\ninferior 2\nattach 2\n"
        "set schedule-multiple on\nsource gemel.gdb\nstop-at-release\ntbreak run_sampler\n"
        "inferior 1\nsource gemel.gdb\ntbreak run_station\n"
        "continue\ncontinue\nsecondary-state\ncontinue\ninfo mem\nkill\n"
    )
    board = subprocess.Popen(
        [
            *(required_tool("qemu-system-arm"), "-M", "mps2-an521", "-display", "none", "-monitor", "none"),
            *("-serial", "null", "-S", "-gdb", f"unix:{port},server=on,wait=off"),
            *("-device", f"loader,file={tmp_path / 'image.bin'},addr=0x10000000"),
        ],
        stdin=subprocess.DEVNULL,
    )
    try:
        until = time.monotonic() + 30
        while not port.exists() and time.monotonic() < until:
            time.sleep(0.02)
        done = subprocess.run(
            [required_tool("gdb-multiarch"), "-nx", "-batch", "-x", "run.gdb"],
            cwd=tmp_path,
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
    finally:
        board.kill()
        board.wait()
    printed = done.stdout
    stops = [
        printed.find(text)
        for text in ("run_station () at", "reset_handler () at sampler", "run_sampler () at")
    ]
    assert -1 < stops[0] < stops[1] < stops[2], printed + done.stderr
    vectors = read.layout.span_of(read.layout.builds["sampler"].runs_in or "sampler-code").start
    assert f"sampler: vectors {vectors:#x}, control 0" in printed
    assert re.search(r"0x10000000 0x10080000 ro", printed)


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_gdb_takes_the_script_of_every_arrangement(arrangement, tmp_path):
    """gdb, with the image's bytes for a target, has both builds' lines, all memories, and the sampler's reset handler.

    qemu has no board with two flash banks, so that there no core runs; the names of the files are no ASCII.
    """
    text = layout_file(arrangement).read_text(encoding="utf-8")
    for core in CORES:
        text = text.replace(f"[build.{core}]\n", f'[build.{core}]\npath = "größe \\"{core}\\".elf"\n')
        shutil.copy(BUILT / arrangement / f"{core}.elf", tmp_path / f'größe "{core}".elf')
    layout = tmp_path / "gauge.toml"
    layout.write_text(text, encoding="utf-8")
    read = gemel.load_layout(layout)
    builds = gemel.load_builds(read, {core: BUILT / arrangement / f"{core}.elf" for core in CORES})
    gemel.write_images(gemel.join(read, builds).image, tmp_path / "image.srec", layout=read)
    copy = [
        required_tool("arm-none-eabi-objcopy"),
        "-I",
        "srec",
        "-O",
        "elf32-littlearm",
        "image.srec",
        "image.elf",
    ]
    assert run(copy, tmp_path).returncode == 0
    (tmp_path / "gemel.gdb").write_text(OF_LAYOUT["debugger"].of_layout(read, "station"), encoding="utf-8")
    asked = [
        "source gemel.gdb",
        "info line run_station",
        "info line run_sampler",
        "info mem",
        "stop-at-release",
    ]
    asked += ["info line *$reset_of_sampler"]
    words = [required_tool("gdb-multiarch"), "-nx", "-batch", "-ex", "exec-file image.elf"]
    done = run([*words, *(word for each in asked for word in ("-ex", each))], tmp_path, LC_ALL="C.UTF-8")
    assert done.stderr.strip() == "No hardware breakpoint support in the target."
    for core in CORES:
        assert re.search(rf'of "{core}/main.c" starts at address 0x\w+ <run_{core}>', done.stdout)
    for memory in read.layout.memories.values():
        for start in (memory.start, *memory.aliases):
            assert re.search(rf"{start:#010x} {start + memory.size:#010x} r[ow]", done.stdout)
    assert re.search(r"<reset_handler>.*\Z", done.stdout, re.DOTALL)
    assert 'of "sampler/' in done.stdout.splitlines()[-1]


def test_every_name_of_an_area_links(tmp_path):
    """An area may have a name that GNU ld takes for a word of its own, begins with a digit, or is a keyword of C."""
    names = [
        "org",
        "l",
        "o",
        "len",
        "ORIGIN",
        "LENGTH",
        "MAP",
        "VERSION",
        "ALIGN",
        "INPUT",
        "KEEP",
        "1st-part",
        "if",
        "ram",
    ]
    text = layout_file("in-place").read_text(encoding="utf-8")
    for at, name in enumerate(names):
        text += (
            f'[area.{name}]\nmemory = "ram"\noffset = {0x1_1000 + 64 * at}\nsize = 64\npurpose = "shared"\n'
        )
    layout = tmp_path / "names.toml"
    layout.write_text(text, encoding="utf-8")
    read = gemel.load_layout(layout)
    (tmp_path / "layout.ld").write_text(OF_LAYOUT["linker"].of_layout(read, "station"))
    regions = [region.name for region in regions_of(read.layout, "station")]
    used = "\n".join(
        f".at{number} (NOLOAD) : {{ *(.x{number}) }} > {name}" for number, name in enumerate(regions)
    )
    (tmp_path / "a.ld").write_text(f"INCLUDE layout.ld\nSECTIONS {{\n{used}\n}}\n")
    (tmp_path / "a.c").write_text("void start(void) { for (;;) ; }\n")
    for compiler in LINKERS.values():
        words = [
            required_tool(compiler[0]),
            *compiler[1:],
            "-mthumb",
            "-nostdlib",
            "-Wl,-T,a.ld",
            "-Wl,-estart",
            "a.c",
        ]
        words += ["-march=armv8-m.main"] if len(compiler) == 1 else []
        done = run([*words, "-o", "a.elf"], tmp_path, PATH=os.environ["PATH"])
        assert done.returncode == 0, done.stderr
    header = OF_LAYOUT["c-header"].of_layout(read, "station")
    (tmp_path / "layout.h").write_text(header)
    (tmp_path / "b.c").write_text('#include "layout.h"\n')
    done = run([required_tool("gcc"), "-Wall", "-Werror", "-c", "b.c"], tmp_path, PATH=os.environ["PATH"])
    assert done.returncode == 0, done.stderr


GEMEL = """#!/bin/sh
until test "$1" = -o -o $# = 0; do shift; done
test $# = 0 || echo joined > "$2"
"""
CMAKE = """cmake_minimum_required(VERSION 3.18)
project(gauge NONE)
include(gemel.cmake)
gemel_image(tide LAYOUT "a layout.toml" OUTPUT "new folder/tide.hex" BUILDS "station=a b.elf" sampler=c.elf)
"""
MAKE = """include gemel.mk
$(eval $(call gemel_image,new/folder/tide.hex,layout.toml,station=b.elf sampler=c.elf))
"""


@pytest.mark.parametrize("what", ["cmake", "make"])
def test_an_image_may_go_to_a_new_folder(what, tmp_path):
    """The rules make the folder of the image, as generators of build files expect; names with spaces, by CMake."""
    for name in ("a layout.toml", "layout.toml", "a b.elf", "b.elf", "c.elf"):
        (tmp_path / name).write_text("")
    (tmp_path / "stand-in").write_text(GEMEL)
    (tmp_path / "stand-in").chmod(0o755)
    export = OF_LAYOUT[what]
    (tmp_path / export.file_name).write_text(text_of(what, "in-place"))
    (tmp_path / "CMakeLists.txt").write_text(CMAKE)
    (tmp_path / "Makefile").write_text(MAKE)
    given = f"GEMEL={tmp_path / 'stand-in'}"
    steps = {
        "cmake": (
            ["cmake", "-G", "Unix Makefiles", "-S", ".", "-B", "out it", f"-D{given}"],
            ["cmake", "--build", "out it", "--target", "tide-check", "-j2"],
        ),
        "make": (["make", "-j2", "check-new/folder/tide.hex", given],),
    }
    for words in steps[what]:
        done = run([required_tool(words[0]), *words[1:]], tmp_path)
        assert done.returncode == 0, done.stdout + done.stderr
    image = {"cmake": "out it/new folder/tide.hex", "make": "new/folder/tide.hex"}[what]
    assert (tmp_path / image).read_text() == "joined\n"


@pytest.mark.parametrize("what", ["linker", "c-header", "rust", "debugger"])
def test_names_that_are_one_identifier_are_refused(what):
    """Of two areas that would get one macro, neither can win: all such names are reported at once."""
    text = layout_file("two-banks").read_text(encoding="utf-8").replace('"sampler-crc"', '"Station_CRC"')
    for name, offset in (("station_code", 32), ("Link", 48)):
        text += f'[area.{name}]\nmemory = "bank-2"\noffset = "{offset} KiB"\nsize = "4 KiB"\npurpose = "reserved"\n'
    from gemel.workflows.inputs.layouts import layout_from

    with pytest.raises(UsageProblem) as caught:
        OF_LAYOUT[what].of_layout(layout_from(text.encode(), "a.toml"), "station")
    assert [problem.where for problem in caught.value.problems] == [
        "area station-code and area station_code",
        "area link and area Link",
        "checksum station-crc and checksum Station_CRC",
    ]


@pytest.mark.parametrize("what", OF_LAYOUT)
def test_names_from_a_layout_stay_in_comments(what, tmp_path):
    """A product's name and a file's name that hold comment ends and quotes add nothing but text in comments."""
    text = layout_file("in-place").read_text(encoding="utf-8")
    text = text.replace('product = "tide-gauge"', 'product = "a */ b /* $(shell x)"')
    text = text.replace("[build.station]\n", '[build.station]\npath = "sub/a\\"b.elf"\n')
    file = tmp_path / 'x"*#\nshell id {{ 7 * 7 }} #.toml'
    file.write_text(text, encoding="utf-8")
    made = OF_LAYOUT[what].of_layout(gemel.load_layout(file), "station")
    plain = text_of(what, "in-place")
    assert made.isascii()
    assert 'Layout x"*#\\nshell id {{ 7 * 7 }} #.toml, digest' in made
    assert len(made.splitlines()) == len(plain.splitlines())
    comments = re.compile(r"^(?:#|//| \*(?!/)).*$", re.MULTILINE)
    left = [
        line
        for line in comments.sub("", made).splitlines()
        if line not in comments.sub("", plain).splitlines()
    ]
    assert left in (
        [],
        ['add-symbol-file "sub/a\\"b.elf"'],
        [f'#define LAYOUT_SHA256 "{gemel.load_layout(file).digest.hex()}"'],
    ) or (what == "rust" and len(left) == 1 and left[0].startswith("pub const LAYOUT_SHA256"))


def test_every_export_of_a_layout_is_a_template():
    """The folder has a template for each, by the name of its file, and the lines that head them all."""
    folder = ROOT / "imgtool_src/gemel/export/from_layout"
    templates = {file.name for file in folder.iterdir() if file.is_file() and file.suffix != ".py"}
    assert templates == {export.file_name for export in OF_LAYOUT.values()} | {"title"}


def test_a_value_is_escaped_where_no_template_says_so(monkeypatch):
    """The attack: a template that puts in a name as it is. Nothing ends the comment or the line; a typo is an error."""
    from jinja2 import UndefinedError

    from gemel.export.from_layout.templates import from_layout
    from gemel.structs import replace

    read = gemel.load_layout(layout_file("in-place"))
    read = replace(read, layout=replace(read.layout, product="*/\n\u202eß{{ 7 * 7 }}"))
    monkeypatch.setattr("gemel.text.templates.template_text", lambda *_: "/* {{ layout.product }} */\n")
    assert from_layout("any", read, "station") == "/* * /\\n\\u202e\\xdf{{ 7 * 7 }} */\n"
    monkeypatch.setattr("gemel.text.templates.template_text", lambda *_: "{{ prodct }}")
    with pytest.raises(UndefinedError):
        from_layout("any", read, "station")


def test_wrong_lines_are_refused(tmp_path):
    """No layout where one is due, one where none is, an unknown core: exit code 2 and no file."""
    gemel_command = [sys.executable, "-m", "gemel", "export"]
    environment = {"PYTHONPATH": str(ROOT / "imgtool_src")}
    layout = layout_file("in-place")
    for words in (
        ["linker"],
        ["linker", layout, "--core", "motor"],
        ["c-reader", layout],
        ["schema", "--core", "station"],
    ):
        done = run([*gemel_command, *words, "-o", tmp_path / "out"], tmp_path, **environment)
        assert done.returncode == 2, words
        assert "Traceback" not in done.stderr
        assert not (tmp_path / "out").exists()


def test_same_layout_same_id():
    """The id follows the regions of the core alone: a new version of the product does not change it, a size does."""
    text = layout_file("in-place").read_bytes()
    from gemel.workflows.inputs.layouts import layout_from

    first = layout_from(text, "a.toml").layout
    version = layout_from(text.replace(b'version = "1.4.2"', b'version = "1.5.0"'), "b.toml").layout
    moved = layout_from(
        text.replace(
            b'[area.link]                     # 0x3801_0000..0x3801_0FFF\nmemory = "ram"\noffset = "64 KiB"',
            b'[area.link]\nmemory = "ram"\noffset = "68 KiB"',
        ),
        "c.toml",
    ).layout
    assert regions_id(first, "station") == regions_id(version, "station") != regions_id(moved, "station")
    assert regions_id(first, "station") != regions_id(first, "sampler")

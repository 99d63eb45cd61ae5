"""Slips on the command line: the error names what was given, and a next step that is possible."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest
from in_process import run_here
from runs import JOIN, run, write_device

import gemel
from gemel.errors import UsageProblem
from gemel.files.reading import MIN_ALIKE, MIN_ALIKE_SUFFIX, blocks_of_file
from gemel.image.intel_hex import decode, encode
from gemel.image.sparse import SparseBytes
from gemel.spans import Span


def flat(text: str) -> str:
    """The text with its line breaks taken out."""
    return " ".join(text.split())


@pytest.fixture(scope="module")
def device(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small device, joined, with a policy and a log."""
    folder = write_device(tmp_path_factory.mktemp("device"))
    assert run_here(*JOIN, "-o", "tide.hex", cwd=folder).returncode == 0
    (folder / "own.toml").write_text(
        'format = 1\ntrust = ["a.pem"]\nrollback_at_least = 2\n', encoding="utf-8"
    )
    (folder / "pub.pem").write_text("-----BEGIN PUBLIC KEY-----\n", encoding="ascii")
    (folder / "note.hex").write_text("the image of tonight\n", encoding="ascii")
    (folder / "station.map").write_text("\nMemory Configuration\n\nName Origin Length\n", encoding="ascii")
    for copy in ("my tide.hex", "two.hex"):
        (folder / copy).write_bytes((folder / "tide.hex").read_bytes())
    (folder / "my own.toml").write_bytes((folder / "own.toml").read_bytes())
    (folder / "my station.elf").write_bytes((folder / "station.elf").read_bytes())
    (folder / "bitcode.o").write_bytes(b"BC\xc0\xde" + bytes(60))
    (folder / "kiln").mkdir()
    (folder / "kiln" / "gemel.toml").write_bytes((folder / "small.toml").read_bytes())
    (folder / "crash.log").write_text("pc=0x10000080\n", encoding="utf-8")
    return folder


SLIPS = {
    "a layout as policy": (
        ("check", "--policy", "small.toml", "tide.hex"),
        "this is not a policy",
        "a layout comes",
    ),
    "a policy as layout": (
        ("check", "own.toml", "tide.hex"),
        "this is not a layout",
        "a policy after --policy",
    ),
    "an image as layout": (
        ("join", "tide.hex", "-o", "x.hex"),
        "found an Intel HEX file",
        "give the layout here",
    ),
    "a build as symbol": (
        ("where", "small.toml", "station.elf"),
        "this is a build, not a symbol",
        "write station=station.elf",
    ),
    "a build as symbol, without a layout": (
        ("where", "my station.elf", "0x10000080"),
        "this is a build, not a symbol",
        "write 'my station=my station.elf'",
    ),
    "a register's value in place of a build": (
        ("where", "small.toml", "pc=0x1000_0080"),
        "this is a value, not a build",
        "give the address alone, 0x1000_0080",
    ),
    "a log as symbol": (("where", "small.toml", "crash.log"), "a file's name, not a symbol", "< crash.log"),
    "an address of seven digits": (
        ("where", "small.toml", "station=station.elf", "100008a"),
        "unknown symbol",
        "as an address, write 0x100008a",
    ),
    "a core misspelt": (("export", "linker", "small.toml", "--core", "smapler"), "unknown core", '"sampler"'),
    "a kind misspelt": (("export", "linkr", "small.toml"), "unknown value", 'did you mean "linker"?'),
    "half a name of an algorithm": (
        ("keys", "new", "ecdsa", "-o", "k.pem"),
        "unknown signature algorithm",
        '"ECDSA-P256" or "ECDSA-P384"',
    ),
    "an old build where none is compared": (
        ("check", "small.toml", "tide.hex", "old:station=station.elf"),
        "the layout has no such build",
        "gemel compare",
    ),
    "a key among the files": (
        ("check", "small.toml", "tide.hex", "pub.pem"),
        "this is a key, not a layout or an image",
        "a public key with --trust pub.pem",
    ),
    "a key in place of a layout": (("check", "tide.hex", "pub.pem"), "this is a key", "--trust pub.pem"),
    "a key as policy": (
        ("check", "small.toml", "tide.hex", "--policy", "pub.pem"),
        "found a key in PEM",
        "--trust",
    ),
    "a key as build": (
        ("check", "small.toml", "tide.hex", "station=pub.pem"),
        "found a key in PEM",
        "--trust",
    ),
    "an image as policy": (
        ("check", "small.toml", "tide.hex", "--policy", "tide.hex"),
        "found an Intel HEX file",
        "give the policy here",
    ),
    "a policy among the files": (
        ("check", "small.toml", "tide.hex", "own.toml"),
        "one file too many",
        "a policy is given with --policy own.toml",
    ),
    "a build with its name last": (
        ("check", "small.toml", "tide.hex", "station.elf=station"),
        "one file too many",
        "the name comes first: station=station.elf",
    ),
    "a build to draft from without its name": (
        ("draft", "station.elf"),
        "not a build found station.elf",
        "name the builds: station=station.elf",
    ),
    "two images with a layout": (
        ("check", "small.toml", "tide.hex", "two.hex"),
        "one file too many",
        "gemel compare tide.hex two.hex compares two images, gemel audit checks many",
    ),
    "two images without a layout": (
        ("check", "tide.hex", "my tide.hex"),
        "one file too many",
        "gemel compare tide.hex 'my tide.hex' compares",
    ),
    "a link map as build": (
        ("check", "small.toml", "tide.hex", "station=station.map"),
        "found a link map",
        "give the ELF file that was linked with it",
    ),
    "a link map as image": (("check", "small.toml", "station.map"), "found a link map", "give the ELF file"),
    "a policy whose name has a space": (
        ("check", "small.toml", "tide.hex", "my own.toml"),
        "one file too many",
        "--policy 'my own.toml'",
    ),
    "a build whose name has a space": (
        ("join", "small.toml", "my station.elf", "-o", "out.hex"),
        "one file too many",
        "with its name: 'my-station=my station.elf'",
    ),
    "the layout after an image whose name has a space": (
        ("check", "my tide.hex", "small.toml"),
        "the layout comes first",
        "write: small.toml 'my tide.hex'",
    ),
    "builds without their names": (
        ("join", "small.toml", "station.elf", "sampler.elf", "-o", "out.hex"),
        "one file too many",
        "with its name: station=station.elf sampler=sampler.elf",
    ),
    "an option without its value": (
        ("join", "small.toml", "-o"),
        "where gemel join expected",
        "gemel join --help",
    ),
    "a value of --strict without its sign": (
        ("check", "--strict", "inputs", "small.toml", "tide.hex"),
        "--strict takes its value after '='",
        "write: --strict=inputs",
    ),
    "a build without its file": (
        ("check", "small.toml", "tide.hex", "station="),
        "not a build",
        "'=' and its file",
    ),
    "a folder that is not there as image": (
        ("compare", "tide.hex", "next"),
        "cannot be read",
        "check the path",
    ),
    "an image given twice as standard input": (
        ("compare", "small.toml", "-", "-", "--as", "hex"),
        "standard input is given twice",
        "give - once",
    ),
    "standard input without its format": (
        ("check", "small.toml", "-"),
        "names no image file format",
        "give --as hex",
    ),
    "a folder with a layout in place of the layout": (
        ("check", "kiln", "tide.hex"),
        "this is a folder",
        "a layout in it is kiln/gemel.toml",
    ),
    "a text file in place of an image": (
        ("check", "small.toml", "note.hex"),
        "the file holds no record",
        "check that this is the right file",
    ),
    "a form of report as an option": (
        ("check", "small.toml", "tide.hex", "--json"),
        "unknown option",
        "write: --format json, or --report FILE for a file (gemel check --help)",
    ),
    "a curve for an algorithm": (
        ("keys", "new", "P256", "-o", "k.pem"),
        "unknown signature algorithm",
        'did you mean "ECDSA-P256"?',
    ),
    "an image as release": (
        ("check", "--release", "tide.hex"),
        "not a release folder",
        "without --release: gemel check small.toml tide.hex",
    ),
    "a build with spaces around its sign": (
        ("join", "small.toml", "station", "=", "station.elf", "-o", "x.hex"),
        "a build is one word, with no space around =",
        "write: station=station.elf",
    ),
    "a build with a space after its sign": (
        ("check", "small.toml", "tide.hex", "station=", "station.elf"),
        "a build is one word, with no space around =",
        "write: station=station.elf",
    ),
    "a build with a space before its sign": (
        ("check", "small.toml", "tide.hex", "station", "=station.elf"),
        "a build is one word, with no space around =",
        "write: station=station.elf",
    ),
    "a symbol with its build": (
        ("where", "small.toml", "station=station.elf", "sampler=sampler.elf", "station:reset_handler"),
        "unknown symbol",
        "give the symbol alone: reset_handler",
    ),
    "a line of a source file": (
        ("where", "small.toml", "station=station.elf", "start.c:12"),
        "unknown symbol",
        "lines of a source file are not looked up",
    ),
    "a symbol of no build, all given": (
        ("where", "small.toml", "station=station.elf", "sampler=sampler.elf", "zzzzzz"),
        "unknown symbol",
        "check its spelling: every build of the layout is given",
    ),
    "a symbol of no build, one missing": (
        ("where", "small.toml", "station=station.elf", "zzzzzz"),
        "unknown symbol",
        "give the build that defines it",
    ),
    "a word of a page, no rule": (("explain", "waiver"), "unknown rule or topic", "`gemel explain policy`"),
    "a command to explain": (("explain", "demo"), "unknown rule or topic", "`gemel demo --help`"),
    "two words of a page": (("explain", "exit", "codes"), "found exit codes", "`gemel explain ci`"),
    "a word of no page": (("explain", "qqqqqq"), "unknown rule or topic", "`gemel explain` lists the rules"),
    "digits to find": (
        ("audit", "--index", "none.sqlite", "--find", "760f"),
        "this searches for nothing",
        "write build-id=760f",
    ),
    "a folder as policy": (
        ("check", "--policy", "kiln", "small.toml", "tide.hex"),
        "found a folder",
        "name the file that is meant in it",
    ),
    "a layout as private key": (
        ("join", "small.toml", "-o", "x.hex", "--key", "small.toml"),
        "not a key, or damaged",
        "gemel keys new makes one",
    ),
    "one report twice": (
        ("check", "small.toml", "tide.hex", "--report", "a.json", "--report", "a.json"),
        "expected two names",
        "give one of them another name",
    ),
    "an image as key": (("keys", "show", "tide.hex"), "found an Intel HEX file", ""),
    "an object for optimisation at link time": (
        ("check", "small.toml", "tide.hex", "station=bitcode.o"),
        "this is not an ELF file",
        "link it first",
    ),
}


@pytest.mark.parametrize("case", SLIPS)
def test_a_slip_is_named_with_a_next_step(case: str, device: Path) -> None:
    """What was given is recognised, and it is one error."""
    words, what, step = SLIPS[case]
    done = run_here(*words, cwd=device)
    assert done.returncode == 2
    assert done.stderr.count("error: ") == 1
    assert what in flat(done.stderr)
    assert step in flat(done.stderr.partition("next")[2])


@pytest.mark.parametrize(
    ("words", "step"),
    [
        (("join", "station.elf", "sampler.elf", "-o", "x.hex"), "station=station.elf sampler=sampler.elf,"),
        (("check", "station.elf", "tide.hex"), "tide.hex station=station.elf,"),
    ],
)
def test_builds_without_names_beside_the_layout_of_the_folder(
    words: tuple[str, ...], step: str, device: Path, tmp_path: Path
) -> None:
    """Where the folder has its own layout no other one is to be drafted: the builds lack their names."""
    for name in ("station.elf", "sampler.elf", "tide.hex"):
        (tmp_path / name).write_bytes((device / name).read_bytes())
    assert "gemel draft" in flat(run_here(*words, cwd=tmp_path).stderr)
    (tmp_path / "gemel.toml").write_bytes((device / "small.toml").read_bytes())
    done = run_here(*words, cwd=tmp_path)
    assert done.returncode == 2
    assert "a build without its name" in done.stderr
    assert f"write: {step} each with the build's name in gemel.toml" in flat(done.stderr)


@pytest.mark.parametrize("name", ["tide.hex", "whole.hex"])
def test_an_image_given_as_build_is_led_to_split(name: str, device: Path) -> None:
    """What falls into the record's area is a record, be it a run of its own or inside one of all the flash."""
    image = decode([(device / "tide.hex").read_bytes()], "tide.hex").image
    first, end = image.spans()[0].start, image.spans()[-1].end
    whole = SparseBytes()
    whole.write(first, image.read(Span.from_bounds(first, end), 0xFF))
    (device / "whole.hex").write_bytes(b"".join(encode(whole)))
    done = run_here("join", "small.toml", f"station={name}", "sampler=sampler.elf", "-o", "x.hex", cwd=device)
    assert done.returncode == 1
    assert f"gemel split small.toml {name} -o FOLDER takes the image apart" in flat(done.stderr)
    assert "linker script" not in done.stderr


@pytest.mark.parametrize(
    ("name", "form", "found"),
    [
        ("tide.hex", "bin", "Intel HEX"),
        ("tide.hex", "srec", "Intel HEX"),
        ("tide.srec", "hex", "S-record"),
        ("tide.bin", "hex", "raw binary"),
        ("station.elf", "bin", "an ELF file"),
        ("tide.hex", "hex", ""),
        ("tide.srec", "srec", ""),
        ("tide.bin", "bin", ""),
    ],
)
def test_a_format_that_standard_input_is_not_of(name: str, form: str, found: str, device: Path) -> None:
    """What is read as another format than it has is called what it is, not an image that was damaged."""
    if not (device / "tide.bin").exists():
        assert run_here(*JOIN, "-o", "tide.bin", "-o", "tide.srec", cwd=device).returncode == 0
    with (device / name).open("rb") as file:
        done = run("check", "small.toml", "-", "--as", form, cwd=device, stdin=file.fileno())
    assert done.returncode == (2 if found else 0), done.stderr
    assert done.stderr.count("error: ") == bool(found)
    assert f"found {found} expected" in flat(done.stderr) or not found


@pytest.mark.parametrize(
    ("words", "wrong"),
    [
        (("where", "small.toml", "--log", "x"), "--color"),
        (("check", "small.toml", "tide.hex", "--print"), "--strict"),
        (("join", "small.toml", "-o", "x.hex", "--force"), "--format"),
        (("check", "small.toml", "tide.hex", "station=none.elf"), "station.elf?"),
        (("check", "--policy", "small.elf", "tide.hex"), "small.toml?"),
    ],
)
def test_nothing_is_suggested_that_is_hardly_alike(words: tuple[str, ...], wrong: str, device: Path) -> None:
    """Hyphens and suffixes make no two names alike."""
    done = run_here(*words, cwd=device)
    assert done.returncode == 2
    assert f"did you mean {wrong}" not in flat(done.stderr)


def test_a_layout_whose_trusted_key_is_missing(device: Path) -> None:
    """The layout alone passes, with a remark: the key is needed once there is an image."""
    text = (device / "small.toml").read_text(encoding="utf-8")
    sealed = text.replace('[seal]\narea = "seal"\n', '[seal]\narea = "seal"\ntrust = ["gone.pem"]\n')
    if sealed == text:
        sealed = text + '\n[seal]\narea = "seal"\ntrust = ["gone.pem"]\n'
    (device / "trusting.toml").write_text(sealed, encoding="utf-8")
    done = run_here("check", "trusting.toml", cwd=device)
    assert done.returncode == 0
    assert "remark: the file cannot be read" in done.stderr
    assert "gone.pem" in done.stderr


@pytest.mark.parametrize(("asked", "near"), [("abcd", True), ("abxy", True), ("axyz", False)])
def test_a_name_is_suggested_that_is_alike_enough(asked: str, near: bool, tmp_path: Path) -> None:
    """MIN_ALIKE of a name, without the suffix that most files have in common, must be the same."""
    assert MIN_ALIKE == 0.5
    (tmp_path / "abcd.elf").write_bytes(b"")
    with pytest.raises(UsageProblem) as caught:
        list(blocks_of_file(tmp_path / f"{asked}.elfx"))
    (problem,) = caught.value.problems
    assert ("did you mean" in problem.next_step) == near


@pytest.mark.parametrize(
    ("asked", "there", "near"),
    [
        ("main.elf", "main.ld", False),
        ("main.elf", "main.hex", False),
        ("main.elf", "main.efl", True),
        ("main.bin", "main.bim", True),
        ("main", "mian", True),
    ],
)
def test_a_suffix_is_a_slip_or_another_kind_of_file(
    asked: str, there: str, near: bool, tmp_path: Path
) -> None:
    """MIN_ALIKE_SUFFIX is that of a slip of one letter in three; the suffix of another kind is less alike."""
    assert MIN_ALIKE_SUFFIX == 0.7
    (tmp_path / there).write_bytes(b"")
    with pytest.raises(UsageProblem) as caught:
        list(blocks_of_file(tmp_path / asked))
    (problem,) = caught.value.problems
    assert ("did you mean" in problem.next_step) == near


CONTINUED = {
    "builds/elf/segment_overlaps.py": "two segments store the same bytes at the same addresses",
    "builds/elf_builds.py": "more {what} like these",
    "image/gathering.py": "in this file",
    "policy/reader.py": "faults",
    "cli/checks.py": "without the layout: ",
    "workflows/reading_back.py": "ASIDE",
}
"""Remarks that need nothing done, and lines that say how many problems more there are."""


def test_every_problem_says_what_to_do_or_what_is_expected() -> None:
    """No problem that the code makes is a sentence alone: it has what is expected, a next step, or both."""
    source = Path(gemel.__file__).parent
    alone = []
    for file in sorted(source.rglob("*.py")):
        for call in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            name = getattr(call.func, "id", "") if isinstance(call, ast.Call) else ""
            if isinstance(call, ast.Call) and name.endswith(
                ("Problem", "LayoutFault", "Error", "Missing", "Rehearse")
            ):
                given = {each.arg for each in call.keywords}
                parts = name in ("Problem", "LayoutFault") or {"where", "found"} & given
                if parts and not {"expected", "next_step", None} & given:
                    place = file.relative_to(source).as_posix()
                    if CONTINUED.get(place, "\0") not in ast.unparse(call):
                        alone.append(f"{place}:{call.lineno}: {ast.unparse(call)}")
    assert alone == []


def test_a_word_that_messages_use_is_explained(tmp_path: Path) -> None:
    """Keys of layouts and policies, rules of what came with an image, words of a rule's reasons; no others."""
    for word, expected in {
        "release_mask": "[core.NAME.release]\n  release_mask ",
        "rollback_at_least": "in a policy (gemel explain policy has all of its keys)",
        "unknown_signers": "seal-signers-known",
        "device-holds-one-version": "device-holds-one-version  (error)",
        "release-sbom-agrees": "release-sbom-agrees  (error)",
        "builds-read-back": "builds-read-back  (error)",
        "CPACR": "float-enabled-before-use",
    }.items():
        done = run_here("explain", word, cwd=tmp_path)
        assert (done.returncode, expected in done.stdout) == (0, True), word
        assert run_here("explain", word, "--format", "json", cwd=tmp_path).returncode == 0
    for word in ("release_masks", "mask", "device-holds-two-versions", "xyzzy"):
        found = run_here("explain", word, cwd=tmp_path)
        assert "release_mask  " not in found.stdout, word
    assert run_here("explain", "xyzzy", cwd=tmp_path).returncode == 2


def test_builds_that_are_no_elf_files_are_asked_for_as_such(device: Path) -> None:
    """A build given as HEX is given: what lacks is its ELF file, in the line, by name and for --strict=inputs."""
    assert run_here("split", "small.toml", "tide.hex", "-o", "parts", cwd=device).returncode == 0
    both = ("station=parts/station.hex", "sampler=parts/sampler.hex")

    def line(*words: str) -> str:
        found = run_here("check", "small.toml", "tide.hex", *words, cwd=device).stdout
        return next(part for part in flat(found).split("not checked: ")[1:] if part)

    assert "need builds as ELF files," in line(*both)
    assert "need builds as ELF files," in line(both[0], "sampler=sampler.elf")
    assert "need builds (station as ELF)," in line(both[0])
    assert "need builds," in line()
    assert "builds" not in line("station=station.elf", "sampler=sampler.elf")
    layout = (device / "small.toml").read_text(encoding="utf-8")
    change = (
        'rule = "flash-words-programmed"\nseverity = "note"\nreason = "its handlers run off their ends"\n'
    )
    (device / "noted.toml").write_text(f"{layout}\n[[rules.severity]]\n{change}", encoding="utf-8")
    strict = run_here("check", "noted.toml", "tide.hex", *both, "--strict=inputs", cwd=device)
    assert "not given: sampler=FILE (ELF), station=FILE (ELF)" in flat(strict.stdout)


@pytest.mark.parametrize(
    ("words", "step"),
    [
        (("check", "kiln/gemel.toml", "kiln"), "gemel audit kiln/gemel.toml kiln checks"),
        (("check", "small.toml", "station.elf"), "(gemel join small.toml station=station.elf ... -o IMAGE)"),
        (("show", "my layout.toml", "station.elf"), "(gemel join 'my layout.toml' station=station.elf"),
        (("check", "small.toml", "my station.elf"), "'my station=my station.elf'"),
        (("check", "small.toml", "kiln/station.elf"), "gemel join small.toml station=kiln/station.elf"),
    ],
)
def test_the_commands_of_a_next_step_name_the_layout(device: Path, words: tuple[str, ...], step: str) -> None:
    """A command is there for copying: with the layout and the files as they were given."""
    (device / "my layout.toml").write_bytes((device / "small.toml").read_bytes())
    (device / "kiln" / "station.elf").write_bytes((device / "station.elf").read_bytes())
    done = run_here(*words, cwd=device)
    assert done.returncode == 2
    assert step in flat(done.stderr)


def test_where_the_layout_is_not_known_the_word_stands(device: Path, tmp_path: Path) -> None:
    """Of several layouts in the folder none is taken; of one it is the one."""
    (tmp_path / "tide.hex").write_bytes((device / "tide.hex").read_bytes())

    def said() -> str:
        return flat(run_here("check", "--release", "tide.hex", cwd=tmp_path).stderr)

    assert "gemel check LAYOUT tide.hex" in said()
    for name, word in (("small.toml", "small.toml"), ("other.toml", "LAYOUT"), ("gemel.toml", "gemel.toml")):
        (tmp_path / name).write_bytes((device / "small.toml").read_bytes())
        assert f"gemel check {word} tide.hex" in said()


@pytest.mark.parametrize(
    ("word", "near"),
    [
        ("vectr", "vector"),
        ("Stak", "stack"),
        ("checksm", "checksum"),
        ("handlr", "handler"),
        ("recrd", "record"),
    ],
)
def test_a_word_with_a_slip_has_a_near_one(device: Path, word: str, near: str) -> None:
    """What is suggested is a topic, a rule, or a word that rules use, so that it finds something."""
    refused = run_here("explain", word, cwd=device)
    assert f'did you mean "{near}"?' in refused.stderr
    assert run_here("explain", near, cwd=device).returncode == 0

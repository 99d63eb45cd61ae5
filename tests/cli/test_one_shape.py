"""One shape of arguments for all commands, and the options that they share."""

from __future__ import annotations

import bz2
import gzip
import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree

import jsonschema
import pytest
from in_process import run_here as run_in
from runs import BUILDS, JOIN, environment, write_device
from schemas import exported_schema
from sealed_device import Run, run_here

from gemel.checking.registry import rule_named
from gemel.workflows.problem_report import REFUSED

CHECK = ("check", "small.toml", "tide.hex")


@pytest.fixture
def gemel(capfd: pytest.CaptureFixture[str]) -> Run:
    """Runs one command line in this process."""
    return run_here(capfd)


@pytest.fixture(scope="module")
def joined(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small device as files, joined."""
    folder = write_device(tmp_path_factory.mktemp("joined"))
    assert run_in(*JOIN, "-o", "tide.hex", "-o", "tide.bin", cwd=folder).returncode == 0
    return folder


@pytest.fixture
def device(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, joined: Path) -> Path:
    """A copy of it; commands run there."""
    for file in joined.iterdir():
        shutil.copyfile(file, tmp_path / file.name)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def flat(text: str) -> str:
    """The text with its line breaks taken out."""
    return " ".join(text.split())


def with_paths(device: Path, *names: str) -> None:
    """Name each of these builds' files in the layout."""
    text = Path("small.toml").read_text(encoding="utf-8")
    for name in names:
        text = text.replace(f"[build.{name}]\n", f'[build.{name}]\npath = "{name}.elf"\n')
    Path("small.toml").write_text(text, encoding="utf-8")


def test_the_digest_is_that_of_sha256sum(device: Path, gemel: Run) -> None:
    """Text and JSON have the file's own SHA-256, by coreutils, and the size; two formats share the content digest."""
    said = {name: gemel("check", "small.toml", name, "--format", "json") for name in ("tide.hex", "tide.bin")}
    images = {name: json.loads(done.out)["identity"]["image"] for name, done in said.items()}
    for name, image in images.items():
        due = subprocess.run(["sha256sum", name], capture_output=True, text=True, check=True).stdout.split()[
            0
        ]
        assert (image["sha256"], image["size"]) == (due, Path(name).stat().st_size)
        assert due in gemel("check", "small.toml", name).out
    joined = gemel(*JOIN, "-o", "again.hex").out
    assert hashlib.sha256(Path("again.hex").read_bytes()).hexdigest() in joined
    assert images["tide.hex"]["content_sha256"] in joined


def test_the_identity_says_what_was_judged(device: Path, gemel: Run) -> None:
    """Builds given and not, the layout and the options that change the verdict are in every form."""
    words = (BUILDS[0], "--at-least", "3", "--version", "1.2.3", "--strict")
    for form in ("text", "json", "sarif", "junit"):
        out = gemel(*CHECK, *words, "--format", form).out
        assert "station.elf" in out, form
        assert "--at-least 3" in out, form
        assert hashlib.sha256(Path("small.toml").read_bytes()).hexdigest() in out, form
    text = gemel(*CHECK, *words).out
    assert "sampler: not given" in text
    assert "with --version 1.2.3 --at-least 3 --strict" in flat(text)


def test_a_build_that_is_not_given_has_the_build_id_of_the_record(device: Path, gemel: Run) -> None:
    """A receiver without builds sees which builds the image says it holds, and that the record says so."""
    ids = [
        build["build_id"]
        for build in json.loads(gemel(*CHECK, *BUILDS, "--format", "json").out)["identity"]["builds"]
    ]
    alone = gemel(*CHECK, "--format", "json").out
    assert [build["build_id"] for build in json.loads(alone)["identity"]["builds"]] == ids
    text = gemel(*CHECK).out
    junit = gemel(*CHECK, "--format", "junit").out
    for build_id in filter(None, ids):
        assert f"build id {build_id}, by the record" in flat(text)
        assert f"not given, {build_id} by the record" in junit
    assert any(ids)


def test_a_dry_run_needs_no_output(device: Path, gemel: Run) -> None:
    """--dry-run alone and with -o writes no image; without it -o is required, and said to be."""
    before = sorted(os.listdir())
    for words in (("--dry-run",), ("--dry-run", "-o", "x.hex")):
        done = gemel(*JOIN, *words)
        assert (done.code, sorted(os.listdir())) == (0, before)
    for words in ((), ("--strict",)):
        done = gemel(*JOIN, *words)
        assert done.code == 2
        assert "missing option --output" in done.err
        assert "-o IMAGE" in done.err


@pytest.mark.parametrize("command", ["check", "rehearse", "sign", "split"])
def test_swapped_arguments_are_recognised(device: Path, gemel: Run, command: str) -> None:
    """An image before its layout is told with the line that was meant."""
    more = ("-o", "out") if command in ("sign", "split") else ()
    done = gemel(command, "tide.hex", "small.toml", *BUILDS, *more)
    assert done.code == 2
    assert "the layout comes first" in done.err
    assert "small.toml tide.hex station=station.elf" in flat(done.err)


@pytest.mark.parametrize(
    "words", [("check", "station.elf", "tide.hex"), ("join", "station.elf", "-o", "x.hex")]
)
def test_a_build_for_a_layout_leads_to_draft(device: Path, gemel: Run, words: tuple[str, ...]) -> None:
    """Who has builds and no layout yet is told how to get one."""
    done = gemel(*words)
    assert done.code == 2
    assert "gemel draft station=station.elf" in flat(done.err)


def test_the_folders_own_layout(device: Path, gemel: Run) -> None:
    """Where no layout is named, gemel.toml in the folder is it, and the output says so; without one it is missed."""
    missed = gemel("check", "tide.hex")
    assert (missed.code, "no gemel.toml here" in missed.err) == (2, True)
    Path("small.toml").rename("gemel.toml")
    for words in (("check", "tide.hex"), ("show", "tide.hex"), ("join", *BUILDS, "-o", "own.hex")):
        done = gemel(*words)
        assert done.code == 0, done.err
        assert "gemel.toml" in done.out
    assert "gemel.toml" not in gemel("show", "tide.hex", "--no-layout").out


def test_builds_by_path_count_everywhere(device: Path, gemel: Run) -> None:
    """check, show, rehearse and sign read the builds that the layout names; one that is not there is left out."""
    with_paths(device, "station", "sampler")
    done = gemel(*CHECK, "--format", "json")
    assert [each["file"] for each in json.loads(done.out)["identity"]["builds"]] == [
        "station.elf",
        "sampler.elf",
    ]
    Path("sampler.elf").unlink()
    where, split = ("where", "small.toml", "0x1000_0000"), ("split", "small.toml", "tide.hex", "-o", "parts")
    compare = ("compare", "small.toml", "tide.hex", "tide.hex")
    for words in (CHECK, ("show", *CHECK[1:]), where, split, compare):
        done = gemel(*words)
        assert done.code == 0, done.err
        assert "build sampler is left out: a file that the layout names is missing" in flat(done.err)
        assert "sampler=FILE" in done.err
    assert "station.elf" in gemel(*compare).out
    assert "build station" in gemel(*where).out
    kept = Path("station.elf").rename("kept.elf")
    none = flat(gemel(*CHECK).err)
    assert (
        none == "remark: without builds: no station.elf, no sampler.elf next give station=FILE sampler=FILE"
    )
    kept.rename("station.elf")
    quiet = gemel(*CHECK, "--quiet")
    assert (quiet.out, quiet.err) == ("", "")
    given = gemel(*CHECK, "sampler=other.elf")
    assert (given.code, "other.elf" in given.err) == (2, True)  # what was given must be there


def test_other_layouts_in_the_folder_are_named(device: Path, gemel: Run) -> None:
    """Where no layout is named, those that are there are, and other files in TOML are not."""
    Path("pyproject.toml").write_text("[project]\nname = 'x'\n", encoding="utf-8")
    said = flat(gemel("check", "tide.hex").err)
    assert "no gemel.toml here, but small.toml expected" in said
    assert "name the layout first: small.toml tide.hex [NAME=BUILD]..." in said
    assert "gemel show tide.hex" in said
    assert "no gemel.toml here, but small.toml expected" in flat(gemel("audit", "tide.hex").err)


def test_a_folder_in_place_of_an_image_leads_to_its_command(device: Path, gemel: Run) -> None:
    """A release folder is checked whole, any other audited; an image in a release and an archive lead there too."""
    Path("rel").mkdir()
    for words in (("check", "rel"), ("check", "small.toml", "rel"), ("show", "rel")):
        said = gemel(*words)
        assert (said.code, said.err.count("error:")) == (2, 1)
        assert "gemel audit small.toml rel" in flat(said.err)
    Path("rel/release.json").write_text("{}")
    shutil.copyfile("tide.hex", "rel/tide.hex")
    for words in (("check", "rel"), ("check", "small.toml", "rel"), ("check", "rel/tide.hex")):
        assert "gemel check --release rel checks" in flat(gemel(*words).err)
    assert "unpack an archive first" in flat(gemel("check", "--release", "tide.bin").err)
    assert gemel("check", "small.toml", "rel/tide.hex").code == 0


@pytest.mark.parametrize(
    ("words", "found", "step"),
    [
        (("--format", "jsn"), "jsn", 'did you mean "json"? (gemel check --help)'),
        (("--strict=input",), "input", 'did you mean "inputs"?'),
        (("--color", "blue"), "blue", "gemel check --help"),
    ],
)
def test_a_value_that_is_none_of_a_choice(gemel: Run, words: tuple[str, ...], found: str, step: str) -> None:
    """What was found, what may be there, and the nearest, as for all other errors."""
    said = flat(gemel("check", "small.toml", "tide.hex", *words).err)
    assert said.startswith("error: unknown value where gemel check, --")
    assert f"found {found} expected one of " in said
    assert step in said


@pytest.mark.skipif(os.name != "posix", reason="kinds of files that POSIX has")
@pytest.mark.parametrize("kind", ["a pipe", "a folder", "a device", "a link to no file"])
def test_a_layout_that_is_no_plain_file(device: Path, gemel: Run, kind: str) -> None:
    """What stands in the place of the folder's own layout is named, and not waited for."""
    make: dict[str, Callable[[], object]] = {
        "a pipe": lambda: os.mkfifo("gemel.toml"),
        "a folder": lambda: os.mkdir("gemel.toml"),
        "a device": lambda: os.symlink(os.devnull, "gemel.toml"),
        "a link to no file": lambda: os.symlink("nowhere", "gemel.toml"),
    }
    make[kind]()
    done = gemel("check", "tide.hex")
    assert done.code == 2
    assert "the layout is not a plain file" in done.err
    assert f"found     {kind}" in done.err


@pytest.mark.parametrize("command", ["check", "show", "rehearse", "sign"])
def test_all_that_cannot_be_read_is_reported_at_once(device: Path, gemel: Run, command: str) -> None:
    """The image and both builds, and for check the older image too; each with what to do."""
    more = {"check": ("--previous", "none.hex"), "sign": ("--key", "key.pem", "-o", "x.hex")}.get(command, ())
    assert gemel("keys", "new", "Ed25519", "-o", "key.pem", "--no-pass-phrase").code == 0
    words = (command, "small.toml", "tide.hxe.hex", "station=statio.elf", "sampler=none.elf", *more)
    done = gemel(*words)
    assert done.code == 2
    missing = ["tide.hxe.hex", *(["none.hex"] if command == "check" else [])]
    missing += ["build station (statio.elf)", "build sampler (none.elf)"]
    assert [line.split("where     ")[1] for line in done.err.splitlines() if "where  " in line] == missing
    assert "did you mean station.elf?" in done.err
    assert done.err.count("  next  ") == len(missing)


ALL_WRONG = {
    "check": ("none.hex", "station=none.elf", "sampler=sampler.elf"),
    "show": ("none.hex", "station=none.elf"),
    "rehearse": ("none.hex", "station=none.elf"),
    "sign": ("none.hex", "station=none.elf", "--key", "key.pem", "-o", "x.hex"),
    "split": ("none.hex", "station=none.elf", "-o", "parts"),
    "compare": ("none.hex", "tide.hex", "station=none.elf"),
    "join": ("station=none.elf", "sampler=sampler.elf", "-o", "x.hex"),
    "release": ("station=none.elf", "sampler=sampler.elf", "-o", "x"),
    "where": ("station=none.elf", "0"),
}


@pytest.mark.parametrize("command", ALL_WRONG)
@pytest.mark.parametrize("fault", ["the layout", "a build's name", "a key"])
def test_a_fault_of_the_layout_hides_no_missing_file(
    device: Path, gemel: Run, command: str, fault: str
) -> None:
    """What is wrong with the layout, or with the name of a build, and which files are missing: one error each."""
    assert gemel("keys", "new", "Ed25519", "-o", "key.pem", "--no-pass-phrase").code == 0
    words = ALL_WRONG[command]
    if fault == "a key":
        if command not in ("sign", "join", "release"):
            return
        words = (*words, "--key", "tower")
    elif fault == "the layout":
        text = Path("small.toml").read_text(encoding="utf-8")
        Path("small.toml").write_text(f"formatt = 1\n{text}", encoding="utf-8")
    else:
        words = (*words, "tower=station.elf")
    done = gemel(command, "small.toml", *words)
    assert done.code == 2
    assert ("formatt" if fault == "the layout" else "tower") in done.err
    for missing in {"none.hex", "none.elf"} & {word.rpartition("=")[2] for word in words}:
        assert flat(done.err).count(missing) == 1, done.err


BOTH = ("station=station.none", "sampler=sampler.none")
ALL_MISSING = {
    "join": (*BOTH, "--key", "key.none", "--policy", "policy.none", "-o", "x.hex"),
    "check": (
        "image.none",
        *BOTH,
        "--trust",
        "key.none",
        "--policy",
        "policy.none",
        "--previous",
        "old.none",
        "--joined-with",
        "other.none",
    ),
    "show": ("image.none", *BOTH),
    "rehearse": ("image.none", *BOTH),
    "sign": ("image.none", *BOTH, "--key", "key.none", "--trust", "trust.none", "-o", "x.hex"),
    "split": ("image.none", *BOTH, "-o", "parts"),
    "compare": ("image.none", "old.none", *BOTH, "old:station=older.none", "--old-layout", "other.none"),
    "release": (*BOTH, "--key", "key.none", "--previous", "old.none", "--vex", "vex.none", "-o", "x"),
    "where": ("--image", "image.none", *BOTH, "0"),
    "audit": ("--trust", "key.none", "--policy", "policy.none"),
    "export suit": ("image.none", "--key", "key.none", "-o", "x.suit"),
    "draft": (*BOTH, "image.none", "--map", "station=map.none", "--svd", "svd.none"),
}


@pytest.mark.parametrize("command", ALL_MISSING)
def test_every_file_that_is_missing_is_reported_at_once(device: Path, gemel: Run, command: str) -> None:
    """The layout, the image, builds, keys, policies and all else that the line names, once each."""
    words = [*command.split(), *([] if command == "draft" else ["none.toml"]), *ALL_MISSING[command]]
    done = gemel(*words)
    assert done.code == 2
    missing = {word.rpartition("=")[2] for word in words if ".none" in word or word == "none.toml"}
    where = [line for line in done.err.splitlines() if line.startswith("  where")]
    assert {name for name in missing if any(name in line for line in where)} == missing
    assert len(where) == len(missing)


def test_a_report_of_problems_names_every_missing_file(device: Path, gemel: Run) -> None:
    """What stderr says is in the report and in the form on stdout too."""
    words = ("none.toml", "none.hex", "--trust", "none.pem", "--report", "out.json", "--format", "json")
    done = gemel("check", *words)
    for text in (done.out, Path("out.json").read_text(encoding="utf-8")):
        assert [each["where"] for each in json.loads(text)["problems"]] == [
            "none.toml",
            "none.hex",
            "none.pem",
        ]


def test_the_image_that_is_written_is_the_one_that_is_named(device: Path, gemel: Run) -> None:
    """join states the size and SHA-256 of the file that it writes; where none is written, of none."""
    words = (*JOIN, "-o", "first.hex", "-o", "first.bin", "--report", "join.json")
    said = gemel(*words).out
    data = Path("first.hex").read_bytes()
    assert said.startswith("first.hex: ")
    assert f"  SHA-256   {hashlib.sha256(data).hexdigest()}\n" in said
    assert f"  size      {len(data):,} bytes\n" in said
    assert "\nwrote     first.hex\n" in said
    assert hashlib.sha256(Path("first.bin").read_bytes()).hexdigest() in said
    image = json.loads(Path("join.json").read_text(encoding="utf-8"))["identity"]["image"]
    assert (image["name"], image["size"]) == ("first.hex", len(data))
    assert image["sha256"] == hashlib.sha256(data).hexdigest()
    assert gemel(*JOIN, "-o", "-", "--as", "hex").err.startswith("standard output: ")
    assert gemel(*JOIN, "-o", "tide.hex", "--dry-run").out.startswith("image: ")


@pytest.mark.parametrize(
    "what", ["linker", "c-header", "rust", "cmake", "make", "debugger", "schema", "c-reader"]
)
def test_an_export_is_the_same_on_stdout_and_in_a_file(device: Path, gemel: Run, what: str) -> None:
    """Byte for byte: a tab is what begins a recipe of make."""
    layout = () if what in ("schema", "c-reader") else ("small.toml",)
    assert gemel("export", what, *layout, "-o", "exported").code == 0
    assert gemel("export", what, *layout).out.encode() == Path("exported").read_bytes()


def test_missing_words_are_named_together(gemel: Run) -> None:
    """An argument and an option that are both missing."""
    assert "missing argument ALGORITHM and option --output" in gemel("keys", "new").err


@pytest.mark.parametrize("form", ["text", "json", "sarif", "junit", "html"])
def test_a_layouts_check_has_every_form(device: Path, gemel: Run, form: str) -> None:
    """``check LAYOUT`` in each form names the layout's digest and passes; a fault is said in that form."""
    suffix = {"text": "txt", "junit": "xml"}.get(form, form)
    done = gemel("check", "small.toml", "--format", form, "--report", f"r.{suffix}", "--quiet")
    assert (done.code, done.out, done.err) == (0, "", "")
    done = gemel("check", "small.toml", "--format", form, "--report", f"r.{suffix}")
    assert (done.code, done.out) == (0, Path(f"r.{suffix}").read_text(encoding="utf-8"))
    assert_is(form, done.out)
    assert hashlib.sha256(Path("small.toml").read_bytes()).hexdigest() in done.out
    Path("small.toml").write_text("format = 2\n", encoding="utf-8")
    done = gemel("check", "small.toml", "--format", form, "--report", f"r.{suffix}")
    assert done.code == 2
    for text in (done.out, Path(f"r.{suffix}").read_text(encoding="utf-8")):
        if text or form != "text":
            assert_is(form, text)
            assert "small.toml" in text


def assert_is(form: str, text: str) -> None:
    """The text is of this form: it parses, and keeps to its schema where there is one here."""
    if form == "json":
        schema = exported_schema("layout-check-schema" if "passes" in json.loads(text) else "problem-schema")
        jsonschema.validate(json.loads(text), schema)
    elif form == "sarif":
        schema_file = Path(__file__).parents[1] / "check" / "schemas" / "sarif-schema-2.1.0.json"
        jsonschema.validate(json.loads(text), json.loads(schema_file.read_text(encoding="utf-8")))
    elif form in ("junit", "html"):
        root = ElementTree.fromstring(text.removeprefix("<!DOCTYPE html>"))
        assert root.tag == {"junit": "testsuites", "html": "html"}[form]


def test_a_layout_alone_is_checked(device: Path, gemel: Run) -> None:
    """``check LAYOUT``: in order or not; with anything that is about an image, the image is missing."""
    done = gemel("check", "small.toml")
    assert done.code == 0
    assert done.out.splitlines()[-1] == "PASS: the layout is in order; no image was checked."
    assert json.loads(gemel("check", "small.toml", "--format", "json").out)["passes"] is True
    for more in (
        ("--trust", "key.pem"),
        ("--rehearse",),
        BUILDS,
        ("--rollback", "0"),
        ("--from-device",),
    ):
        missed = gemel("check", "small.toml", *more)
        assert (missed.code, "missing argument IMAGE" in missed.err) == (2, True), more
    Path("small.toml").write_text("format = 2\n", encoding="utf-8")
    assert gemel("check", "small.toml").code == 2


@pytest.mark.parametrize("form", ["hex", "srec", "bin"])
def test_stdin_and_stdout(device: Path, form: str) -> None:
    """An image passes through pipes in every format, its bytes alone on stdout; what is said goes to stderr."""
    gemel = [sys.executable, "-m", "gemel"]
    run = {"cwd": device, "env": environment(), "capture_output": True, "check": False}
    made = subprocess.run([*gemel, *JOIN, "-o", "-", "--as", form], **run)  # type: ignore[call-overload]
    assert made.returncode == 0, made.stderr
    assert b"PASS: " in made.stderr
    Path(f"piped.{form}").write_bytes(made.stdout)
    words = ["check", "small.toml", "-", "--as", form, "--format", "json"]
    checked = subprocess.run([*gemel, *words], input=made.stdout, **run)  # type: ignore[call-overload]
    image = json.loads(checked.stdout)["identity"]["image"]
    assert (image["name"], image["sha256"]) == ("standard input", hashlib.sha256(made.stdout).hexdigest())


def test_unknown_suffixes_are_named_by_as(device: Path, gemel: Run) -> None:
    """``--as`` says what a file is whose suffix does not; without it that is asked for."""
    Path("tide.img").write_bytes(Path("tide.bin").read_bytes())
    asked = gemel("check", "small.toml", "tide.img")
    assert (asked.code, "--as bin" in asked.err) == (2, True)
    assert gemel("check", "small.toml", "tide.img", "--as", "bin").code == 0
    assert gemel(*JOIN, "-o", "out.img", "--as", "bin").code == 0
    assert Path("out.img").read_bytes() == Path("tide.bin").read_bytes()
    for words in (
        ("compare", "small.toml", "tide.img", "out.img"),
        ("where", "small.toml", "0x1000_0000", "--image", "tide.img"),
    ):
        assert gemel(*words).code == 2
        assert gemel(*words, "--as", "bin").code == 0
    stdin = gemel("check", "small.toml", "-")
    assert (stdin.code, "--as" in stdin.err) == (2, True)


def test_strict_fails_what_lacks_an_input(device: Path, gemel: Run) -> None:
    """With --strict=inputs a check without the builds fails and says why; without it, it passes."""
    assert gemel(*CHECK).code == 0
    done = gemel(*CHECK, "--strict=inputs")
    assert done.code == 1
    verdict = flat(done.out).partition("FAIL: ")[2]
    assert "; not given: sampler=FILE, station=FILE" in verdict
    assert verdict.endswith("(--strict=inputs).")
    data = json.loads(gemel(*CHECK, "--strict=inputs", "--format", "json").out)
    jsonschema.Draft202012Validator(exported_schema("check-schema")).validate(data)
    lacking = {
        each["name"]
        for each in data["rules"]
        if any(
            need["kind"] in ("build", "key", "symbol") for gap in each["not_checked"] for need in gap["needs"]
        )
    }
    assert set(data["failing"]) == lacking != set()


def test_quiet(device: Path, gemel: Run) -> None:
    """Nothing where all holds; findings and the verdict where not."""
    done = gemel(*CHECK, "--quiet")
    assert (done.code, done.out, done.err) == (0, "", "")
    done = gemel(*CHECK, "-q", "--version", "9.9.9")
    assert done.code == 1
    assert "BROKEN version-as-asked" in done.out
    done = gemel(*JOIN, "-o", "quiet.hex", "--quiet")
    assert (done.code, done.out) == (0, "")
    assert Path("quiet.hex").exists()


def test_dry_run_writes_no_image(device: Path, gemel: Run) -> None:
    """All of a join but the image; the report is written."""
    done = gemel(*JOIN, "-o", "dry.hex", "--dry-run", "--report", "r.json")
    assert done.code == 0
    assert "no image was written" in done.err
    assert not Path("dry.hex").exists()
    assert json.loads(Path("r.json").read_text())["passes"] is True


@pytest.mark.parametrize(
    ("words", "variables", "coloured"),
    [
        ((), {}, False),
        ((), {"FORCE_COLOR": "1"}, True),
        ((), {"FORCE_COLOR": "1", "NO_COLOR": "1"}, False),
        (("--color", "always"), {"NO_COLOR": "1"}, True),
        (("--color", "never"), {"FORCE_COLOR": "1"}, False),
        (("--color=auto",), {"FORCE_COLOR": "1"}, True),
    ],
)
def test_colour(
    device: Path,
    gemel: Run,
    monkeypatch: pytest.MonkeyPatch,
    words: tuple[str, ...],
    variables: dict[str, str],
    coloured: bool,
) -> None:
    """--color before NO_COLOR before FORCE_COLOR before the terminal."""
    for name in ("NO_COLOR", "FORCE_COLOR"):
        monkeypatch.delenv(name, raising=False)
    for name, value in variables.items():
        monkeypatch.setenv(name, value)
    for line in (CHECK, ("show", *CHECK[1:])):
        assert ("\x1b[" in gemel(*line, *words).out) == coloured


@pytest.mark.parametrize(
    "words",
    [
        ("check", "small.toml", "none.hex"),
        ("check", "none.toml", "tide.hex"),
        ("check", "small.toml", "tide.hex", "--bogus"),
        ("show", "none.hex"),
        ("rehearse", "small.toml", "none.hex"),
        ("explain", "no-such-rule-at-all"),
        ("join", "small.toml", "station=none.elf", "-o", "x.hex"),
    ],
)
def test_problems_are_json_where_json_was_asked_for(device: Path, gemel: Run, words: tuple[str, ...]) -> None:
    """On exit code 2 stdout has the problems by their schema, and stderr has the words."""
    done = gemel(*words, "--format", "json")
    assert done.code == 2
    data = json.loads(done.out)
    jsonschema.Draft202012Validator(exported_schema("problem-schema")).validate(data)
    assert data["exit_code"] == 2
    assert all(problem["what"] in flat(done.err) for problem in data["problems"])


def test_report_files_say_that_there_is_no_result(device: Path, gemel: Run) -> None:
    """A report of an earlier run does not stay where this one came to none: each form says why."""
    for name in ("r.json", "r.txt", "r.sarif", "r.xml"):
        Path(name).write_text("PASS from yesterday")
    reports = [word for name in ("r.json", "r.txt", "r.sarif", "r.xml") for word in ("--report", name)]
    assert gemel("check", "small.toml", "none.hex", *reports).code == 2
    assert "none.hex" in json.loads(Path("r.json").read_text())["problems"][0]["where"]
    assert Path("r.txt").read_text().splitlines()[-1] == "NO RESULT: the work could not be done."
    (run,) = json.loads(Path("r.sarif").read_text())["runs"]
    assert run["invocations"][0]["executionSuccessful"] is False
    assert dict(ElementTree.parse("r.xml").getroot().attrib) == {
        "name": "gemel check",
        "tests": "1",
        "failures": "0",
        "errors": "1",
    }


def test_builds_that_do_not_join_fail_in_every_form(device: Path, gemel: Run) -> None:
    """What ends with 1 before there is an image is a verdict on the builds, not work that could not be done."""
    reports = [word for name in ("r.json", "r.txt", "r.xml", "r.html") for word in ("--report", name)]
    words = ("join", "small.toml", "station=sampler.elf", "sampler=station.elf", "-o", "out.hex")
    done = gemel(*words, *reports, "--format", "junit")
    assert done.code == json.loads(Path("r.json").read_text())["exit_code"] == 1
    assert Path("r.txt").read_text().splitlines()[-1] == done.err.splitlines()[-1] == REFUSED
    assert "<h1>Fail: the builds do not join</h1>" in Path("r.html").read_text()
    for text in (done.out, Path("r.xml").read_text()):
        root = ElementTree.fromstring(text)
        assert (root.get("name"), root.get("failures"), root.get("errors")) == ("gemel join", "1", "0")


@pytest.mark.parametrize("before", [(), ("-v",)])
def test_problems_are_those_of_their_command(device: Path, gemel: Run, before: tuple[str, ...]) -> None:
    """JUnit of problems names the command that was to do the work."""
    root = ElementTree.fromstring(gemel(*before, "rehearse", "small.toml", "none.hex", "--format=junit").out)
    assert root.get("name") == "gemel rehearse"


def test_a_report_is_never_written_over_an_input(device: Path, gemel: Run) -> None:
    """A slip in a report's name costs no input, whatever else is wrong with the line."""
    Path("tide.json").write_bytes(Path("small.toml").read_bytes())
    before = Path("tide.json").read_bytes()
    done = gemel("check", "tide.json", "none.hex", "--report", "tide.json")
    assert (done.code, Path("tide.json").read_bytes()) == (2, before)


def test_results_into_files(device: Path, gemel: Run) -> None:
    """-o of show and explain writes whole files, and never over an input."""
    assert gemel("show", *CHECK[1:], "-o", "shown.txt").out == ""
    assert "small-device 1.2.3" in Path("shown.txt").read_text(encoding="utf-8")
    assert gemel("explain", "seal", "-o", "seal.txt").code == 0
    assert gemel("show", *CHECK[1:], "-o", "tide.hex").code == 2
    assert Path("tide.hex").read_bytes().startswith(b":")


def test_the_suffix_of_a_result_is_its_form(device: Path, gemel: Run) -> None:
    """-o of show, compare, rehearse and explain: .json is JSON, .html a page, .svg a picture; --format counts first."""
    both = ("small.toml", "tide.hex", "tide.bin")
    for words, suffixes in (
        (("show", *CHECK[1:]), ("json", "html")),
        (("compare", *both), ("json", "html")),
        (("rehearse", *CHECK[1:], *BUILDS, "--budget", "10"), ("json", "svg", "html")),
        (("explain", "seal"), ("json",)),
    ):
        for suffix in suffixes:
            gemel(*words, "-o", f"r.{suffix}")
            text = Path(f"r.{suffix}").read_text(encoding="utf-8")
            if suffix == "json":
                json.loads(text)
            else:
                assert f"<{suffix}" in text
        gemel(*words, "--format", "json", "-o", "r.txt")
        json.loads(Path("r.txt").read_text(encoding="utf-8"))


def test_verbose_counts_anywhere(device: Path, gemel: Run) -> None:
    """-v before or after the command shows the cause of an error."""
    Path("small.toml").write_bytes(b"[[")
    words = ("check", "small.toml")
    for line in (("-v", *words), (*words, "-v"), (*words, "--verbose")):
        assert "because   " in gemel(*line).err
    assert "because" not in gemel(*words).err


def test_explain_finds_by_a_word(monkeypatch: pytest.MonkeyPatch, gemel: Run) -> None:
    """A word lists the rules that use it, by subject, whole at any width; JSON has all of each."""
    done = gemel("explain", "stack")
    assert done.code == 0
    assert "stack-has-room" in done.out
    monkeypatch.setenv("COLUMNS", "60")
    narrow = gemel("explain", "stack").out
    assert max(map(len, narrow.splitlines())) <= 60
    assert flat(rule_named("stack-has-room").checks) in flat(narrow)
    assert "checksums-match" not in done.out
    data = json.loads(gemel("explain", "stack", "--format", "json").out)
    jsonschema.Draft202012Validator(exported_schema("explain-schema")).validate(data)
    assert [each["name"] for each in data["rules"]] == sorted(each["name"] for each in data["rules"])
    assert all("stack" in f"{each['name']} {each['checks']}".lower() for each in data["rules"])


def test_the_layout_that_it_was_joined_with(device: Path, gemel: Run) -> None:
    """Another layout is told with the tables that differ, where the one of the join is given too."""
    text = Path("small.toml").read_text(encoding="utf-8")
    Path("other.toml").write_text(
        re.sub(r"interrupts = \d+", "interrupts = 99", text, count=1), encoding="utf-8"
    )
    assert text != Path("other.toml").read_text(encoding="utf-8")
    done = gemel("check", "other.toml", "tide.hex")
    assert "--joined-with LAYOUT lists the tables that differ" in flat(done.out)
    done = gemel("check", "other.toml", "tide.hex", "--joined-with", "small.toml")
    assert "differs in [core." in done.out
    assert "interrupts" in done.out
    wrong = gemel("check", "other.toml", "tide.hex", "--joined-with", "other.toml")
    assert "is not that layout either" in flat(wrong.out)


def elf_of(offset: int, value: bytes) -> bytes:
    """A build with other bytes in its ELF header (gABI: e_type at 16, e_machine at 18)."""
    data = Path("station.elf").read_bytes()
    return data[:offset] + value + data[offset + len(value) :]


WRONG = {
    "HEX text named .bin": ("wrong.bin", lambda: Path("tide.hex").read_bytes(), ("Intel HEX", "--as hex")),
    "a binary named .hex": ("wrong.hex", lambda: Path("tide.bin").read_bytes(), ("raw binary", "--as bin")),
    "compressed": ("wrong.bin", lambda: gzip.compress(Path("tide.bin").read_bytes()), ("gzip", "unpack")),
    "compressed by bzip2": (
        "wrong.bin",
        lambda: bz2.compress(Path("tide.bin").read_bytes()),
        ("bzip2", "unpack"),
    ),
    "UTF-16": ("wrong.hex", lambda: Path("tide.hex").read_text().encode("utf-16"), ("UTF-16",)),
    "UTF-16 without a mark": (
        "wrong.hex",
        lambda: Path("tide.hex").read_text().encode("utf-16-le"),
        ("UTF-16",),
    ),
    "an archive": ("wrong.bin", lambda: b"!<arch>\n" + bytes(60), ("archive", "link it first")),
    "a tar archive": (
        "wrong.hex",
        lambda: bytes(257) + b"ustar\x0000" + bytes(999),
        ("tar archive", "unpack"),
    ),
    "nothing": ("wrong.hex", lambda: b"", ("the file is empty", "sent again")),
    "a layout": ("wrong.toml", lambda: Path("small.toml").read_bytes(), ("a layout, not an image",)),
    "an object file": ("wrong.hex", lambda: elf_of(16, b"\1\0"), ("an ELF object file that is not linked",)),
    "an object file by its name": (
        "wrong.o",
        lambda: elf_of(16, b"\1\0"),
        ("an ELF object file that is not linked",),
    ),
    "an ELF file of a PC": ("wrong.elf", lambda: elf_of(18, b"\x3e\0"), ("an ELF file for 64-bit x86",)),
    "a web page": ("wrong.hex", lambda: b"\n<!DOCTYPE html><html>log in</html>", ("a web page", "download")),
    "an ELF file named .bin": (
        "wrong.bin",
        lambda: Path("station.elf").read_bytes(),
        ("an ELF file", "gemel join"),
    ),
}


@pytest.mark.parametrize("name", WRONG)
def test_wrong_images_are_told_by_their_content(device: Path, gemel: Run, name: str) -> None:
    """One problem, with what the file is and what to do."""
    file, content, due = WRONG[name]
    assert gemel("keys", "new", "Ed25519", "-o", "key.pem", "--no-pass-phrase").code == 0
    Path(file).write_bytes(content())
    for command in ("check", "show", "split", "rehearse", "sign", "compare", "where", "audit"):
        more = {
            "split": ("-o", "parts"),
            "sign": ("--key", "key.pem", "-o", "x.hex"),
            "compare": ("tide.hex",),
        }
        words = ("0", "--image", file) if command == "where" else (file, *more.get(command, ()))
        if file.endswith(".toml") and command in ("audit", "compare", "where"):
            continue  # these take it for a second layout
        if command == "audit" and "object" not in name:
            continue  # it starts processes; what they say comes from the same place
        done = gemel(command, "small.toml", *words)
        assert done.code == 2
        if command == "audit":
            assert f"---- {file}: not judged: " in done.out
            assert due[0] in flat(done.out)
            continue
        assert done.err.count("error: ") == 1, (command, done.err)
        assert all(words in flat(done.err) for words in due)


@pytest.mark.parametrize(
    ("content", "due"),
    [
        (lambda: gzip.compress(Path("small.toml").read_bytes()), ("a file compressed by gzip", "unpack it")),
        (lambda: Path("small.toml").read_text().encode("utf-16"), ("text in UTF-16", "save it as")),
        (lambda: Path("small.toml").read_bytes() + b"# Gr\xf6\xdfe\n", ("byte 0xF6", "save it as UTF-8")),
    ],
)
def test_wrong_layouts_are_told_by_their_content(
    device: Path, gemel: Run, content: Callable[[], bytes], due: tuple[str, ...]
) -> None:
    """A layout that is no UTF-8 text: what it is, and what to do."""
    Path("wrong.toml").write_bytes(content())
    done = gemel("check", "wrong.toml", "tide.hex")
    assert done.code == 2
    assert all(words in flat(done.err) for words in due)


def test_odd_images_are_taken(device: Path, gemel: Run) -> None:
    """A raw binary that begins like something else is one where --as says so; text with a blank first line is HEX."""
    Path("blank.hex").write_bytes(b"\r\n" + Path("tide.hex").read_bytes())
    assert gemel("check", "small.toml", "blank.hex").code == 0
    Path("odd.bin").write_bytes(b"\xff\xfe" + Path("tide.bin").read_bytes()[2:])
    assert "UTF-16" not in gemel("check", "small.toml", "odd.bin").err
    Path("zip.bin").write_bytes(b"PK\x03\x04" + Path("tide.bin").read_bytes()[4:])
    assert gemel("check", "small.toml", "zip.bin").code == 2
    assert (
        gemel("check", "small.toml", "zip.bin", "--as", "bin").code == 1
    )  # an image, with a wrong stack pointer


def test_help_shows_what_is_required(gemel: Run) -> None:
    """Usage names required options; options stand in groups."""
    text = gemel("join", "--help").out
    assert text.splitlines()[0] == "Usage: gemel join [LAYOUT] [NAME=BUILD]... -o IMAGE [OPTIONS]"
    assert "\nResult:\n" in text
    assert "\nRequired of the image:\n" in gemel("check", "--help").out


def test_stdin_that_is_none(device: Path, monkeypatch: pytest.MonkeyPatch, gemel: Run) -> None:
    """A process without a standard input says so."""
    monkeypatch.setattr(sys, "stdin", None)
    done = gemel("check", "small.toml", "-", "--as", "bin")
    assert (done.code, "no standard input" in done.err) == (2, True)


@pytest.mark.parametrize(
    ("words", "known"),
    [
        (("show", "small.toml", "tide.hex", "-o", "x.sarif"), ".txt, .json, .html"),
        (("compare", "small.toml", "tide.hex", "tide.hex", "-o", "x.svg"), ".txt, .json, .html"),
        (("rehearse", "small.toml", "tide.hex", "-o", "x.csv"), ".txt, .json, .svg, .sarif, .xml, .html"),
        (("explain", "-o", "x.html"), ".txt, .json"),
    ],
)
def test_no_text_goes_into_a_file_of_another_form(words: tuple[str, ...], known: str, tmp_path: Path) -> None:
    """A suffix of a form that the result does not have is refused; any other takes text."""
    write_device(tmp_path)
    assert run_in(*JOIN, "-o", "tide.hex", cwd=tmp_path).returncode == 0
    done = run_in(*words, cwd=tmp_path)
    assert (done.returncode, list(tmp_path.glob("x.*"))) == (2, [])
    assert known in done.stderr
    assert run_in("show", "small.toml", "tide.hex", "-o", "x.log", cwd=tmp_path).returncode == 0
    assert (tmp_path / "x.log").read_text(encoding="utf-8").startswith("tide.hex: ")

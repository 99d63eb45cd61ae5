"""What is said of inputs: which build of two with one file name, remarks, addresses, usage."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from runs import BUILDS, JOIN, write_device
from sealed_device import Run, run_here

from gemel.errors import Problem, UsageProblem
from gemel.files.paths import FilePath
from gemel.workflows.inputs.builds import of_build
from gemel.workflows.inputs.unreadable import added_to


@pytest.fixture
def gemel(capfd: pytest.CaptureFixture[str]) -> Run:
    """Runs one command line in this process."""
    return run_here(capfd)


@pytest.fixture
def device(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The small device as files, without a seal; commands run there."""
    write_device(tmp_path)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def told(text: str) -> str:
    """The text with its line breaks taken out."""
    return " ".join(text.split())


def test_two_builds_of_one_file_name(device: Path, gemel: Run) -> None:
    """Each error names the build and the path as given, so that one knows which fw.elf it is."""
    for folder, data in (("o1", b""), ("o2", b"\x7fELF")):
        (device / folder).mkdir()
        (device / folder / "fw.elf").write_bytes(data)
    done = gemel("join", "small.toml", "station=o1/fw.elf", "sampler=o2/fw.elf", "-o", "out.hex")
    assert done.code == 2
    assert f"build station ({Path('o1/fw.elf')})" in done.err
    assert f"build sampler ({Path('o2/fw.elf')})" in done.err


@pytest.mark.parametrize(
    ("where", "due"),
    [
        ("", "build lamp (o1/fw.hex)"),
        ("fw.hex", "build lamp (o1/fw.hex)"),
        ("o1/fw.hex", "build lamp (o1/fw.hex)"),
        ("fw.hex:12", "build lamp (o1/fw.hex:12)"),
        ("fw.hex, segment 3", "build lamp (o1/fw.hex), segment 3"),
        ("fw.hexagon", "build lamp (o1/fw.hex), fw.hexagon"),
        ("segment 3", "build lamp (o1/fw.hex), segment 3"),
    ],
)
def test_a_builds_problem_names_it_once(where: str, due: str) -> None:
    """Name and path are put in front; what the problem says itself of the file is not doubled."""
    assert of_build(Problem("what", where=where), "lamp", Path("o1/fw.hex")).where.replace(os.sep, "/") == due


def test_reports_hold_no_path(device: Path, gemel: Run) -> None:
    """A finding about a build from another folder names the file without the folder."""
    assert gemel(*JOIN, "-o", "tide.hex").code == 0
    (device / "elsewhere").mkdir()
    for name in ("station.elf", "sampler.elf"):
        (device / name).rename(device / "elsewhere" / name)
    words = ("station=elsewhere/sampler.elf", "sampler=elsewhere/station.elf")
    done = gemel("check", "small.toml", "tide.hex", *words)
    assert done.code == 1
    assert "elsewhere" not in done.everything


def flat(device: Path, gemel: Run, suffix: str) -> tuple[str, ...]:
    """The station's build as a file of that suffix, and the words that join with it."""
    from gemel.builds.reader import read_build
    from gemel.builds.source import BytesSource
    from gemel.image.formats import FileContents, format_of
    from gemel.image.sparse import SparseBytes

    source = BytesSource((device / "station.elf").read_bytes())
    build = read_build(source, name="station", file="station.elf")
    image = SparseBytes()
    for segment in build.segments:
        image.write(segment.load_address, bytes(segment.data))
    blocks = format_of(f"flat{suffix}").encode(FileContents(image, fill=0xFF))
    (device / f"flat{suffix}").write_bytes(b"".join(blocks))
    return ("join", "small.toml", f"station=flat{suffix}", BUILDS[1], "-o", "out.hex")


def test_a_raw_build_is_told_where_it_was_put(device: Path, gemel: Run) -> None:
    """A raw binary's place is an assumption; join says which, and that fewer rules can be checked."""
    done = gemel(*flat(device, gemel, ".bin"))
    assert "remark: a raw binary does not say where it goes" in done.err
    assert "put at 0x1000_0000, area station-code" in told(done.err)
    assert "rules that need them are not checked" in told(done.err)


def test_a_hex_build_is_told_to_tell_less(device: Path, gemel: Run) -> None:
    """An Intel HEX build has its addresses; that fewer rules can be checked of it is said."""
    done = gemel(*flat(device, gemel, ".hex"))
    assert "remark: fewer rules can be checked of this build" in done.err
    assert "put at" not in done.err


def test_elf_builds_get_no_such_remark(device: Path, gemel: Run) -> None:
    """With ELF files a join says on stderr nothing at all, and on stdout what was not checked."""
    done = gemel(*JOIN, "-o", "tide.hex")
    assert (done.code, done.err) == (0, "")
    assert "\nnot checked: " in done.out


def test_a_decimal_address_that_looks_hexadecimal(device: Path, gemel: Run) -> None:
    """8000000 is taken as written, with a remark; 0x8000000 without."""
    assert gemel(*JOIN, "-o", "tide.bin").code == 0
    done = gemel("show", "tide.bin", "--at", "8000000")
    assert done.code == 0
    assert "taken as a decimal number" in done.err
    assert "0x007A_1200" in done.err
    assert "write 0x8000000" in told(done.err)
    assert "0x007A_1200" in done.out
    assert gemel("show", "tide.bin", "--at", "0x8000000").err == ""
    assert gemel("show", "tide.bin", "--at", "268435456").err == ""


def test_an_address_for_the_older_image_alone(device: Path, gemel: Run) -> None:
    """``--at`` with a HEX image is refused, but not where the older image beside it is a raw binary."""
    assert gemel(*JOIN, "-o", "tide.hex", "-o", "tide.bin").code == 0
    words = ("check", "small.toml", "tide.hex", *BUILDS, "--at", "0x1000_0000")
    refused = gemel(*words)
    assert refused.code == 2
    assert "Intel HEX files have addresses of their own" in refused.err
    assert gemel(*words, "--previous", "tide.bin").code == 0


def test_two_images_of_one_version_are_told(device: Path, gemel: Run) -> None:
    """With --previous: other builds under the same version and counter; not the same image, nor a higher version."""
    from gemel import read_image
    from gemel.inspection.previous import Previous, reused_version
    from gemel.record.record import sound_records
    from gemel.structs import replace

    assert gemel(*JOIN, "-o", "one.hex").code == 0
    ((_, record),) = sound_records(read_image(device / "one.hex").data)
    changed = replace(record.builds[0], sha256=bytes(32))
    other = replace(record, builds=(changed, *record.builds[1:]))
    older = Previous("old.hex", record, b"")
    (remark,) = reused_version(older, other)
    assert str(record.version) in remark.found
    assert "--version X.Y.Z" in remark.next_step
    assert reused_version(older, record) == []
    assert reused_version(older, replace(record, layout_sha256=bytes(32))) == []
    for told_apart in ({"patch": record.patch + 1}, {"rollback": record.rollback + 1}, {"product": "other"}):
        assert reused_version(older, replace(other, **told_apart)) == []
    assert reused_version(None, other) == reused_version(older, None) == []
    (device / "two.hex").write_bytes((device / "one.hex").read_bytes())
    assert "two images" not in gemel("check", "small.toml", "two.hex", "--previous", "one.hex").err


def test_a_refused_placement_says_that_nothing_was_written(device: Path, gemel: Run) -> None:
    """A join that breaks a rule of placement ends as one that breaks any other rule does."""
    done = gemel("join", "small.toml", "station=sampler.elf", "sampler=station.elf", "-o", "out.hex")
    assert done.code == 1
    assert done.err.splitlines()[-2:] == ["nothing was written", "FAIL: the builds do not join."]


USAGE = {
    "no such option": (("join", "--outptu", "x"), "unknown option", 'did you mean "--output"?'),
    "no such command": (("joni",), "unknown command", 'did you mean "join"?'),
    "missing option": (("join", "small.toml"), "missing option --output", "gemel join --help"),
    "wrong choice": (
        ("check", "a", "b", "--format", "xml"),
        "found xml expected one of text",
        "gemel check --help",
    ),
    "wrong number": (("join", "a", "-o", "b", "--rollback", "x"), "not a number in the range", "--rollback"),
    "command of a group": (("keys", "nwe"), "nwe", "gemel keys --help"),
}


@pytest.mark.parametrize("name", USAGE)
def test_wrong_usage_reads_as_all_errors_do(device: Path, gemel: Run, name: str) -> None:
    """What is wrong with the words has the shape of every other error, and names the help."""
    words, *says = USAGE[name]
    done = gemel(*words)
    assert done.code == 2
    assert done.err.startswith("error: ")
    assert "Usage:" not in done.err
    assert "Error:" not in done.err
    assert "  where     gemel" in done.err
    for piece in says:
        assert piece in told(done.err), done.err


@pytest.mark.skipif(os.name != "posix", reason="file modes are POSIX")
def test_a_pass_phrase_file_that_others_may_read(device: Path, gemel: Run) -> None:
    """A pass phrase that everybody may read gets the remark that a key gets, without the file's name."""
    phrase = device / "word"
    phrase.write_text("phrase\n", encoding="utf-8")
    phrase.chmod(0o644)
    words = ("keys", "new", "Ed25519", "--weak-pass-phrase", "--pass-phrase-file", "word", "-o")
    done = gemel(*words, "one.pem")
    assert done.code == 0
    assert "remark: others may read or change this pass phrase or PIN" in done.err
    assert "mode 0644" in done.err
    assert "word" not in done.err
    assert "chmod 600 the file that the option names" in told(done.err)
    phrase.chmod(0o600)
    assert gemel(*words, "two.pem").err == ""


def test_a_missing_key_is_reported_once(tmp_path: Path) -> None:
    """A file whose problem names its option is not reported a second time; another one is."""
    key, image = FilePath(tmp_path / "gone.pem"), FilePath(tmp_path / "gone.hex")
    error = UsageProblem(Problem("the file cannot be read", where=f"{key} (--trust)"))
    assert [problem.where for problem in added_to(error, [key, image]).problems] == [
        f"{key} (--trust)",
        image,
    ]

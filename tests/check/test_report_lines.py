"""``--format lines``: parsed as editors do, by a pattern of their own, each line at a place that is there.

The form is that of the GNU Coding Standards, "Formatting Error Messages" (from memory); vim reads it by ``%f:%l: %m``,
others by an expression such as ``PATTERN``.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import NamedTuple

import pytest
from check.make_documents import CASES, case
from image_edits import changed
from small_device import STATION, joined, layout_text, sampler_elf, station_elf
from tide_gauge import BUILT, layout_file

from gemel.checking.reports.as_lines import report
from gemel.cli.main import exit_code
from gemel.image.intel_hex import encode

PATTERN = re.compile(
    r"(?P<file>[^:\n]+):(?P<line>\d+): (?P<word>error|warning|note): (?P<what>.+) \[(?P<name>[\w-]+)\]"
)
BUILDS = ("station=station.elf", "sampler=sampler.elf")


class Parsed(NamedTuple):
    """One line of a problem list."""

    file: str
    line: int
    word: str
    what: str
    name: str


def parsed(text: str) -> list[Parsed]:
    """What an editor makes of ``text``; every other line is of the program itself."""
    problems = []
    for line in text.splitlines():
        match = PATTERN.fullmatch(line)
        if match:
            file, number, *rest = match.groups()
            problems.append(Parsed(file, int(number), *rest))
        else:
            assert line.startswith("gemel: "), line
    return problems


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The small device's files in a folder ``device``, its image changed in one byte, seen from above."""
    monkeypatch.chdir(tmp_path)
    device = tmp_path / "device"
    device.mkdir()
    (device / "small.toml").write_text(layout_text(), encoding="utf-8")
    Path("station.elf").write_bytes(station_elf())
    Path("sampler.elf").write_bytes(sampler_elf())
    Path("image.hex").write_bytes(b"".join(encode(changed(joined().image, {STATION + 0x90: b"\0"}))))
    return device


def said(*words: str, code: int, capsys: pytest.CaptureFixture[str]) -> list[Parsed]:
    """What ``gemel ... --format lines`` prints, parsed."""
    assert exit_code([*words, "--format", "lines"]) == code
    return parsed(capsys.readouterr().out)


@pytest.mark.parametrize("name", CASES)
def test_every_open_finding_is_one_line(name: str) -> None:
    """Strange names and markup included: as many lines as open findings, by rule and severity."""
    made = case(name)
    text = report(made.result, made.subject, "any.hex")
    found = [(each.name, each.word) for each in parsed(text) if "waiver without a finding" not in each.what]
    wanted = [(each.rule.name, each.severity) for each in made.result.findings if each.waiver is None]
    assert found == wanted
    assert text.splitlines()[-1].startswith(("gemel: PASS: ", "gemel: FAIL: "))
    number = made.subject.read.text.count("\n") + 1
    assert all(each.file == made.subject.read.file and 1 <= each.line <= number for each in parsed(text))


def test_a_finding_is_at_what_the_layout_declares(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The file is named as it was given, and its line declares a party of the finding."""
    problems = said("check", "device/small.toml", "image.hex", *BUILDS, code=1, capsys=capsys)
    assert {each.file for each in problems} == {"device/small.toml"}
    lines = (folder / "small.toml").read_text(encoding="utf-8").splitlines()
    (of_build,) = (each for each in problems if each.name == "image-equals-builds")
    assert "station" in lines[of_build.line - 1]


def test_a_sound_image_has_no_lines(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing for the problem list; the verdict is a line of the program."""
    Path("image.hex").write_bytes(b"".join(encode(joined().image)))
    # Made by hand, the station holds no code that lets the sampler go: a warning, with the builds alone.
    listed = said("check", "device/small.toml", "image.hex", *BUILDS, code=0, capsys=capsys)
    assert [(each.word, each.name) for each in listed] == [("warning", "release-value-agrees")]
    assert said("check", "device/small.toml", "image.hex", code=0, capsys=capsys) == []
    assert said("check", "device/small.toml", code=0, capsys=capsys) == []


def test_a_missing_build_is_at_its_declaration(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With ``--strict=inputs`` what was not checked for want of a build is an error where the layout has that build."""
    Path("image.hex").write_bytes(b"".join(encode(joined().image)))
    words = ("check", "device/small.toml", "image.hex", "--strict=inputs")
    problems = said(*words, code=1, capsys=capsys)
    lines = (folder / "small.toml").read_text(encoding="utf-8").splitlines()
    found = {
        lines[each.line - 1] for each in problems if "station=" in each.what and "sampler=" not in each.what
    }
    assert found == {"[build.station]"}


def test_faults_of_a_layout_are_lines(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Each fault is at its own line of the layout; what is in no file is of the program."""
    layout = folder / "small.toml"
    layout.write_text(
        layout_text() + '\n[area.one]\nmemory = "nowhere"\n[area.two]\nmemory = 7\n', encoding="utf-8"
    )
    assert exit_code(["check", str(layout), "--format=lines"]) == 2
    out = capsys.readouterr().out.splitlines()
    at = {int(re.match(rf"{layout}:(\d+): error: .+", line)[1]) for line in out}  # type: ignore[index]
    last = layout.read_text(encoding="utf-8").count("\n")
    assert at <= set(range(last - 3, last + 1))
    assert at
    assert exit_code(["check", "nowhere.toml", "image.hex", "--format", "lines"]) == 2
    assert capsys.readouterr().out.startswith("gemel: error: ")


def test_a_broken_rehearsal_is_at_its_source_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """``rehearse`` and ``check --rehearse`` name the source line at which a core went wrong."""
    station = BUILT / "in-place" / "station-behind-header.elf"
    builds = [f"station={station}", f"sampler={BUILT / 'in-place' / 'sampler.elf'}"]
    layout, image = str(tmp_path / "tide.toml"), str(tmp_path / "image.hex")
    text = layout_file("in-place").read_text(encoding="utf-8")
    # The release at the wrong address comes after 0.8 million instructions; the rest would be spent on waiting.
    Path(layout).write_text(
        text.replace("[rehearsal]\n", "[rehearsal]\nbudget = 1_000_000\n"), encoding="utf-8"
    )
    assert exit_code(["join", layout, *builds, "-o", image]) == 0
    capsys.readouterr()
    rehearsed = said("rehearse", layout, image, *builds, code=1, capsys=capsys)
    checked = said("check", layout, image, *builds, "--rehearse", code=1, capsys=capsys)
    places = {(each.file, each.line) for each in rehearsed if each.word == "error"}
    assert {(each.file, each.line) for each in checked if each.name == "rehearsal-passes"} == places
    assert all(file.endswith(".c") for file, _ in places)
    assert places


def test_join_prints_lines_and_writes_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A join whose image breaks a rule gives a line for each finding, as a check does."""
    station = f"station={BUILT / 'in-place' / 'station.elf'}"
    sampler, image = f"sampler={BUILT / 'in-place' / 'sampler-wide-enums.elf'}", tmp_path / "tide.hex"
    problems = said(
        "join", str(layout_file("in-place")), station, sampler, "-o", str(image), code=1, capsys=capsys
    )
    assert [each.word for each in problems].count("error") >= 1
    assert not image.exists()

"""The registry of report forms, and reports in files: by suffix, together or none, broken rules or not."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from check.make_documents import case
from hypothesis import given
from hypothesis import strategies as st
from image_edits import changed
from small_device import STATION, TODAY, joined, layout_text, sampler_elf, station_elf

from gemel.cli.main import exit_code
from gemel.errors import UsageProblem
from gemel.image.intel_hex import encode
from gemel.workflows.report_forms import FORMATS, format_named, format_of_file

BUILDS = ("station=station.elf", "sampler=sampler.elf")
SUFFIXES = (".txt", ".json", ".sarif", ".xml")
FILES = ("check.txt", "check.json", "check.sarif", "check.xml", "CHECK.SARIF.JSON.sarif.json")


def test_the_registry_is_consistent() -> None:
    """Names and suffixes are unique, and every form makes a report whose last line is ended once."""
    names = [each.name for each in FORMATS]
    suffixes = [suffix for each in FORMATS for suffix in each.suffixes]
    assert len(set(names)) == len(names)
    assert len(set(suffixes)) == len(suffixes)
    made = case("changed byte")
    for each in FORMATS:
        text = each.render(made.result, made.subject, "tide.hex")
        assert text.endswith("\n")
        assert not text.endswith("\n\n")
        assert format_named(each.name).suffixes == each.suffixes


@pytest.mark.parametrize(
    ("name", "form"),
    [
        ("a.txt", "text"),
        ("a.json", "json"),
        ("a.sarif", "sarif"),
        ("a.sarif.json", "sarif"),
        ("A.SARIF.JSON", "sarif"),
        ("a.xml", "junit"),
    ],
)
def test_a_suffix_chooses_the_form(name: str, form: str) -> None:
    """The longest suffix that fits counts, in any case."""
    assert format_of_file(name).name == form


@given(st.text(max_size=12).filter(lambda name: not name.lower().endswith(SUFFIXES)))
def test_any_other_suffix_is_refused(name: str) -> None:
    """A name that promises no form is refused with those that do."""
    with pytest.raises(UsageProblem) as caught:
        format_of_file(name)
    assert ".sarif.json (sarif)" in caught.value.problems[0].expected


@pytest.fixture
def checked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., int]:
    """The small device's files in an empty folder, its image sound or changed, and ``gemel check`` there."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("gemel.workflows.checking.date_of_today", lambda: TODAY)
    Path("small.toml").write_text(layout_text(), encoding="utf-8")
    Path("station.elf").write_bytes(station_elf())
    Path("sampler.elf").write_bytes(sampler_elf())

    def run(*words: str, broken: bool = False) -> int:
        image = changed(joined().image, {STATION + 0x90: b"\0"}) if broken else joined().image
        Path("image.hex").write_bytes(b"".join(encode(image)))
        return exit_code(["check", "small.toml", "image.hex", *BUILDS, *words])

    return run


def _reports(*files: str) -> list[str]:
    return [word for file in files for word in ("--report", file)]


@pytest.mark.parametrize("broken", [False, True])
def test_all_reports_of_one_run(checked: Callable[..., int], broken: bool, capsys) -> None:
    """Every file is written in its form, whether rules are broken or not, and holds what stdout would."""
    assert checked(*_reports(*FILES), broken=broken) == int(broken)
    ended = capsys.readouterr()
    assert ended.err.startswith("wrote check.txt, check.json, ")
    for name, form in zip(FILES, ("text", "json", "sarif", "junit", "sarif"), strict=True):
        checked("--format", form, broken=broken)
        assert Path(name).read_text(encoding="utf-8") == capsys.readouterr().out
    assert json.loads(Path("check.json").read_text("utf-8"))["passes"] is not broken


def test_a_full_text_in_a_file(checked: Callable[..., int]) -> None:
    """``--all`` holds for texts in files as it does on stdout."""
    checked("--all", *_reports("all.txt"))
    checked(*_reports("short.txt"))
    assert "\nholds\n" in Path("all.txt").read_text("utf-8")
    assert "\nholds\n" not in Path("short.txt").read_text("utf-8")


@pytest.mark.parametrize(
    ("files", "words"),
    [
        (("check.sarif", "check.yaml"), "names no form"),
        (("check.sarif", "check.sarif"), "two outputs are one file"),
        (("check.sarif", "nowhere/check.xml"), "folder is not there"),
        (("check.sarif", "given.txt"), "is an input"),
    ],
)
def test_all_or_none(checked: Callable[..., int], files: tuple[str, ...], words: str, capsys) -> None:
    """One report that cannot be written means that none is, and nothing is printed as if it were a result."""
    Path("given.txt").symlink_to("station.elf")
    before = {path.name: path.read_bytes() for path in Path().iterdir()}
    assert checked(*_reports(*files), broken=True) == 2
    ended = capsys.readouterr()
    assert ended.out == ""
    assert words in ended.err
    after = {path.name: path.read_bytes() for path in Path().iterdir() if path.name != "image.hex"}
    assert after == before


def test_an_image_is_not_changed_by_a_broken_check(checked: Callable[..., int]) -> None:
    """A check writes its reports and nothing else."""
    checked(*_reports("check.xml"), broken=True)
    names = {path.name for path in Path().iterdir()}
    assert names == {"small.toml", "station.elf", "sampler.elf", "image.hex", "check.xml"}

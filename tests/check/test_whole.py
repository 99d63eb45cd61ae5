"""``gemel check`` as a whole: exit codes, both forms of the report, waivers, with and without builds."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import jsonschema
import pytest
from check.rule_fixtures import waiver
from image_edits import changed
from schemas import exported_schema
from small_device import STATION, TODAY, joined, layout_text, sampler_elf, station_elf

from gemel.checking.reports.as_text import CAUTION
from gemel.cli.main import exit_code
from gemel.image.intel_hex import encode
from gemel.image.sparse import SparseBytes

BUILDS = ("station=station.elf", "sampler=sampler.elf")


@pytest.fixture
def device(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """Lays the small device's files out in an empty folder and goes there."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("gemel.workflows.checking.date_of_today", lambda: TODAY)

    def lay_out(image: SparseBytes | None = None, text: str | None = None) -> None:
        Path("small.toml").write_text(text or layout_text(), encoding="utf-8")
        Path("station.elf").write_bytes(station_elf())
        Path("sampler.elf").write_bytes(sampler_elf())
        Path("image.hex").write_bytes(b"".join(encode(joined().image if image is None else image)))

    return lay_out


class Ended(NamedTuple):
    """How a run ended."""

    exit_code: int
    output: str
    errors: str


@pytest.fixture
def check(device: Callable[..., None], capsys: pytest.CaptureFixture[str]) -> Callable[..., Ended]:
    """Runs ``gemel check`` over the files that ``device`` laid out."""

    def run(*words: str) -> Ended:
        code = exit_code(["check", "small.toml", "image.hex", *words])
        return Ended(code, *capsys.readouterr())

    return run


def test_a_sound_image_ends_with_0(device, check) -> None:
    """A sound image passes, with the builds and without."""
    device()
    for words in (BUILDS, ()):
        result = check(*words)
        assert result.exit_code == 0, result.output
        assert re.search(r"^PASS: \d+ rules hold, 0 broken[^\n]*(\n  [^\n]*)?\n\Z", result.output, re.M)
        assert CAUTION in result.output


def test_a_changed_image_ends_with_1(device, check) -> None:
    """One changed byte is a broken rule and exit code 1, also where only the image is at hand."""
    device(changed(joined().image, {STATION + 0x90: b"\0"}))
    for words, rule in ((BUILDS, "image-equals-builds"), ((), "record-digests-match")):
        result = check(*words)
        assert result.exit_code == 1
        assert re.findall(r"^BROKEN (.*)", result.output, re.M) == [rule]
        assert re.search(r"^FAIL: ", result.output, re.M)


@pytest.mark.parametrize(
    ("break_it", "words"),
    [
        (lambda: Path("small.toml").write_text("format = 2\n"), ()),
        (lambda: Path("small.toml").unlink(), ()),
        (lambda: Path("image.hex").write_text("no hex\n"), ()),
        (lambda: Path("station.elf").write_bytes(b"\x7fELF"), BUILDS),
        (lambda: None, ("nobody=station.elf",)),
        (lambda: None, ("--version", "1.2")),
        (lambda: None, ("--format", "yaml")),
    ],
)
def test_what_cannot_be_done_ends_with_2(
    device, check, break_it: Callable[[], object], words: tuple[str, ...]
) -> None:
    """A layout, image or build that cannot be read, and wrong usage, end with 2 and nothing on stdout."""
    device()
    break_it()
    ended = check(*words)
    assert (ended.exit_code, ended.output) == (2, "")
    assert ended.errors.strip()
    assert "Traceback" not in ended.errors


def test_json(device, check) -> None:
    """The JSON on stdout is valid by the published schema and carries the verdict of the exit code."""
    device(changed(joined().image, {STATION + 0x90: b"\0"}))
    result = check(*BUILDS, "--format", "json")
    data = json.loads(result.output)
    jsonschema.Draft202012Validator(exported_schema("check-schema")).validate(data)
    assert (result.exit_code, data["passes"]) == (1, False)
    assert data["identity"]["image"]["name"] == "image.hex"


def test_waivers_end_to_end(device, check) -> None:
    """A finding that the layout waives is told with the reason; after the waiver's last day it is open."""
    broken = changed(joined().image, {0x1000_2000: b"settings"})
    waived = waiver("reserved-areas-untouched", "spare", reason="written on the line")
    text = layout_text(add=f"\n[rules]\nwaive = [{waived}]\n")
    device(broken, text)
    result = check(*BUILDS)
    assert result.exit_code == 0, result.output
    assert "waived reserved-areas-untouched" in result.output
    assert "written on the line (until 2027-06-30)" in result.output
    device(broken, text.replace("2027-06-30", "2026-11-23"))
    result = check(*BUILDS)
    assert result.exit_code == 1
    assert "waiver    ended on 2026-11-23: written on the line" in result.output


def test_an_idle_waiver_is_told(device, check) -> None:
    """A waiver of a rule that holds is to be removed, and does not fail the check."""
    device(None, layout_text(add=f"\n[rules]\nwaive = [{waiver('reserved-areas-untouched', 'spare')}]\n"))
    result = check(*BUILDS)
    assert result.exit_code == 0
    assert "waiver without a finding: reserved-areas-untouched at spare" in result.output


def test_everything_lists_what_holds(device, check) -> None:
    """``--all`` names each rule that holds, and where."""
    device()
    result = check(*BUILDS, "--all")
    assert "holds\n" in result.output
    assert "  rest-digest-matches\n      flash outside the builds\n" in result.output


def test_the_version_asked_for(device, check) -> None:
    """A version or counter on the command line is what the image must hold."""
    device()
    assert check("--version", "1.2.3", "--rollback", "7").exit_code == 0
    result = check("--version", "1.2.4", "--rollback", "8")
    assert result.exit_code == 1
    assert result.output.count("BROKEN version-as-asked") == 1

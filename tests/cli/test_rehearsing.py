"""A rehearsal on the way of check and join: by option, or where the layout requires it."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from rehearsals import DEVICE
from tide_gauge import BUILT, layout_file

from gemel.cli.main import exit_code

SOUND = [f"{name}={BUILT / 'in-place' / f'{name}.elf'}" for name in ("station", "sampler")]
BEHIND_HEADER = [f"station={BUILT / 'in-place' / 'station-behind-header.elf'}", SOUND[1]]

BUDGET = 1_000_000


def _layout(folder: Path, *, required: bool) -> str:
    """The in-place layout, which requires a rehearsal or does not; what starts reaches its goal within its budget."""
    text = layout_file("in-place").read_text(encoding="utf-8")
    text = text.replace("[rehearsal]\n", f"[rehearsal]\nbudget = {BUDGET}\n")
    assert f"budget = {BUDGET}" in text
    if required:
        text = text.replace("[rehearsal]\n", "[rehearsal]\nrequired = true\n")
        assert "required = true" in text
    path = folder / "layout.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


def _rehearsal_rule(output: str) -> dict[str, object]:
    """What a JSON report says of the rule on rehearsals."""
    rules = {rule["name"]: rule for rule in json.loads(output)["rules"]}
    return rules["rehearsal-passes"]


@pytest.mark.parametrize(("given", "code", "status"), [(SOUND, 0, "holds"), (BEHIND_HEADER, 1, "broken")])
def test_check_rehearses_when_asked(
    given: list[str], code: int, status: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """``check --rehearse`` runs both cores and judges; without the option the rule is not checked."""
    layout, image = _layout(tmp_path, required=False), str(tmp_path / "image.hex")
    assert exit_code(["join", layout, *given, "-o", image]) == 0
    capsys.readouterr()
    assert exit_code(["check", layout, image, *given, "--rehearse", "--format", "json"]) == code
    assert _rehearsal_rule(capsys.readouterr().out)["status"] == status
    assert exit_code(["check", layout, image, *given, "--format", "json"]) == 0
    assert _rehearsal_rule(capsys.readouterr().out)["status"] == "not checked"


def test_check_carries_what_a_rehearsal_warns_of(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A warning of compiled code has its function and source line in the report of ``check``; the image passes."""
    layout, image = str(DEVICE / "rehearsal.toml"), str(tmp_path / "image.hex")
    given = [f"{name}={DEVICE / 'built' / f'{name}-touches-nobodys.elf'}" for name in ("station", "sampler")]
    assert exit_code(["join", layout, *given, "--no-disassemble", "-o", image]) == 0
    capsys.readouterr()
    words = ["check", layout, image, *given, "--no-disassemble", "--rehearse", "--format", "json"]
    assert exit_code(words) == 0
    rules = {rule["name"]: rule for rule in json.loads(capsys.readouterr().out)["rules"]}
    assert rules["rehearsal-passes"]["status"] == "holds"
    assert rules["register-of-both-cores"]["status"] == "warning"
    (finding,) = rules["register-of-both-cores"]["findings"]
    assert finding["parties"] == ["sampler", "register-of-both-cores"]
    lines = (DEVICE / "core.c").read_text(encoding="utf-8").splitlines()
    number = next(at for at, line in enumerate(lines, 1) if "REGISTER(NOBODYS) = 1u;" in line)
    assert re.fullmatch(
        rf"core sampler, after [\d,]+ instructions, at fault \+ \d+ \(0x\w+\), core\.c:{number}",
        finding["where"],
    )


def test_a_layout_can_require_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With ``required = true`` check rehearses unasked, and join writes no image that does not start."""
    layout, image = _layout(tmp_path, required=True), tmp_path / "image.hex"
    assert exit_code(["join", layout, *BEHIND_HEADER, "-o", str(image)]) == 1
    said = capsys.readouterr()
    assert "BROKEN rehearsal-passes" in said.out
    assert "0x1000_8200" in said.out
    assert not image.exists()
    assert exit_code(["join", layout, *SOUND, "-o", str(image)]) == 0
    capsys.readouterr()
    assert exit_code(["check", layout, str(image), "--format", "json"]) == 0
    assert _rehearsal_rule(capsys.readouterr().out)["status"] == "holds"

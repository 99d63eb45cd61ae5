"""What other programs run of gemel: the worked example for a CI server and the hooks for pre-commit, by their lines."""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml
from tide_gauge import BUILT, ROOT, layout_file

import gemel
from gemel.cli.main import exit_code

PAGE = ROOT / "imgtool_src" / "gemel" / "ci_page.md"
HOOKS = ROOT / ".pre-commit-hooks.yaml"
CORES = ("station", "sampler")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """What the job finds: the layout, both builds, the last image, and a command ``gemel``."""
    shutil.copy(layout_file("in-place"), tmp_path / "tide-gauge.toml")
    for core in CORES:
        shutil.copy(BUILT / "in-place" / f"{core}.elf", tmp_path)
    read = gemel.load_layout(layout_file("in-place"))
    builds = gemel.load_builds(read, {core: tmp_path / f"{core}.elf" for core in CORES})
    gemel.write_images(gemel.join(read, builds, version="1.4.1").image, tmp_path / "tide.hex", layout=read)
    command = tmp_path / "bin" / "gemel"
    command.parent.mkdir()
    command.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m gemel "$@"\n', encoding="utf-8")
    command.chmod(0o755)
    return tmp_path


def job_in(folder: Path) -> tuple[int, dict[str, Any]]:
    """Run the job's script as a CI server does, each line of it after the one before ended well; exit code and job."""
    page = PAGE.read_text(encoding="utf-8")
    job: dict[str, Any] = yaml.safe_load(page.partition("```yaml\n")[2].partition("```")[0])
    environment = {
        **os.environ,
        **job["environment"],
        "PATH": f"{folder / 'bin'}:{os.environ['PATH']}",
        "PYTHONPATH": str(ROOT / "imgtool_src"),
    }
    script = "\n".join(job["commands"])
    done = subprocess.run(
        ["sh", "-e", "-c", script], cwd=folder, env=environment, capture_output=True, check=False
    )
    return done.returncode, job


def test_the_job_makes_an_image_and_its_evidence(folder: Path) -> None:
    """Every file that the job keeps is there."""
    code, job = job_in(folder)
    assert code == 0
    for pattern in (name for names in job["keep"].values() for name in names):
        assert list(folder.glob(pattern.rstrip("/"))), pattern
    assert "rollback counter" in (folder / "evidence" / "changes.html").read_text(encoding="utf-8")


def test_the_job_fails_on_a_faulty_build(folder: Path) -> None:
    """A sampler with another struct ends the job, and the evidence says why."""
    shutil.copy(BUILT / "in-place" / "sampler-wide-enums.elf", folder / "sampler.elf")
    code, _ = job_in(folder)
    assert code == 1
    assert "link_frame" in (folder / "evidence" / "join.xml").read_text(encoding="utf-8")
    assert not (folder / "image.hex").exists()


def test_the_hooks_pass_what_is_sound_and_stop_what_is_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each hook's command, in a folder with gemel.toml and builds by path; a hook's keys are those of pre-commit.

    Keys by the framework's documentation of ``.pre-commit-hooks.yaml`` (from memory).
    """
    known = {
        "id",
        "name",
        "description",
        "entry",
        "language",
        "files",
        "pass_filenames",
        "additional_dependencies",
    }
    monkeypatch.chdir(tmp_path)
    text = layout_file("in-place").read_text(encoding="utf-8")
    for core in CORES:
        shutil.copy(BUILT / "in-place" / f"{core}.elf", tmp_path)
        text = text.replace(f"[build.{core}]\n", f'[build.{core}]\npath = "{core}.elf"\n')
    hooks = yaml.safe_load(HOOKS.read_text(encoding="utf-8"))
    for hook in hooks:
        assert set(hook) <= known
        assert re.search(hook["files"], "gemel.toml")
        program, *words = shlex.split(hook["entry"])
        assert program == "gemel"
        Path("gemel.toml").write_text(text, encoding="utf-8")
        assert exit_code(words) == 0
        Path("gemel.toml").write_text(text.replace("0x1000_0000", '"flash"'), encoding="utf-8")
        assert exit_code(words) == 2
    Path("gemel.toml").write_text(text, encoding="utf-8")
    shutil.copy(BUILT / "in-place" / "sampler-wide-enums.elf", "sampler.elf")
    codes = {hook["id"]: exit_code(shlex.split(hook["entry"])[1:]) for hook in hooks}
    assert codes == {"gemel-layout": 0, "gemel-join": 1}
    assert not Path("image.hex").exists()


def test_a_draft_names_the_schema_that_export_writes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The first line of a draft names a file for editors, ``explain layout`` and the draft how to write it."""
    monkeypatch.chdir(tmp_path)
    builds = [f"{core}={BUILT / 'in-place' / f'{core}.elf'}" for core in CORES]
    assert exit_code(["draft", *builds, "-o", "gemel.toml"]) == 0
    text = Path("gemel.toml").read_text(encoding="utf-8")
    named = re.match(r"#:schema \./(\S+)\n", text)
    assert named
    capsys.readouterr()
    assert exit_code(["explain", "layout"]) == 0
    explained = " ".join(capsys.readouterr().out.split())
    assert named[0].strip() in explained
    written = f"export schema -o {named[1]}"
    assert written in explained
    assert written in " ".join(line.lstrip("# ") for line in text.splitlines())
    assert exit_code(written.split()) == 0
    jsonschema.validate(tomllib.loads(text), json.loads(Path(named[1]).read_text(encoding="utf-8")))

"""The page by the command line: where it goes, what it ends with, and what it is when there is no result."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from in_process import run_here
from runs import BUILDS, JOIN, write_device


def gemel(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """One run of the command."""
    return run_here(*words, cwd=folder)


@pytest.fixture(scope="module")
def device(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small device as files, joined."""
    folder = write_device(tmp_path_factory.mktemp("device"))
    assert gemel(folder, *JOIN, "-o", "tide.hex").returncode == 0
    return folder


def test_show(device: Path) -> None:
    """The page is the same on stdout, by -o, and by the file's suffix alone."""
    words = ("show", "small.toml", "tide.hex", *BUILDS)
    printed = gemel(device, *words, "--format", "html")
    assert printed.returncode == 0
    assert printed.stdout.startswith("<!DOCTYPE html>")
    for more in (("--format", "html", "-o", "one.html"), ("-o", "two.html")):
        done = gemel(device, *words, *more)
        assert (done.returncode, done.stdout) == (0, "")
        assert (device / more[-1]).read_bytes().decode() == printed.stdout


def test_check(device: Path) -> None:
    """The page of a check is printed and written whether rules are broken or not, with the exit code of the check."""
    words = ("check", "small.toml", "tide.hex", *BUILDS)
    for more, code, verdict in (((), 0, "PASS"), (("--version", "9.9.9"), 1, "FAIL")):
        done = gemel(device, *words, *more, "--format", "html", "--report", "check.html")
        assert done.returncode == code
        assert (device / "check.html").read_bytes().decode() == done.stdout
        assert verdict in done.stdout


def test_no_result(device: Path) -> None:
    """Where the work cannot be done the page says so: no page of an earlier run is left for this one's."""
    (device / "check.html").write_text("an older page", encoding="utf-8")
    (device / "bad<b>.hex").write_text(":00<script>hacked=1</script>", encoding="utf-8")
    done = gemel(device, "check", "small.toml", "bad<b>.hex", "--report", "check.html")
    assert done.returncode == 2
    page = (device / "check.html").read_text(encoding="utf-8")
    assert "No result: the work could not be done" in page
    assert "default-src" in page
    assert "<script>" not in page
    assert "<b>" not in page

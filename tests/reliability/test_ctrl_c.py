"""Ctrl-C at any moment from the first line of ours on: never a traceback, and never half an output.

What Python does before our first line runs is out of our reach (README.md says so).  So the runs here begin with a
few lines that say when ours has taken over: they wait for the first handler to be set, which is the first
thing that ``run`` does, and only then is the signal sent.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from runs import BUILDS, GEMEL, JOIN, environment, run, write_device

from gemel.cli.endings import exit_code_of

pytestmark = pytest.mark.skipif(os.name != "posix", reason="signals are sent as POSIX has them")

STARTED = """
import os, _signal
from gemel.cli.entry import run

set_handler = _signal.signal

def noted(number, handler):
    _signal.signal = set_handler
    before = set_handler(number, handler)
    os.write({descriptor}, b"x")
    return before

_signal.signal = noted
run()
"""
OPENED = "/proc/self/cwd"
"""A named pipe is taken only where the path says that it is one of the process's own."""
MOMENTS = [milliseconds / 1000 for milliseconds in range(0, 121, 3)]
CHECK = ("check", "small.toml", "tide.hex", *BUILDS)


@pytest.fixture(scope="module")
def device(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small device as files, joined; every module is compiled by then."""
    folder = write_device(tmp_path_factory.mktemp("device"))
    assert run(*JOIN, "-o", "tide.hex", cwd=folder).returncode == 0
    assert run(*CHECK, cwd=folder).returncode == 0
    return folder


def interrupted(folder: Path, moment: float, *words: str) -> tuple[int, str]:
    """Exit code and stderr of a run that got SIGINT ``moment`` seconds after our first line."""
    reading, writing = os.pipe()
    child = subprocess.Popen(
        [sys.executable, "-c", STARTED.format(descriptor=writing), *words],
        cwd=folder,
        env=environment(),
        pass_fds=[writing],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        encoding="utf-8",
    )
    os.close(writing)
    assert os.read(reading, 1) == b"x"
    os.close(reading)
    time.sleep(moment)
    child.send_signal(signal.SIGINT)
    _, said = child.communicate(timeout=60)
    return child.returncode, said


@pytest.mark.parametrize("words", [CHECK, (*JOIN, "-o", "again.hex")], ids=["check", "join"])
def test_at_many_moments(device: Path, words: tuple[str, ...]) -> None:
    """Forty-one moments from 0 to 120 ms: the run ends by the signal, with 130 in our words, or was done."""
    ends = set()
    for moment in MOMENTS:
        code, said = interrupted(device, moment, *words)
        assert "Traceback" not in said, f"after {moment * 1000:.0f} ms: {said}"
        assert "KeyboardInterrupt" not in said, f"after {moment * 1000:.0f} ms: {said}"
        assert code in (0, 130, -signal.SIGINT), said
        assert not list(device.glob(".gemel-*"))
        ends.add(code)
    for _ in range(60):  # the time in which modules of ours are imported is short
        if -signal.SIGINT in ends:
            break
        ends.add(interrupted(device, 0, *words)[0])
    assert -signal.SIGINT in ends, "none came while modules were imported"


def test_while_the_command_runs(device: Path) -> None:
    """Once the command reads its input, Ctrl-C ends it with 130 and says that no output was changed."""
    os.mkfifo(device / "slow.toml")
    child = subprocess.Popen(
        [*GEMEL, "join", f"{OPENED}/slow.toml", *BUILDS, "-o", "slow.hex"],
        cwd=device,
        env=environment(),
        stderr=subprocess.PIPE,
        encoding="utf-8",
    )
    with (device / "slow.toml").open("wb"):  # opens as soon as the other side does
        child.send_signal(signal.SIGINT)
        _, said = child.communicate(timeout=600)
    (device / "slow.toml").unlink()
    assert (child.returncode, said.strip()) == (130, "stopped; no output was changed")
    assert not (device / "slow.hex").exists()


def test_ignored_stays_ignored(device: Path) -> None:
    """Started to ignore Ctrl-C, as background jobs of a shell are, a run goes on to its end."""
    os.mkfifo(device / "later.toml")
    child = subprocess.Popen(
        [
            "sh",
            "-c",
            "trap '' INT; exec \"$@\"",
            "sh",
            *GEMEL,
            "join",
            f"{OPENED}/later.toml",
            *BUILDS,
            "-o",
            "later.hex",
        ],
        cwd=device,
        env=environment(),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        encoding="utf-8",
    )
    with (device / "later.toml").open("wb") as layout:  # opens as soon as the other side does
        child.send_signal(signal.SIGINT)
        layout.write((device / "small.toml").read_bytes())
    _, said = child.communicate(timeout=600)
    (device / "later.toml").unlink()
    assert (child.returncode, "stopped" in said) == (0, False), said
    assert (device / "later.hex").read_bytes() == (device / "tide.hex").read_bytes()
    (device / "later.hex").unlink()


def test_the_entry_imports_nothing_else(device: Path) -> None:
    """What is imported before Ctrl-C is taken care of is the entry and its packages."""
    listed = (
        "import sys; before = set(sys.modules); import gemel.cli.entry;"
        "print(*sorted(set(sys.modules) - before))"
    )
    done = subprocess.run(
        [sys.executable, "-c", listed], env=environment(), capture_output=True, text=True, check=True
    )
    assert done.stdout.split() == ["gemel", "gemel.cli", "gemel.cli.entry"]


def test_a_stop_inside_a_class_statement_is_a_stop(capsys: pytest.CaptureFixture[str]) -> None:
    """Python turns an interrupt inside a class statement into a RuntimeError; it still ends with 130."""
    error = RuntimeError("Error calling __set_name__")
    error.__cause__ = KeyboardInterrupt()
    assert exit_code_of(error, []) == 130
    assert "stopped" in capsys.readouterr().err
    assert exit_code_of(RuntimeError("of its own"), []) == 2


@pytest.mark.parametrize(
    ("step", "words"), [(1, "stopped; the files made so far"), (2, "the files made so far")]
)
def test_a_stopped_demo_says_what_it_left(
    step: int,
    words: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Between two steps and within one, the demo never says that it changed nothing: its files are there."""
    from gemel.cli import main
    from gemel.cli.commands import demo

    def stop(*_: object, **__: object) -> int:
        raise KeyboardInterrupt

    if step == 1:
        monkeypatch.setattr(demo, "_run", stop)
    else:
        monkeypatch.setattr(demo, "STEPS", (demo.DemoStep("A title.", "", ("show", "none.toml"), 0),))
        monkeypatch.setattr("gemel.cli.commands.show.given", stop)
    monkeypatch.chdir(tmp_path)
    assert main.exit_code(["demo", "here"]) == 130
    said = capsys.readouterr().err
    assert said.splitlines()[-1] == f"{words} are in here"
    assert (tmp_path / "here" / "station.elf").is_file()


def test_importing_what_starts_is_quiet() -> None:
    """``python -m gemel`` that is stopped while it imports its first module ends with 130 and says nothing."""
    code = """
import runpy, sys

class Stop:
    def find_spec(self, name, *_):
        if name == "gemel.cli.entry":
            raise KeyboardInterrupt

sys.meta_path.insert(0, Stop())
runpy.run_module("gemel", run_name="__main__", alter_sys=True)
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (130, b"", b"")

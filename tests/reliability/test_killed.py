"""Killing a join outright: every output is a whole old file or a whole new one, whenever it happens.

No program can rename two files in one step.  A kill between the two renames leaves the first output new
and the second old, each whole, with the second's new bytes beside it under a ``.gemel-`` name; the
window is the time from one rename to the next.  ``check`` tells which is which, and joining again mends it.
"""

from __future__ import annotations

import random
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest
from bench.big_builds import layout_text, written_build
from runs import BUILDS, GEMEL, JOIN, contents, environment, run, write_device

AREA = 1 << 20
KILLS = 40
SEED = 20_261_124
OUTPUTS = ("tide.hex", "tide.bin")
JOIN_LARGE = (*JOIN, "--no-disassemble")
"""Their code is of pseudo-random bytes, in which to look for instructions takes four times as long as all the rest."""

KILLED_AT = """
import os, signal, sys
from pathlib import Path
from gemel.files.outputs import write_all

at, seen = int(sys.argv[1]), 0

def counted(call):
    def wrapped(*arguments, **options):
        global seen
        seen += 1
        if seen == at:
            os.kill(os.getpid(), signal.SIGKILL)
        return call(*arguments, **options)
    return wrapped

for name in ("open", "write", "fsync", "chmod", "link", "replace", "unlink"):
    setattr(os, name, counted(getattr(os, name)))
write_all({Path("a.bin"): [b"new ", b"a"], Path("b.bin"): [b"new b"]})
print(seen)
"""


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with two builds of nearly 1 MiB each, so that writing their image takes a while."""
    folder = tmp_path_factory.mktemp("large")
    (folder / "small.toml").write_text(layout_text(AREA), encoding="utf-8")
    for name in ("station", "sampler"):
        (folder / f"{name}.elf").write_bytes(written_build(name, AREA, AREA - 64))
    return folder


def joined(folder: Path, version: str) -> dict[str, bytes]:
    """Join to both outputs and return their bytes."""
    words = [*JOIN_LARGE, "--version", version, *(word for name in OUTPUTS for word in ("-o", name))]
    done = run(*words, cwd=folder)
    assert done.returncode == 0, done.stderr
    return {name: (folder / name).read_bytes() for name in OUTPUTS}


def test_killed_at_random_moments(large: Path) -> None:
    """Forty kills, most of them while files are written: no torn file, no pair mixed but in between."""
    new = joined(large, "2.0.0")
    old = joined(large, "1.0.0")
    assert all(old[name] != new[name] for name in OUTPUTS)
    command = [*GEMEL, *JOIN_LARGE, "--version", "2.0.0", "-o", OUTPUTS[0], "-o", OUTPUTS[1]]
    numbers = random.Random(SEED)
    outcomes = dict.fromkeys(("old", "new", "mixed", "writing"), 0)
    for kill in range(KILLS):
        child = subprocess.Popen(
            command, cwd=large, env=environment(), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        if kill % 4:  # once it writes; else anywhere from its start on
            while child.poll() is None and not list(large.glob(".gemel-*")):
                time.sleep(0.001)
            time.sleep(numbers.uniform(0, 0.02))
        else:
            time.sleep(numbers.uniform(0, 0.3))
        child.kill()
        child.wait()
        left = {path.name: path.read_bytes() for path in large.glob(".gemel-*")}
        now = {name: (large / name).read_bytes() for name in OUTPUTS}
        outcomes["writing"] += bool(left)
        if now == old:
            outcomes["old"] += 1
        elif now == new:
            outcomes["new"] += 1
        else:
            outcomes["mixed"] += 1
            assert now == {OUTPUTS[0]: new[OUTPUTS[0]], OUTPUTS[1]: old[OUTPUTS[1]]}
            assert new[OUTPUTS[1]] in left.values(), "the second rename was not the next thing to be done"
        for name in left:
            (large / name).unlink()
        for name, data in old.items():
            (large / name).write_bytes(data)
    assert outcomes["writing"] >= KILLS // 4, outcomes
    assert outcomes["mixed"] <= 1, outcomes


def test_killed_before_every_single_step(tmp_path: Path) -> None:
    """A kill before each system call that writes, one after the other: only one leaves a mixed pair."""
    old = {"a.bin": b"old a", "b.bin": b"old b"}
    new = {"a.bin": b"new a", "b.bin": b"new b"}
    states = []
    for at in range(1, 100):
        folder = tmp_path / str(at)
        folder.mkdir()
        for name, data in old.items():
            (folder / name).write_bytes(data)
        done = subprocess.run(
            [sys.executable, "-c", KILLED_AT, str(at)],
            cwd=folder,
            env=environment(),
            capture_output=True,
            text=True,
            check=False,
        )
        after = contents(folder)
        states.append({name: after.pop(name) for name in old})
        if done.returncode == 0:
            assert after == {}
            assert int(done.stdout) == at - 1
            break
        assert all(name.startswith(".gemel-") for name in after)
    mixed = {"a.bin": b"new a", "b.bin": b"old b"}
    assert [state for index, state in enumerate(states) if not index or state != states[index - 1]] == [
        old,
        mixed,
        new,
    ]
    assert states.count(mixed) == 1
    assert len(states) > 12


def test_between_the_renames_check_tells_and_joining_again_mends(tmp_path: Path) -> None:
    """After a kill between the renames ``check`` tells the new output from the old, and a join mends both."""
    folder = write_device(tmp_path / "device")
    old = run(*JOIN, "-o", "tide.hex", "-o", "tide.bin", cwd=folder)
    assert old.returncode == 0, old.stderr
    shutil.copy(folder / "tide.bin", tmp_path / "old.bin")
    new = run(*JOIN, "--version", "2.0.0", "-o", "tide.hex", "-o", "tide.bin", cwd=folder)
    assert new.returncode == 0, new.stderr
    both = {name: (folder / name).read_bytes() for name in OUTPUTS}
    shutil.copy(tmp_path / "old.bin", folder / "tide.bin")
    (folder / ".gemel-0123456789abcdef.new").write_bytes(both["tide.bin"])
    codes = [
        run("check", "small.toml", name, *BUILDS, "--version", "2.0.0", cwd=folder).returncode
        for name in OUTPUTS
    ]
    assert codes == [0, 1]
    again = run(*JOIN, "--version", "2.0.0", "-o", "tide.hex", "-o", "tide.bin", cwd=folder)
    assert again.returncode == 0, again.stderr
    assert {name: (folder / name).read_bytes() for name in OUTPUTS} == both


def test_terminated_while_writing(large: Path) -> None:
    """SIGTERM to a join that writes: nothing changed, nothing left; or it was too late, and both are new."""
    new = joined(large, "2.0.0")
    old = joined(large, "1.0.0")
    command = [*GEMEL, *JOIN_LARGE, "--version", "2.0.0", "-o", OUTPUTS[0], "-o", OUTPUTS[1]]
    codes = []
    for _ in range(4):
        child = subprocess.Popen(command, cwd=large, env=environment(), stdout=subprocess.DEVNULL)
        while child.poll() is None and not list(large.glob(".gemel-*")):
            time.sleep(0.001)
        child.terminate()
        codes.append(child.wait())
        assert not list(large.glob(".gemel-*"))
        now = {name: (large / name).read_bytes() for name in OUTPUTS}
        assert now == (new if codes[-1] == 0 else old)
        for name, data in old.items():
            (large / name).write_bytes(data)
    assert set(codes) <= {0, 143}
    assert 143 in codes

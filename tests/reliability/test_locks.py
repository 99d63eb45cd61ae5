"""Two runs into the same outputs: one of them writes all of its files, the other none and says why."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from gemel.errors import OutputError
from gemel.files.locks import OutputLocks, name_of
from gemel.files.new_files import NewFile, write_new
from gemel.files.output_targets import real_path
from gemel.files.outputs import write_all


def locks(*targets: Path) -> OutputLocks:
    """The locks of these outputs."""
    return OutputLocks((target, real_path(target)) for target in targets)


def test_the_second_run_is_refused_and_changes_nothing(tmp_path: Path) -> None:
    """While one holds an output, another gets a clear error for each that is held, and none is written."""
    one, two, free = tmp_path / "a.hex", tmp_path / "b.bin", tmp_path / "c.srec"
    one.write_bytes(b"old")
    with locks(one, two):
        with pytest.raises(OutputError) as caught:
            write_all({one: [b"new"], two: [b"new"], free: [b"new"]})
        assert [problem.where for problem in caught.value.problems] == [str(one), str(two)]
        assert "another run is writing this output" in caught.value.problems[0].what
        write_all({free: [b"mine"]})
    assert (one.read_bytes(), two.exists(), free.read_bytes()) == (b"old", False, b"mine")
    write_all({one: [b"new"]})
    assert one.read_bytes() == b"new"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.hex", "c.srec"]


def test_two_names_of_one_output_are_one(tmp_path: Path) -> None:
    """A symbolic link to a held output is held too."""
    target, link = tmp_path / "a.hex", tmp_path / "link.hex"
    target.write_bytes(b"old")
    link.symlink_to(target)
    with locks(target), pytest.raises(OutputError):
        write_all({link: [b"new"]})


def test_many_runs_at_once_leave_one_set(tmp_path: Path) -> None:
    """The attack: of two joins into the same two files, one file of each could stay."""
    one, two = tmp_path / "a.hex", tmp_path / "a.bin"
    refused = []

    def run(number: int) -> None:
        for _ in range(20):
            try:
                write_all({one: [b"%d" % number] * 50, two: [b"%d" % number] * 50})
            except OutputError as error:
                refused.append(error)

    runs = [threading.Thread(target=run, args=(number,)) for number in range(4)]
    for each in runs:
        each.start()
    for each in runs:
        each.join()
    assert one.read_bytes() == two.read_bytes()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.bin", "a.hex"]


def test_what_a_killed_run_left_is_removed_by_the_next(tmp_path: Path) -> None:
    """A killed process frees its lock, and the next run into the same output removes its files; no others."""
    target, other = tmp_path / "a.hex", tmp_path / "b.hex"
    code = (
        "import os, sys; from pathlib import Path; from gemel.files.outputs import write_all\n"
        "def blocks():\n    yield b'x'\n    os.kill(os.getpid(), 9)\n"
        "write_all({Path(sys.argv[1]): blocks()})"
    )
    for path in (target, other):
        done = subprocess.run([sys.executable, "-c", code, str(path)], check=False)
        assert done.returncode == -9
    left = {name for name in os.listdir(tmp_path) if name.startswith(".gemel-")}
    assert len(left) == 4, "a lock and a temporary file of each"
    write_all({target: [b"new"]})
    others = {name for name in os.listdir(tmp_path) if name.startswith(".gemel-")}
    assert all(str(tmp_path / name).startswith(name_of(str(other))) for name in others)
    assert len(others) == 2


@pytest.mark.parametrize("kind", ["a link", "a folder"])
def test_what_is_no_lock_is_named_and_nothing_is_written(tmp_path: Path, kind: str) -> None:
    """The attack: a link in the lock's place, of whoever shares the folder, let two runs write at once."""
    target, victim = tmp_path / "a.hex", tmp_path / "victim"
    victim.write_bytes(b"kept")
    lock = Path(f"{name_of(real_path(target))}lock")
    if kind == "a link":
        lock.symlink_to(victim)
    else:
        lock.mkdir()
    with pytest.raises(OutputError) as caught:
        write_all({target: [b"new"]})
    assert str(lock) in caught.value.problems[0].found
    assert (target.exists(), victim.read_bytes()) == (False, b"kept")


@pytest.mark.parametrize("readable", [True, False])
def test_another_users_run_is_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, readable: bool
) -> None:
    """The attack: in a shared folder the other user's lock may not be written, and was passed over."""
    target, opened = tmp_path / "a.hex", os.open
    left = Path(f"{name_of(real_path(target))}0123456789abcdef.new")

    def of_another_user(path: str, flags: int, mode: int = 0o777) -> int:
        if str(path).endswith("-lock") and (flags & os.O_RDWR or not readable):
            raise PermissionError(errno.EACCES, "Permission denied", path)
        return opened(path, flags, mode)

    with locks(target):
        left.write_bytes(b"being written")
        monkeypatch.setattr(os, "open", of_another_user)
        with pytest.raises(OutputError, match="another run" if readable else "cannot be locked"):
            write_all({target: [b"new"]})
        monkeypatch.undo()
        assert (target.exists(), left.read_bytes()) == (False, b"being written")
    write_all({target: [b"new"]})
    assert (target.read_bytes(), left.exists()) == (b"new", False)


def test_what_a_killed_run_left_of_a_new_key_is_removed_by_the_next(tmp_path: Path) -> None:
    """The attack: a private key stayed under a temporary name for good."""
    key = tmp_path / "release.pem"
    left = Path(f"{name_of(real_path(key))}0123456789abcdef.new")
    left.write_bytes(b"a private key")
    write_new([NewFile(key, b"another")])
    assert [path.name for path in tmp_path.iterdir()] == ["release.pem"]

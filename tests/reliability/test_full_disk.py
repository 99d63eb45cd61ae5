"""Disks that take nothing or not enough: one clear error, exit code 2, nothing changed, nothing left.

The file systems are real: a small tmpfs, filled or mounted read-only, in a mount namespace of its own.
"""

from __future__ import annotations

import resource
import subprocess
from pathlib import Path

import pytest
from runs import (
    GEMEL,
    JOIN,
    as_other_user,
    contents,
    environment,
    one_error,
    run,
    with_mounts,
    write_device,
)

OLD = {"tide.hex": b"old hex\n", "tide.bin": b"old bin\n"}
OUTPUTS = ("-o", "disk/tide.hex", "-o", "disk/tide.bin")

ON_DISK = """
set -e
options=$1 after=$2 readonly=$3
shift 3
mount -t tmpfs -o "$options" tmpfs disk
printf 'old hex\\n' > disk/tide.hex
printf 'old bin\\n' > disk/tide.bin
[ "$readonly" = no ] || mount -o remount,ro disk
set +e
"$@"
code=$?
cp -a disk/. "$after"
exit $code
"""


def on_disk(
    folder: Path, options: str, readonly: bool = False
) -> tuple[subprocess.CompletedProcess[str], Path]:
    """Join onto a tmpfs of these ``options`` that holds the old outputs; the run, and what is on it after."""
    device = write_device(folder)
    (device / "disk").mkdir()
    after = device / "after"
    after.mkdir()
    words = [*with_mounts(), "sh", "-c", ON_DISK, "sh", options, str(after), "yes" if readonly else "no"]
    return run(*JOIN, *OUTPUTS, cwd=device, before=words), after


def test_full_at_every_size(tmp_path: Path) -> None:
    """From room for nothing to room for all, page by page: both outputs are new, or both are old."""
    outcomes = []
    for pages in range(2, 40):
        done, after = on_disk(tmp_path / str(pages), f"size={pages * 4}k")
        outcomes.append(done.returncode)
        if done.returncode == 0:
            found = contents(after)
            assert set(found) == set(OLD)
            assert all(found[name] != OLD[name] for name in OLD)
            break
        one_error(done)
        assert "No space left on device" in done.stderr
        assert "no output was changed" in done.stderr
        assert contents(after) == OLD
    assert outcomes[-1] == 0
    assert outcomes[:-1] == [2] * (len(outcomes) - 1)
    assert len(outcomes) > 4, "the disk was never full: its sizes are wrong"


def test_no_more_files(tmp_path: Path) -> None:
    """A file system that has no room for one more file changes nothing."""
    done, after = on_disk(tmp_path / "device", "size=1m,nr_inodes=4")
    one_error(done)
    assert "No space left on device" in done.stderr
    assert contents(after) == OLD


def test_read_only_file_system(tmp_path: Path) -> None:
    """A read-only file system is one error for both outputs."""
    done, after = on_disk(tmp_path / "device", "size=1m", readonly=True)
    assert done.returncode == 2
    assert "Read-only file system" in done.stderr or "write-protected" in done.stderr
    assert "Traceback" not in done.stderr
    assert contents(after) == OLD


def test_new_outputs_on_a_read_only_file_system(tmp_path: Path) -> None:
    """Outputs that are not there yet are refused there with the system's reason, and what to do."""
    device = write_device(tmp_path / "device")
    (device / "disk").mkdir()
    (device / "after").mkdir()
    words = [*with_mounts(), "sh", "-c", ON_DISK, "sh", "size=1m", str(device / "after"), "yes"]
    done = run(*JOIN, "-o", "disk/other.hex", "-o", "disk/other.bin", cwd=device, before=words)
    one_error(done)
    assert "Read-only file system" in done.stderr
    assert "write to another disk" in done.stderr
    assert contents(device / "after") == OLD


@pytest.mark.parametrize("part", [0.0, 0.3, 0.99])
def test_limit_on_file_sizes(tmp_path: Path, part: float) -> None:
    """A limit on file sizes (ulimit -f) is told like a full disk; the signal it sends kills nothing."""
    device = write_device(tmp_path / "device")
    (device / "disk").mkdir()
    assert run(*JOIN, *OUTPUTS, cwd=device).returncode == 0
    limit = int(part * max(map(len, contents(device / "disk").values())))
    for name, data in OLD.items():
        (device / "disk" / name).write_bytes(data)
    done = subprocess.run(
        [*GEMEL, *JOIN, *OUTPUTS],
        cwd=device,
        env=environment({"PYTHONDONTWRITEBYTECODE": "1"}),
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit)),
    )
    one_error(done)
    assert "File too large" in done.stderr
    assert done.stdout.splitlines()[-1] == "NO RESULT: the work could not be done."
    assert contents(device / "disk") == OLD


def test_folder_without_write_permission(tmp_path: Path) -> None:
    """A folder that the user may not write to is one error, with nothing changed in it."""
    device = write_device(tmp_path / "device")
    disk = device / "disk"
    disk.mkdir()
    for name, data in OLD.items():
        (disk / name).write_bytes(data)
    disk.chmod(0o555)
    try:
        done = run(*JOIN, *OUTPUTS, cwd=device, before=as_other_user())
    finally:
        disk.chmod(0o755)
    one_error(done)
    assert "Permission denied" in done.stderr
    assert "choose a folder that you may write to" in done.stderr
    assert contents(disk) == OLD


def test_an_interpreter_without_room_for_byte_code(tmp_path: Path) -> None:
    """gemel writes nowhere but to its outputs: there may be no home, temporary folder or byte code."""
    device = write_device(tmp_path / "device")
    nowhere = dict.fromkeys(("HOME", "TMPDIR", "XDG_CACHE_HOME", "PYTHONPYCACHEPREFIX"), "/nonexistent")
    done = run(*JOIN, "-o", "tide.hex", cwd=device, changes=nowhere)
    assert done.returncode == 0, done.stderr
    assert (device / "tide.hex").stat().st_size

"""Whole runs of gemel for the tests of reliability, and the small device as files."""

from __future__ import annotations

import functools
import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

import pytest
from small_device import layout_text, sampler_elf, station_elf

ROOT = Path(__file__).resolve().parents[2]
GEMEL = (sys.executable, "-m", "gemel")
LIMIT = 60
"""Seconds after which a run counts as hanging."""


def unavailable(reason: str) -> None:
    """Skip the running test, or fail it where GEMEL_REQUIRE_TOOLS=1 is set."""
    if os.environ.get("GEMEL_REQUIRE_TOOLS") == "1":
        pytest.fail(f"{reason}, and GEMEL_REQUIRE_TOOLS=1 asks for it")
    pytest.skip(reason)


def environment(changes: Mapping[str, str] | None = None) -> dict[str, str]:
    """This process's, with this tree's gemel first, and ``changes``."""
    path = os.pathsep.join([str(ROOT / "imgtool_src"), os.environ.get("PYTHONPATH", "")]).rstrip(os.pathsep)
    return {**os.environ, "PYTHONPATH": path, "PYTHONIOENCODING": "utf-8", **(changes or {})}


def run(
    *words: str | bytes | Path,
    cwd: Path,
    before: Sequence[str] = (),
    changes: Mapping[str, str] | None = None,
    stdin: int | bytes = subprocess.DEVNULL,
    umask: int = -1,
) -> subprocess.CompletedProcess[str]:
    """Run ``gemel WORDS`` in ``cwd`` to its end; ``before`` is a command that starts it."""
    given = {"input": stdin.decode()} if isinstance(stdin, bytes) else {"stdin": stdin}
    return subprocess.run(
        [*before, *GEMEL, *words],
        cwd=cwd,
        env=environment(changes),
        capture_output=True,
        encoding="utf-8",
        errors="replace",
        timeout=LIMIT,
        umask=umask,
        check=False,
        **given,  # type: ignore[call-overload]
    )


def write_device(folder: Path) -> Path:
    """The small device as files in ``folder``: ``small.toml``, ``station.elf`` and ``sampler.elf``."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "small.toml").write_text(layout_text(), encoding="utf-8")
    (folder / "station.elf").write_bytes(station_elf())
    (folder / "sampler.elf").write_bytes(sampler_elf())
    return folder


BUILDS = ("station=station.elf", "sampler=sampler.elf")
JOIN = ("join", "small.toml", *BUILDS)
"""The words that join the small device in its folder; ``-o`` is to follow."""


def contents(folder: Path) -> dict[str, bytes]:
    """Every file in ``folder`` with its bytes, hidden ones too."""
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir()) if path.is_file()}


def one_error(done: subprocess.CompletedProcess[str]) -> None:
    """Hold a run to exit code 2 and one error in plain words."""
    assert done.returncode == 2, done.stdout + done.stderr
    assert done.stderr.count("error: ") == 1, done.stderr
    assert "Traceback" not in done.stderr
    assert "fault in gemel" not in done.stderr


@functools.cache
def _works(*command: str) -> bool:
    try:
        return subprocess.run([*command, "true"], capture_output=True, check=False).returncode == 0
    except FileNotFoundError:
        return False


def as_other_user() -> Sequence[str]:
    """A command that runs another one as user 4711 without any privilege, files staying one's own.

    A user namespace does it for root and for everybody else: the process sees itself as that user, and
    permission bits bind it, which they do not bind root.
    """
    command = ("unshare", "--user", "--map-user=4711", "--map-group=4711")
    if not _works(*command):
        unavailable("no user namespaces here (unshare --user --map-user)")
    return command


def with_mounts() -> Sequence[str]:
    """A command that runs another one where it may mount file systems that nobody else sees."""
    command = (
        ("unshare", "--mount") if os.geteuid() == 0 else ("unshare", "--user", "--map-root-user", "--mount")
    )
    if not _works(*command):
        unavailable("no mount namespaces here (unshare --mount)")
    return command

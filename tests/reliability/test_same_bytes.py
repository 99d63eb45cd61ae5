"""The same inputs give the same bytes: images and reports, wherever, whenever and by whomever made."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Mapping
from pathlib import Path

import pytest
from runs import BUILDS, as_other_user, run, write_device

OUTPUTS = ("tide.hex", "tide.bin", "tide.srec")

SURROUNDINGS: dict[str, dict[str, str]] = {
    "time zone east": {"TZ": "Asia/Kathmandu"},
    "time zone west": {"TZ": "Pacific/Marquesas"},
    "C locale": {"LANG": "C", "LC_ALL": "C"},
    "Turkish locale": {"LANG": "tr_TR.UTF-8", "LC_ALL": "tr_TR.UTF-8"},
    "hash seed 1": {"PYTHONHASHSEED": "1"},
    "hash seed 2": {"PYTHONHASHSEED": "4294967295"},
    "optimised": {"PYTHONOPTIMIZE": "2"},
    "UTF-8 mode": {"PYTHONUTF8": "1"},
    "ASCII output": {"PYTHONIOENCODING": "ascii"},
    "another name and home": {"USER": "nobody", "LOGNAME": "nobody", "HOME": "/nonexistent", "HOSTNAME": "x"},
    "colour wanted": {"FORCE_COLOR": "1", "CLICOLOR_FORCE": "1", "TERM": "xterm-256color"},
    "narrow terminal": {"COLUMNS": "20", "LINES": "5"},
}


def digests(
    folder: Path,
    *,
    before: tuple[str, ...] = (),
    changes: Mapping[str, str] | None = None,
    builds: tuple[str, ...] = BUILDS,
    layout: str = "small.toml",
    cwd: Path | None = None,
    umask: int = -1,
) -> dict[str, str]:
    """SHA-256 of every image that a join in ``folder`` writes and of the JSON report of its check."""
    where = cwd or folder
    options = [word for name in OUTPUTS for word in ("-o", folder / name)]
    done = run("join", layout, *builds, *options, cwd=where, before=before, changes=changes, umask=umask)
    assert done.returncode == 0, done.stderr
    report = run(
        *("check", layout, folder / "tide.hex", *builds, "--format", "json"),
        cwd=where,
        before=before,
        changes=changes,
    )
    assert report.returncode == 0, report.stderr
    found = {name: (folder / name).read_bytes() for name in OUTPUTS}
    found["report"] = report.stdout.encode()
    return {name: hashlib.sha256(data).hexdigest() for name, data in found.items()}


@pytest.fixture(scope="module")
def device(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small device as files."""
    return write_device(tmp_path_factory.mktemp("device"))


@pytest.fixture(scope="module")
def expected(device: Path) -> dict[str, str]:
    """The digests that every other run is held against."""
    return digests(device)


@pytest.mark.parametrize("name", SURROUNDINGS)
def test_surroundings(device: Path, expected: dict[str, str], name: str) -> None:
    """Time zone, locale, hash seed, user's name, terminal and interpreter options change no byte."""
    assert digests(device, changes=SURROUNDINGS[name]) == expected


def test_another_folder_and_another_time(device: Path, expected: dict[str, str], tmp_path: Path) -> None:
    """Another folder with another length of name, and files of another age, change no byte."""
    copy = tmp_path / "Ordner mit längerem Namen 港" / "und noch einer"
    copy.mkdir(parents=True)
    for name in ("small.toml", "station.elf", "sampler.elf"):
        shutil.copyfile(device / name, copy / name)
    assert digests(copy) == expected


def test_paths_written_in_another_way(device: Path, expected: dict[str, str], tmp_path: Path) -> None:
    """Absolute paths from elsewhere give the bytes of relative ones from the folder itself."""
    builds = tuple(f"{name}={device / name}.elf" for name in ("station", "sampler"))
    assert digests(device, builds=builds, layout=str(device / "small.toml"), cwd=tmp_path) == expected


def test_order_of_the_builds(device: Path, expected: dict[str, str]) -> None:
    """The order of NAME=BUILD on the command line changes no byte."""
    assert digests(device, builds=BUILDS[::-1]) == expected


def test_another_user(device: Path, expected: dict[str, str]) -> None:
    """A join by user 4711 gives the same bytes as one's own."""
    for name in OUTPUTS:
        (device / name).unlink(missing_ok=True)
    assert digests(device, before=tuple(as_other_user())) == expected


def test_another_mask(device: Path, expected: dict[str, str]) -> None:
    """The user's mask decides who may read a new output, and not what is in it."""
    for name in OUTPUTS:
        (device / name).unlink(missing_ok=True)
    assert digests(device, umask=0o077) == expected
    assert {(device / name).stat().st_mode & 0o777 for name in OUTPUTS} == {0o600}


def test_comments_and_order_of_the_layout(expected: dict[str, str], tmp_path: Path) -> None:
    """A comment and blank lines in the layout change no image: its digest is of what it says.

    The report names the SHA-256 of the layout's file, and so is another one.
    """
    changed = write_device(tmp_path / "device")
    layout = changed / "small.toml"
    layout.write_text("# another comment\n\n" + layout.read_text(encoding="utf-8"), encoding="utf-8")
    found = digests(changed)
    assert found.pop("report") != expected["report"]
    assert found == {name: digest for name, digest in expected.items() if name != "report"}

"""Files that must not be there yet: all or none, never over another one, whole from the start."""

from __future__ import annotations

import os
import threading
from pathlib import Path

import pytest

from gemel.errors import OutputError, UsageProblem
from gemel.files import new_files
from gemel.files.new_files import NewFile, write_new
from gemel.files.outputs import OWNER_ALONE

posix = pytest.mark.skipif(os.name != "posix", reason="Windows has no modes")


def names(folder: Path) -> list[str]:
    """Every name in the folder."""
    return sorted(path.name for path in folder.iterdir())


def no_links(*_: object, **__: object) -> None:
    """A file system without hard links."""
    raise PermissionError(1, "Operation not permitted")


@pytest.mark.parametrize("links", [True, False])
def test_bytes_and_nothing_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, links: bool) -> None:
    """With hard links and without, the files hold their bytes and no temporary file is left."""
    if not links:
        monkeypatch.setattr(os, "link", no_links)
    write_new([NewFile(tmp_path / "a", b"private", OWNER_ALONE), NewFile(tmp_path / "b", b"public")])
    assert names(tmp_path) == ["a", "b"]
    assert ((tmp_path / "a").read_bytes(), (tmp_path / "b").read_bytes()) == (b"private", b"public")


@posix
@pytest.mark.parametrize("links", [True, False])
def test_for_the_owner_alone_from_the_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, links: bool
) -> None:
    """At no moment does a file with the private bytes have a mode other than 0600: it is created so."""
    if not links:
        monkeypatch.setattr(os, "link", no_links)
    modes = []
    opened = os.open

    def watched(path: Path, flags: int, mode: int = 0o777) -> int:
        handle = opened(path, flags, mode)
        if str(path).endswith("-lock"):  # holds nothing
            return handle
        assert flags & os.O_EXCL
        modes.append(os.fstat(handle).st_mode & 0o777)
        return handle

    monkeypatch.setattr(os, "open", watched)
    monkeypatch.setattr(os, "chmod", None)
    write_new([NewFile(tmp_path / "a", b"private", OWNER_ALONE)])
    assert set(modes) == {0o600}


@pytest.mark.parametrize("links", [True, False])
def test_all_or_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, links: bool) -> None:
    """When the second file cannot be written, the first one is gone again and nothing else is left."""
    if not links:
        monkeypatch.setattr(os, "link", no_links)
    flush = os.fsync
    count = iter(range(100))

    def full(handle: int) -> None:
        if next(count) >= (1 if links else 2):
            raise OSError(28, "No space left on device")
        flush(handle)

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError, match="nothing was made"):
        write_new([NewFile(tmp_path / "a", b"1"), NewFile(tmp_path / "b", b"2")])
    assert names(tmp_path) == []


@pytest.mark.parametrize("links", [True, False])
def test_a_file_that_comes_in_between_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, links: bool
) -> None:
    """A file that gets the name after it was found free is not overwritten either."""
    if not links:
        monkeypatch.setattr(os, "link", no_links)
    monkeypatch.setattr(new_files, "refuse_existing", lambda _: (tmp_path / "a").write_bytes(b"theirs"))
    with pytest.raises(OutputError):
        write_new([NewFile(tmp_path / "a", b"ours")])
    assert names(tmp_path) == ["a"]
    assert (tmp_path / "a").read_bytes() == b"theirs"


def test_of_many_who_try_one_wins(tmp_path: Path) -> None:
    """Eight writers of one name: one file, whole, and seven errors."""
    errors: list[Exception] = []

    def write(number: int) -> None:
        try:
            write_new([NewFile(tmp_path / "a", bytes([number]) * 5000)])
        except (OutputError, UsageProblem) as error:
            errors.append(error)

    threads = [threading.Thread(target=write, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    data = (tmp_path / "a").read_bytes()
    assert len(errors) == 7
    assert (len(data), len(set(data))) == (5000, 1)
    assert names(tmp_path) == ["a"]


def test_what_cannot_be_is_told_at_once(tmp_path: Path) -> None:
    """Missing folder and taken name are told together, before anything is written; one name twice too."""
    (tmp_path / "there").touch()
    with pytest.raises(UsageProblem) as caught:
        write_new([NewFile(tmp_path / "none" / "a", b""), NewFile(tmp_path / "there", b"")])
    assert len(caught.value.problems) == 2
    with pytest.raises(UsageProblem, match="one name"):
        write_new([NewFile(tmp_path / "a", b""), NewFile(tmp_path / "." / "a", b"")])
    assert names(tmp_path) == ["there"]

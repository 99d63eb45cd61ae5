"""``write_all``: what may be an output, and what is left when something goes wrong."""

from __future__ import annotations

import errno
import os
import signal
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from runs import contents, environment

from gemel.errors import OutputError, UsageProblem
from gemel.files.folders import refuse_folder
from gemel.files.new_files import NewFile, write_new
from gemel.files.output_targets import refuse_targets
from gemel.files.outputs import write_all

OLD = {"a.bin": b"old a", "b.bin": b"old b"}
NEW = {"a.bin": [b"new ", b"a"], "b.bin": [b"new b"]}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with both outputs there already."""
    for name, data in OLD.items():
        (tmp_path / name).write_bytes(data)
    return tmp_path


def in_folder(folder: Path) -> dict[Path, list[bytes]]:
    """The new outputs by path."""
    return {folder / name: blocks for name, blocks in NEW.items()}


def problems(targets: list[Path], inputs: tuple[Path, ...] = ()) -> list[str]:
    """What is said about targets, as text."""
    with pytest.raises(UsageProblem) as refused:
        refuse_targets(targets, inputs)
    return [str(problem) for problem in refused.value.problems]


def test_all_are_written_and_nothing_else_is_left(folder: Path) -> None:
    """Both outputs hold the new bytes, and no temporary name is left."""
    write_all(in_folder(folder))
    assert contents(folder) == {"a.bin": b"new a", "b.bin": b"new b"}


def test_new_files_get_the_mode_that_the_mask_leaves(tmp_path: Path) -> None:
    """An output that was not there gets 0666 less the user's mask, as any program's files do."""
    before = os.umask(0o027)
    try:
        write_all({tmp_path / "a.bin": [b"a"]})
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "a.bin").stat().st_mode) == 0o640


def test_a_replaced_file_keeps_its_mode(folder: Path) -> None:
    """An output that was there keeps its permission bits."""
    (folder / "a.bin").chmod(0o604)
    write_all(in_folder(folder))
    assert stat.S_IMODE((folder / "a.bin").stat().st_mode) == 0o604


@pytest.mark.parametrize("dangles", [False, True])
def test_a_link_of_a_name_that_nobody_gave_is_refused(folder: Path, dangles: bool) -> None:
    """The attack: a received folder has a link where a command writes what no argument names; a link to it is fine."""
    aimed = folder / "far.txt"
    if not dangles:
        aimed.write_bytes(b"kept")
    (folder / "out.txt").symlink_to(aimed)
    (folder / "linked").symlink_to(folder)
    refuse_targets([folder / "out.txt"])
    refuse_targets([], unnamed=[folder / "a.bin", folder / "linked" / "new.bin"])
    with pytest.raises(UsageProblem, match="the output is a link") as refused:
        refuse_targets([folder / "b.bin"], unnamed=[folder / "out.txt"])
    assert str(aimed) in str(refused.value)


def test_no_file_is_named_after_standard_output(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """``-`` is standard output: once ``keys new -o -`` made a file of that name, with a private key in it."""
    monkeypatch.chdir(tmp_path)
    assert "standard output" in problems([Path("-")])[0]
    with pytest.raises(UsageProblem, match="standard output"):
        write_new([NewFile(Path("-"), b"key")])
    write_all({tmp_path / "-": [b"a path says that it is a file"]})


def test_a_link_is_followed(folder: Path) -> None:
    """A symbolic link stays one; the file that it names is replaced, in its own folder."""
    (folder / "far").mkdir()
    (folder / "far" / "image.bin").write_bytes(b"old")
    (folder / "latest.bin").symlink_to(Path("far") / "image.bin")
    (folder / "dangling.bin").symlink_to(Path("far") / "other.bin")
    write_all({folder / "latest.bin": [b"new"], folder / "dangling.bin": [b"other"]})
    assert contents(folder / "far") == {"image.bin": b"new", "other.bin": b"other"}
    assert (folder / "latest.bin").is_symlink()
    assert (folder / "dangling.bin").is_symlink()


@pytest.mark.parametrize("name", ["x" * 251 + ".bin", "Größe 潮位.bin", "-o.bin", " .bin", "a\nb.bin"])
def test_any_name_that_the_file_system_takes(tmp_path: Path, name: str) -> None:
    """The longest name there is (255 bytes), other alphabets, blanks, dashes and line ends are all names."""
    write_all({tmp_path / name: [b"data"]})
    assert contents(tmp_path) == {name: b"data"}


def test_leftovers_of_a_killed_run_are_left_alone(folder: Path) -> None:
    """Files that a killed run left behind are neither read nor removed by the next one."""
    stale = {".gemel-0123456789abcdef.new": b"half of", ".gemel-fedcba9876543210.old": b"old a"}
    for name, data in stale.items():
        (folder / name).write_bytes(data)
    write_all(in_folder(folder))
    assert contents(folder) == {**stale, "a.bin": b"new a", "b.bin": b"new b"}


# -- targets that are refused ----------------------------------------------------------------------


def test_all_wrong_targets_are_told_at_once(tmp_path: Path) -> None:
    """Several wrong targets give one problem each, in one error."""
    (tmp_path / "folder.bin").mkdir()
    found = problems(
        [tmp_path / "folder.bin", tmp_path / "none" / "a.bin", tmp_path / "b.bin", tmp_path / "B.bin"]
    )
    assert len(found) == 3
    assert "the output is a folder" in found[0]
    assert "no such folder" in found[1]
    assert "two outputs are one file" in found[2]


@pytest.mark.parametrize(
    ("target", "step"),
    [
        ("none/a.bin", "make it first: mkdir -p none"),
        ("none/of it/a.bin", "make it first: mkdir -p 'none/of it'"),
        ("./none/a.bin", "make it first: mkdir -p none"),
        ("b.bin/a.bin", "name another folder"),
        ("b.bin/none/a.bin", "name another folder"),
    ],
)
def test_a_folder_that_is_not_there_can_be_made(
    folder: Path, target: str, step: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The command that makes it stands there for copying; where a file is in the way none would."""
    monkeypatch.chdir(folder)
    for refused in (
        lambda: refuse_targets([Path(target)]),
        lambda: refuse_folder(Path(target)),
        lambda: write_new([NewFile(Path(target), b"", 0o600)]),
    ):
        with pytest.raises(UsageProblem) as raised:
            refused()
        (problem,) = raised.value.problems
        assert (problem.what, problem.next_step) == ("the output's folder is not there", step)
        if step.startswith("make"):
            assert problem.found == f"{folder / Path(target).parent}: no such folder"
        else:
            assert problem.found == f"{folder / 'b.bin'}: a file in its place"


@pytest.mark.parametrize("second", ["a.bin", "./a.bin", "sub/../a.bin", "A.BIN", "link.bin", "linked/a.bin"])
def test_two_targets_that_are_one(tmp_path: Path, second: str) -> None:
    """One file under two spellings, cases or links is refused whether it is there or not."""
    (tmp_path / "sub").mkdir()
    (tmp_path / "linked").symlink_to(tmp_path)
    (tmp_path / "link.bin").symlink_to("a.bin")
    assert "two outputs are one file" in problems([tmp_path / "a.bin", Path(f"{tmp_path}/{second}")])[0]


def test_composed_and_decomposed_names_are_one(tmp_path: Path) -> None:
    """Names that differ in Unicode composition alone are one file on some systems, so they are refused."""
    found = problems([tmp_path / "gro\u0308sse.bin", tmp_path / "gr\u00f6sse.bin"])
    assert "two outputs are one file" in found[0]


def test_targets_that_are_inputs(folder: Path) -> None:
    """An input is no output: by its name, by a symbolic link, by a hard link."""
    (folder / "soft.bin").symlink_to("a.bin")
    os.link(folder / "a.bin", folder / "hard.bin")
    for name in ("a.bin", "soft.bin", "hard.bin"):
        assert "an output is an input" in problems([folder / name], (folder / "b.bin", folder / "a.bin"))[0]
    refuse_targets([folder / "new.bin"], [folder / "a.bin", folder / "missing.elf"])


def test_what_is_not_a_plain_file(tmp_path: Path) -> None:
    """A pipe, a device behind a link, a folder and a loop of links are refused, and stay as they are."""
    os.mkfifo(tmp_path / "pipe.bin")
    (tmp_path / "null.bin").symlink_to(os.devnull)
    (tmp_path / "loop.bin").symlink_to("loop.bin")
    assert "the output is a pipe" in problems([tmp_path / "pipe.bin"])[0]
    assert "the output is a device" in problems([tmp_path / "null.bin"])[0]
    assert "the output is a folder" in problems([tmp_path])[0]
    assert problems([tmp_path / "loop.bin"])
    assert stat.S_ISFIFO((tmp_path / "pipe.bin").stat().st_mode)
    assert stat.S_ISCHR(Path(os.devnull).stat().st_mode)


def test_a_write_protected_file_stays(folder: Path) -> None:
    """A file without any write permission is refused, for root too, though a rename would replace it."""
    (folder / "a.bin").chmod(0o444)
    with pytest.raises(UsageProblem, match="write-protected"):
        write_all(in_folder(folder))
    assert contents(folder) == OLD


@pytest.mark.parametrize("name", ["a\0b.bin", "x" * 300 + ".bin", "file/a.bin"])
def test_names_that_cannot_be(tmp_path: Path, name: str) -> None:
    """A NUL in a name, a name that is too long and a file where a folder should be are usage problems."""
    (tmp_path / "file").write_bytes(b"")
    assert len(problems([Path(f"{tmp_path}/{name}")])) == 1


# -- failures on the way ---------------------------------------------------------------------------


def failing(call: str, count: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the ``count``-th use of ``os.CALL`` (from 1) fail as on a full disk."""
    real, seen = getattr(os, call), [0]

    def wrapped(*arguments: object, **options: object) -> object:
        seen[0] += 1
        if seen[0] == count:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return real(*arguments, **options)

    monkeypatch.setattr(os, call, wrapped)


@pytest.mark.parametrize(
    ("call", "count"),
    [("open", 1), ("open", 2), ("write", 1), ("write", 2), ("write", 3), ("fsync", 1), ("fsync", 2),
     ("chmod", 1), ("chmod", 2), ("replace", 1), ("replace", 2)],
)  # fmt: skip
def test_a_failure_at_any_step_changes_nothing(
    folder: Path, monkeypatch: pytest.MonkeyPatch, call: str, count: int
) -> None:
    """Whatever step fails, both outputs are what they were and no temporary name is left."""
    failing(call, count, monkeypatch)
    with pytest.raises(OutputError, match=r"no output was changed.*No space left"):
        write_all(in_folder(folder))
    monkeypatch.undo()
    assert contents(folder) == OLD


def test_a_failed_second_rename_takes_the_first_new_file_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where there was no first output before, there is none after the second rename failed."""
    failing("replace", 2, monkeypatch)
    with pytest.raises(OutputError):
        write_all(in_folder(tmp_path))
    monkeypatch.undo()
    assert contents(tmp_path) == {}


@pytest.mark.parametrize("count", [1, 2])
def test_without_hard_links_the_old_file_is_copied(
    folder: Path, monkeypatch: pytest.MonkeyPatch, count: int
) -> None:
    """On a file system without hard links both outcomes are the same as with them."""
    failing("link", 1, monkeypatch)
    if count == 1:
        write_all(in_folder(folder))
        assert contents(folder) == {"a.bin": b"new a", "b.bin": b"new b"}
        return
    failing("replace", 2, monkeypatch)
    with pytest.raises(OutputError):
        write_all(in_folder(folder))
    monkeypatch.undo()
    assert contents(folder) == OLD


def test_what_cannot_be_put_back_is_told(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """If the old file cannot be put back either, the error says so, and where the old file is."""
    real, seen = os.replace, [0]

    def replace(source: str, target: str) -> None:
        seen[0] += 1
        if seen[0] > 1:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        real(source, target)

    monkeypatch.setattr(os, "replace", replace)
    with pytest.raises(OutputError) as failed:
        write_all(in_folder(folder))
    first, second = failed.value.problems
    assert "no output was changed" not in str(first)
    assert "could not be put back" in second.what
    kept = Path(second.next_step.removeprefix("the old file is "))
    assert kept.read_bytes() == b"old a"
    assert contents(folder) == {"a.bin": b"new a", "b.bin": b"old b", kept.name: b"old a"}


@pytest.mark.parametrize("error", [KeyboardInterrupt, MemoryError, ValueError, SystemExit])
def test_an_exception_from_the_blocks_changes_nothing(folder: Path, error: type[BaseException]) -> None:
    """What the maker of the bytes raises comes through, with nothing changed and nothing left."""

    def blocks() -> Iterator[bytes]:
        yield b"new b, first half"
        raise error

    with pytest.raises(error):
        write_all({folder / "a.bin": [b"new a"], folder / "b.bin": blocks()})
    assert contents(folder) == OLD


# -- being told to stop ----------------------------------------------------------------------------

STOPPING = """
import os, signal, sys
from pathlib import Path
from gemel.cli.endings import exit_code_of
from gemel.files.outputs import write_all

number = int(sys.argv[1])

def blocks():
    yield b"first half"
    os.kill(os.getpid(), number)
    yield b"second half"

try:
    write_all({Path("a.bin"): [b"new a"], Path("b.bin"): blocks()})
except BaseException as error:
    sys.exit(exit_code_of(error, []))
"""


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_told_to_stop_while_writing(folder: Path, number: signal.Signals) -> None:
    """Ctrl-C, SIGTERM and SIGHUP leave nothing behind, change nothing, and give 128 and their number."""
    done = subprocess.run(
        [sys.executable, "-c", STOPPING, str(int(number))],
        cwd=folder,
        env=environment(),
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 128 + number
    assert done.stderr == "stopped; no output was changed\n"
    assert contents(folder) == OLD


def test_a_signal_that_is_ignored_stays_ignored(folder: Path) -> None:
    """A run that was started to survive SIGHUP, as nohup does it, writes its outputs."""
    done = subprocess.run(
        ["nohup", sys.executable, "-c", STOPPING, str(int(signal.SIGHUP))],
        cwd=folder,
        env=environment(),
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert contents(folder)["b.bin"] == b"first halfsecond half"


def test_a_stop_that_comes_too_late_is_no_stop(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Between the renames nothing stops: both outputs are new; the handler is the one from before."""
    real = os.replace
    before = signal.getsignal(signal.SIGINT)

    def replace(source: str, target: str) -> None:
        signal.raise_signal(signal.SIGINT)
        real(source, target)

    monkeypatch.setattr(os, "replace", replace)
    write_all(in_folder(folder))
    assert contents(folder) == {"a.bin": b"new a", "b.bin": b"new b"}
    assert signal.getsignal(signal.SIGINT) is before

"""``gemel draft`` as a whole: from files to a layout that join and check take, and how it ends."""

from __future__ import annotations

from pathlib import Path

import pytest
from draft.cases import SOUND
from gauge_builds import BUILT
from small_device import sampler_elf, station_elf

from gemel.cli.main import exit_code
from gemel.image.intel_hex import encode
from gemel.image.sparse import SparseBytes
from gemel.layout.reader import read_layout

GIVEN = ("station=station.elf", "sampler=sampler.elf")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder with the in-place tide gauge's builds, gone to."""
    monkeypatch.chdir(tmp_path)
    for name in ("station", "sampler", "station-stale"):
        (tmp_path / f"{name}.elf").write_bytes((BUILT / "in-place" / f"{name}.elf").read_bytes())
    return tmp_path


def test_a_draft_on_stdout(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without -o the layout alone is on stdout, and what comes of it on stderr."""
    assert exit_code(["draft", *GIVEN]) == 0
    ended = capsys.readouterr()
    assert read_layout(ended.out.encode(), "draft.toml").layout.builds["station"].path == "station.elf"
    assert ended.err.startswith("the draft joins as it stands; the check of the image says:\nPASS: ")
    assert [path.name for path in folder.glob("*.toml")] == []


def test_a_draft_is_enough_to_join_and_check(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The draft names its builds, relative to itself: join needs nothing else, and the check passes."""
    (folder / "layouts").mkdir()
    assert exit_code(["draft", *GIVEN, "-o", "layouts/first.toml"]) == 0
    assert 'path = "../station.elf"' in Path("layouts/first.toml").read_text("utf-8")
    assert exit_code(["join", "layouts/first.toml", "-o", "tide.hex"]) == 0
    assert exit_code(["check", "layouts/first.toml", "tide.hex", *GIVEN]) == 0
    assert "wrote layouts/first.toml" in capsys.readouterr().err.replace("\\", "/")


def test_builds_that_do_not_fit_have_a_draft_too(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A draft that does not join is written all the same, the reason is told, and the exit code is 1."""
    assert exit_code(["draft", "station=station-stale.elf", GIVEN[1], "-o", "first.toml"]) == 1
    ended = capsys.readouterr()
    assert "the draft does not join as it stands:" in ended.err
    told = " ".join(ended.err.split())
    assert "the copy of build sampler inside build station is not the sampler handed in" in told
    assert read_layout(Path("first.toml").read_bytes(), "first.toml")


def test_a_broken_rule_is_told(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A build with an even handler has a draft that joins, with the finding and exit code 1."""
    Path("odd.elf").write_bytes(station_elf(words={4: 0x1000_00A2}))
    Path("small.elf").write_bytes(sampler_elf())
    assert exit_code(["draft", "station=odd.elf", "sampler=small.elf"]) == 1
    assert "BROKEN handlers-in-code" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ((), "issing argument"),
        (("station.elf",), "not a build"),
        (("station=",), "not a build"),
        (("a b=station.elf",), "no name for a build"),
        ((f"{'x' * 24}=station.elf",), "no name for a build"),
        ((GIVEN[0], GIVEN[0]), "a build is given twice"),
        (("station=nowhere.elf",), "cannot be read"),
        (("station=first.bin",), "a raw binary does not say where it belongs"),
        ((GIVEN[0], "-o", "station.elf"), "a draft never overwrites a file"),
        ((GIVEN[0], "-o", "nowhere/first.toml"), "folder is not there"),
    ],
)
def test_what_cannot_be_done(folder: Path, given: tuple[str, ...], words: str, capsys) -> None:
    """Wrong usage and unreadable builds end with 2, nothing on stdout, and no file made or changed."""
    Path("first.bin").write_bytes(b"\1\2\3\4")
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    assert exit_code(["draft", *given]) == 2
    ended = capsys.readouterr()
    assert ended.out == ""
    assert words in " ".join(ended.err.split())
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


def test_all_problems_at_once(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two builds that cannot be read are both told."""
    assert exit_code(["draft", "a=no-a.elf", "b=no-b.elf"]) == 2
    assert capsys.readouterr().err.count("error: the file cannot be read") == 2


def test_hex_files(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """HEX files have a draft by which they join; the draft says that much of it is guessed."""
    for name, each in SOUND["copied"]().items():
        image = SparseBytes()
        for segment in each.stored:
            image.write(segment.load_address, segment.data)
        Path(f"{name}.hex").write_bytes(b"".join(encode(image)))
    assert exit_code(["draft", "station=station.hex", "sampler=sampler.hex"]) == 0
    assert "station.hex is no ELF file" in capsys.readouterr().out


def test_two_drafts_are_the_same_bytes(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The same builds, given by another way, make the same draft but for their paths."""
    assert exit_code(["draft", *GIVEN]) == 0
    first = capsys.readouterr().out
    assert exit_code(["draft", *(text.replace("=", f"={folder}/") for text in GIVEN)]) == 0
    assert capsys.readouterr().out == first
    assert str(folder) not in first


def test_a_name_that_is_no_text_has_no_path(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A file whose name no layout can hold is drafted without its path."""
    try:
        Path("raw\udcff.elf").write_bytes(Path("station.elf").read_bytes())
    except OSError:
        pytest.skip("this file system takes no such name")
    assert exit_code(["draft", "station=raw\udcff.elf"]) == 0
    layout = read_layout(capsys.readouterr().out.encode(), "draft.toml").layout
    assert layout.builds["station"].path is None

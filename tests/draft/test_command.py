"""``gemel draft`` as a whole: from files to a layout that join and check take, and how it ends."""

from __future__ import annotations

import re
import uuid
from pathlib import Path

import pytest
from draft.cases import SOUND
from gauge_builds import BUILT
from runs import run
from small_device import sampler_elf, station_elf

import gemel
from gemel.cli.main import exit_code
from gemel.image.intel_hex import encode
from gemel.image.sparse import SparseBytes
from gemel.layout.reader import read_layout
from gemel.record.record import sound_records

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
    asked = ended.out.count("ask:") - ended.out.count('"ask:"')
    assert ended.err.startswith("the draft joins as it stands; the check of the image says:\n")
    assert "gemel check --all lists them" in " ".join(ended.err.split())  # draft has no --all
    step, verdict = ended.err.splitlines()[-2:]
    assert step == f"next: answer the draft's {asked} questions (ask:), then run: gemel check LAYOUT"
    assert verdict.startswith("PASS: ")
    assert [path.name for path in folder.glob("*.toml")] == []


def test_a_draft_is_enough_to_join_and_check(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The draft names its builds, relative to itself: join needs nothing else, and the check passes."""
    (folder / "layouts").mkdir()
    assert exit_code(["draft", *GIVEN, "-o", "layouts/first.toml"]) == 0
    assert 'path = "../station.elf"' in Path("layouts/first.toml").read_text("utf-8")
    assert exit_code(["join", "layouts/first.toml", "-o", "tide.hex", "--paths-outside"]) == 0
    assert exit_code(["check", "layouts/first.toml", "tide.hex", *GIVEN]) == 0
    said = capsys.readouterr().err.replace("\\", "/")
    written = said.partition("wrote layouts/first.toml\n")[2].splitlines()
    assert written[0].startswith("next: answer the draft's")
    assert written[2].startswith("PASS: ")
    assert "join it with --paths-outside" in said


def test_builds_that_do_not_fit_have_a_draft_too(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A draft that does not join is written all the same, the reason is told, and the exit code is 1."""
    assert exit_code(["draft", "station=station-stale.elf", GIVEN[1], "-o", "first.toml"]) == 1
    ended = capsys.readouterr()
    assert "the draft does not join as it stands:" in ended.err
    assert ended.err.endswith("\nFAIL: the draft does not join as it stands.\n")
    told = " ".join(ended.err.split())
    assert "the copy of build sampler inside build station is not the sampler given" in told
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
        (("station.elf",), "name the builds: station=station.elf"),
        (("station.elf", "sampler.elf"), "not a build"),
        (("station=",), "not a build"),
        (("a b=station.elf",), "not a name for a build"),
        ((f"{'x' * 24}=station.elf",), "not a name for a build"),
        ((GIVEN[0], GIVEN[0]), "a build is given twice"),
        (("station=nowhere.elf",), "cannot be read"),
        (("station=first.bin",), "a raw binary does not say where it belongs"),
        ((GIVEN[0], "-o", "sampler.elf"), "a draft does not overwrite a file"),
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


def test_force_overwrites_the_draft_and_no_build(folder: Path) -> None:
    """--force writes over an older draft; a build that is read is never written over."""
    Path("first.toml").write_text("old")
    assert exit_code(["draft", *GIVEN, "-o", "first.toml"]) == 2
    assert Path("first.toml").read_text() == "old"
    assert exit_code(["draft", *GIVEN, "-o", "first.toml", "--force"]) == 0
    assert read_layout(Path("first.toml").read_bytes(), "first.toml")
    before = Path("station.elf").read_bytes()
    assert exit_code(["draft", *GIVEN, "-o", "station.elf", "--force"]) == 2
    assert Path("station.elf").read_bytes() == before


def _image(folder: Path) -> None:
    assert exit_code(["draft", *GIVEN, "-o", "first.toml"]) == 0
    text = Path("first.toml").read_text().replace('version = "0.1.0"', 'version = "3.2.1"')
    Path("first.toml").write_text(text.replace('product = "station-sampler"', 'product = "buoy"'))
    assert exit_code(["join", "first.toml", "-o", "tide.hex"]) == 0


def test_an_image_with_its_record(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The record gives product, version, builds, roles and places; the draft joins with the image's bytes."""
    _image(folder)
    capsys.readouterr()
    assert exit_code(["draft", "tide.hex"]) == 0
    ended = capsys.readouterr()
    layout = read_layout(ended.out.encode(), "draft.toml").layout
    first = read_layout(Path("first.toml").read_bytes(), "first.toml").layout
    assert (layout.product, layout.version) == ("buoy", "3.2.1")
    assert layout.cores["station"].role == "primary"
    assert layout.span_of("record").start == first.span_of("record").start
    for name in ("station", "sampler"):
        area = layout.span_of(layout.builds[name].stored_in)
        assert area.start == first.span_of(first.builds[name].stored_in).start
    assert "the draft joins as it stands" in ended.err


def _identity(file: str) -> tuple[uuid.UUID | None, uuid.UUID | None]:
    """Vendor and class that an image's record has."""
    ((_, record),) = sound_records(gemel.read_image(file).data)
    return record.vendor_id, record.class_id


def test_whose_product_it_is(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Vendor and class are those of the image's record; where it has a vendor alone, no class is asked for."""
    _image(folder)
    text = Path("first.toml").read_text()
    for keys in ('vendor = "harbour.example"\nclass = "buoy"\n', 'vendor = "harbour.example"\n'):
        named = re.sub(r"(?m)^(# )?(vendor|class) = .*\n(#   .*\n)*", "", text)
        Path("named.toml").write_text(re.sub(r"(?m)^(\[record\].*\n)", rf"\1{keys}", named))
        assert exit_code(["join", "named.toml", "-o", "named.hex"]) == 0
        capsys.readouterr()
        assert exit_code(["draft", "named.hex", *GIVEN]) == 0
        out = capsys.readouterr().out
        Path("again.toml").write_text(out)
        assert (
            exit_code(["join", "again.toml", "station=station.elf", "sampler=sampler.elf", "-o", "again.hex"])
            == 0
        )
        assert _identity("again.hex") == _identity("named.hex") != (None, None)
        assert "for which class of device" not in out


def test_an_image_without_a_build_of_its_record(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A cut image is refused with the build that it holds nothing of."""
    _image(folder)
    layout = gemel.load_layout("first.toml")
    image = gemel.read_image("tide.hex", layout=layout)
    cut = image.data.copy()
    cut.erase(layout.layout.span_of(layout.layout.builds["sampler"].stored_in))
    gemel.write_images(gemel.Image(cut, image.entry, (), "cut.hex"), "cut.hex", layout=layout)
    capsys.readouterr()
    assert exit_code(["draft", "cut.hex"]) == 2
    assert "the image holds nothing of build sampler" in capsys.readouterr().err


def test_a_sealed_image(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The seal's area is where the image has its seal, and the next free place is no other's."""
    _image(folder)
    text = Path("first.toml").read_text()
    layout = read_layout(text.encode(), "first.toml").layout
    record, seal, free = (layout.span_of(name) for name in ("record", "seal", "checksums"))
    moved = text.replace(f'offset = "{(seal.start - 0x1000_0000) >> 10} KiB"', 'offset = "128 KiB"')
    Path("moved.toml").write_text(moved.replace('size = "64 KiB"', 'size = "256 KiB"'))
    assert exit_code(["join", "moved.toml", "-o", "moved.hex"]) == 0
    keys = ["-o", "key.pem", "--public", "public.pem", "--no-pass-phrase"]
    assert exit_code(["keys", "new", "Ed25519", *keys]) == 0
    assert exit_code(["sign", "moved.toml", "moved.hex", "--key", "key.pem", "-o", "sealed.hex"]) == 0
    capsys.readouterr()
    assert exit_code(["draft", "sealed.hex", *GIVEN, "-o", "again.toml"]) == 0
    drafted = read_layout(Path("again.toml").read_bytes(), "again.toml").layout
    assert drafted.span_of("record").start == record.start
    assert drafted.span_of("seal").start == 0x1002_0000 != seal.start
    assert drafted.span_of("checksums").start >= drafted.span_of("seal").end
    assert "guessed from: the seal of the image" in Path("again.toml").read_text()
    assert free.start < drafted.span_of("checksums").start


def test_an_image_on_standard_input(folder: Path) -> None:
    """It is called so, and what is said of a file that is no ELF file is said once for both builds."""
    _image(folder)
    done = run(
        "draft", "-", "--as", "hex", "-o", "again.toml", cwd=folder, stdin=Path("tide.hex").read_bytes()
    )
    assert done.returncode == 0
    out = " ".join(line.removeprefix("# ") for line in Path("again.toml").read_text().splitlines())
    assert out.count("standard input is no ELF file") == 1
    assert "much about station and sampler is guessed from vector tables alone" in out


def test_an_image_and_a_build(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A build that is given counts instead of the image's bytes: its attributes and RAM are known."""
    _image(folder)
    capsys.readouterr()
    assert exit_code(["draft", "tide.hex", GIVEN[0]]) == 0
    out = capsys.readouterr().out
    assert "the build attributes of station.elf" in out
    assert "tide.hex is no ELF file" in out


@pytest.mark.parametrize("given", [("plain.hex",), ("plain.hex", "tide.hex"), ("tide.bin",)])
def test_images_that_say_too_little(folder: Path, given: tuple[str, ...], capsys) -> None:
    """An image without a record, two images, or a raw binary without its place are refused in words."""
    _image(folder)
    image = SparseBytes()
    image.write(0x1000_0000, bytes(64))
    Path("plain.hex").write_bytes(b"".join(encode(image)))
    assert exit_code(["join", "first.toml", "-o", "tide.bin"]) == 0
    capsys.readouterr()
    assert exit_code(["draft", *given]) == 2
    assert capsys.readouterr().out == ""
    if given == ("tide.bin",):
        assert exit_code(["draft", *given, "--at", "0x1000_0000"]) == 0


def test_link_maps(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The memory table of a map gives the areas; a map without one is refused with what to give instead."""
    table = "Memory Configuration\n\nName  Origin  Length  Attributes\n"
    rows = "ROM 0x10000000 0x00006000 xr\nDATA_RAM 0x38000000 0x00008000 xrw\n*default* 0x0 0xffffffff\n"
    Path("station.map").write_text(f"{table}{rows}\nLinker script and memory map\n")
    assert exit_code(["draft", *GIVEN, "--map", "station=station.map"]) == 0
    layout = read_layout(capsys.readouterr().out.encode(), "draft.toml").layout
    assert layout.areas["station-code"].size == 0x6000
    Path("used.txt").write_text(
        "Memory region         Used Size  Region Size  %age Used\n"
        "             ROM:        2720 B        16 KB     16.60%\n"
    )
    assert exit_code(["draft", *GIVEN, "--map", "station=used.txt"]) == 0
    layout = read_layout(capsys.readouterr().out.encode(), "draft.toml").layout
    assert layout.areas["station-code"].size == 0x4000
    Path("lld.map").write_text("     VMA      LMA     Size Align Out     In      Symbol\n")
    for given, words in (("lld.map", "--print-memory-usage"), ("other=station.map", "unknown build")):
        assert exit_code(["draft", *GIVEN, "--map", given]) == 2
        assert words in " ".join(capsys.readouterr().err.split())


def test_no_word_of_the_demo(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing of the built-in example is in a draft of other builds."""
    assert exit_code(["draft", "one=station.elf", "two=sampler.elf"]) == 0
    out = capsys.readouterr().out.lower()
    out = out.replace("station.elf", "").replace("sampler.elf", "").replace("sampler_start_address", "")
    for word in ("harbour", "tide", "gauge", "station", "sampler"):
        assert word not in out


def test_findings_are_not_called_a_draft_that_joins(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Where a rule is broken the first line says so."""
    Path("odd.elf").write_bytes(station_elf(words={4: 0x1000_00A2}))
    Path("small.elf").write_bytes(sampler_elf())
    assert exit_code(["draft", "station=odd.elf", "sampler=small.elf"]) == 1
    err = capsys.readouterr().err
    assert "the builds join by the draft, but the image is not sound:" in err
    assert "joins as it stands" not in err

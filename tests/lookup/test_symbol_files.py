"""Symbols by build id, from folders laid out as debuggers look for them."""

from __future__ import annotations

import shutil
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from in_process import run_here as run
from small_device import layout
from tide_gauge import BUILT, layout_file

import gemel
from gemel.audit.index import Index
from gemel.audit.result import AuditedBuild, ImageResult
from gemel.errors import UsageProblem
from gemel.image.image import Image
from gemel.image.sparse import SparseBytes
from gemel.lookup.as_text import text_of
from gemel.workflows.inputs.symbol_files import builds_by_id, builds_of_image, ids_of_version, refuse_symbols
from gemel.workflows.looking_up import answers_of, lookup_of

ADDRESS = "0x1000_8300"


def ids() -> dict[str, str]:
    """The build ids of the tide gauge's builds."""
    files = {name: BUILT / "in-place" / f"{name}.elf" for name in ("station", "sampler")}
    return {name: each.build_id.hex() for name, each in gemel.load_builds(None, files).items()}


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """The files of both builds by build id: the sampler's with debug information alone, as GNU objcopy makes it."""
    made = tmp_path_factory.mktemp("symbols")
    for name, build_id in ids().items():
        place = made / ".build-id" / build_id[:2]
        place.mkdir(parents=True)
        source = BUILT / "in-place" / f"{name}.elf"
        if name == "sampler" and shutil.which("arm-none-eabi-objcopy"):
            target = place / f"{build_id[2:]}.debug"
            words = ["arm-none-eabi-objcopy", "--only-keep-debug", str(source), str(target)]
            subprocess.run(words, check=True, capture_output=True)
        else:
            shutil.copy(source, place / build_id[2:])
    return made


def answered(builds, read=None) -> str:
    """What is at the address."""
    [answer] = answers_of(lookup_of(read, builds), [ADDRESS])
    return " ".join(text_of(answer, 80))


def test_a_build_id_gives_the_symbols(folder):
    """Whole or its first digits, upper case too, with or without a layout, from .build-id or the folder around it."""
    whole = ids()["sampler"]
    read = gemel.load_layout(layout_file("in-place"))
    for text in (whole, whole[:8], whole.upper(), f"0x{whole}", f"old={whole}"):
        for place in (folder, folder / ".build-id"):
            assert "run_sampler + 96, main.c:24" in answered(builds_by_id([text], [place], None))
    for text in (whole[:6], f"sampler={whole}"):
        builds = builds_by_id([text], [Path("nowhere"), folder], read)
        assert list(builds) == ["sampler"]
        assert "build sampler: run_sampler + 96" in answered(builds, read)


def test_an_image_names_its_builds(folder):
    """The build ids in its record lead to both files; one that is missing is a remark."""
    read = gemel.load_layout(layout_file("in-place"))
    files = {name: BUILT / "in-place" / f"{name}.elf" for name in ("station", "sampler")}
    image = gemel.join(read, gemel.load_builds(read, files)).image
    builds, remarks = builds_of_image(image, [folder], read)
    assert (sorted(builds), remarks) == (["sampler", "station"], [])
    builds, remarks = builds_of_image(image, [Path("nowhere")], read)
    assert builds == {}
    assert [each.what for each in remarks] == [
        f"build {name}: no file of this build id" for name in ("station", "sampler")
    ]


def test_what_cannot_be_found_is_reported_at_once(folder, tmp_path):
    """No hexadecimal digits, too few, a path, no file, files of another id, of no build, two that begin alike."""
    whole = ids()["station"]
    wrong = tmp_path / "12"
    wrong.mkdir()
    shutil.copy(BUILT / "in-place" / "station.elf", wrong / "345678.debug")
    (wrong / "aaaa.debug").write_text("no ELF file")
    (wrong / "bb01.debug").touch()
    (wrong / "bb02.debug").touch()
    texts = ["xyzt", "12", "../../etc", whole[::-1], "12345678", "12aaaa", "12bb", ""]
    with pytest.raises(UsageProblem) as raised:
        builds_by_id(texts, [tmp_path, folder], None)
    assert [each.what for each in raised.value.problems] == [
        "not a build id",
        "not a build id",
        "not a build id",
        "no file of this build id",
        "the file is not of the build id that it is filed by",
        "the kind of build cannot be recognised",
        "several build ids begin so",
        "not a build id",
    ]


def test_a_build_of_no_area_of_the_layout_must_be_named(folder):
    """The sampler's bytes are in no area of another device's layout, so that the name has to be given."""
    read, build_id = layout(), ids()["sampler"]
    with pytest.raises(UsageProblem) as raised:
        builds_by_id([build_id], [folder], read)
    assert raised.value.problems[0].next_step == "write NAME=ID"
    assert list(builds_by_id([f"sampler={build_id}"], [folder], read)) == ["sampler"]


def test_what_asks_for_nothing_is_refused(folder):
    """A build id without a folder, a folder without a build id or image; an image without a record is a remark."""
    for folders, asked, has_image in (([], ["1234"], False), ([], ["1234"], True), ([folder], [], False)):
        with pytest.raises(UsageProblem):
            refuse_symbols(folders, asked, has_image)
    refuse_symbols([folder], [], True)
    refuse_symbols([folder], ["1234"], False)
    builds, remarks = builds_of_image(Image(SparseBytes()), [folder], layout())
    assert (builds, len(remarks)) == ({}, 1)


@pytest.fixture
def index(tmp_path) -> Path:
    """An index of two versions of the tide gauge, the second of them twice, and of another product."""
    known = {
        ("a", "tide-gauge", "1.4.2"): ids(),
        ("b", "tide-gauge", "1.5.0"): {"station": ids()["station"], "sampler": "11" * 20},
        ("c", "tide-gauge", "1.5.0"): {"station": "22" * 20},
        ("d", "other", "1.4.2"): {"station": "33" * 20},
        ("e", "tide-gauge", "1.0.0"): {"station": None},
    }
    with closing(Index(tmp_path / "i.sqlite")) as opened:
        for (path, product, version), builds in known.items():
            found = tuple(AuditedBuild(*each) for each in builds.items())
            result = ImageResult(path=path, status="passes", product=product, version=version, builds=found)
            opened.put(result, "", "")
    return tmp_path / "i.sqlite"


def test_a_version_of_an_index_gives_the_symbols(folder, index, tmp_path):
    """`where LAYOUT --version X.Y.Z --index FILE --symbols FOLDER ADDRESS`: by the layout's product."""
    read = gemel.load_layout(layout_file("in-place"))
    assert ids_of_version(index, "1.4.2", read) == sorted(f"{name}={each}" for name, each in ids().items())
    words = ["where", str(layout_file("in-place")), "--version", "1.4.2", "--index", str(index)]
    done = run(*words, "--symbols", str(folder), ADDRESS, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "run_sampler + 96" in done.stdout
    assert "build id needs a folder to look in" in run(*words, ADDRESS, cwd=tmp_path).stderr


@pytest.mark.parametrize(
    ("version", "what"),
    [
        ("1.5.0", "several builds"),
        ("9.9.9", "no build ids"),
        ("1.0.0", "no build ids"),
        (None, "needs an index"),
    ],
)
def test_a_version_that_leads_to_no_build_is_refused(index, version, what):
    """Two images of one version, a version that is not there, one without build ids, an index without a version."""
    read = gemel.load_layout(layout_file("in-place"))
    with pytest.raises(UsageProblem, match=what):
        ids_of_version(index, version, read)
    if version:
        with pytest.raises(UsageProblem, match="needs an index"):
            ids_of_version(None, version, read)
    else:
        assert ids_of_version(None, None, read) == []


def test_command(folder, tmp_path):
    """`where --symbols FOLDER --build-id ID ADDRESS`."""
    words = ["-m", "gemel", "where", "--symbols", str(folder), "--build-id", ids()["sampler"][:8], ADDRESS]
    done = subprocess.run([sys.executable, *words], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert "run_sampler + 96" in done.stdout


def test_debug_information_alone_names_addresses_and_is_no_build(folder):
    """Looked up it counts, by its file too; a check of an image refuses it."""
    file = next(folder.glob("**/*.debug"), None)
    if file is None:
        pytest.skip("arm-none-eabi-objcopy is missing")
    words = (str(layout_file("in-place")), f"sampler={file}")
    assert "run_sampler" in run("where", *words, "run_sampler", cwd=folder).stdout
    refused = run("join", *words, f"station={BUILT / 'in-place' / 'station.elf'}", "-o", "x.hex", cwd=folder)
    assert refused.returncode == 2
    assert "debug information only" in refused.stderr

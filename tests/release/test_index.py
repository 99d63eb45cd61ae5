"""The index of what was released: which version a build id, a digest, a half image or a device's blocks are of."""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from types import SimpleNamespace

import pytest
from dumps import EDITS, NEW, OLD, SETTINGS, SIZE
from releases import Keys, request
from seal_keys import key_for
from small_device import FLASH, SAMPLER, STATION, layout_text, sampler_elf, station_elf

import gemel
from gemel.audit.index import Index
from gemel.audit.terms import term_in
from gemel.errors import OutputError, UsageProblem
from gemel.workflows.reading_back import check_dump, indexed_versions, read_dump
from gemel.workflows.releasing.index import images_with, refuse_index, write_release
from gemel.workflows.releasing.release import Released, make_release

LONG = bytes(range(1, 250)) * 12
SHORT = b"\xfe\xe7" + LONG[::-1][:1098]
SEALED = '\n[seal]\narea = "seal"\n'
KEYS = Keys(key_for("Ed25519"))


def device(folder: Path, number: str, code: bytes) -> Path:
    """The device's layout and builds of a version; ids differ with the code."""
    folder.mkdir()
    text = layout_text({**EDITS, 'version = "1.2.3"': f'version = "{number}"'}, SEALED)
    (folder / "small.toml").write_text(text)
    ids = {"build_id": hashlib.sha1(code).digest()}
    (folder / "station.elf").write_bytes(station_elf(code=code, **ids))
    (folder / "sampler.elf").write_bytes(sampler_elf(code=code, **ids))
    return folder


class Shipped:
    """Two versions in an index, their folders removed, as those of a build machine are."""

    def __init__(self, folder: Path) -> None:
        self.index = folder / "shipped.sqlite"
        self.made: dict[str, Released] = {}
        self.flash: dict[str, bytes] = {}
        for number, code in ((OLD, LONG), (NEW, SHORT)):
            source = device(folder / number, number, code)
            made = make_release(request(source, formats=["hex", "srec"]), KEYS)
            assert made.files, made.check.to_text()
            assert write_release(folder / "out", made, self.index) == []
            shutil.rmtree(folder / "out")
            self.made[number] = made
            self.flash[number] = made.files[f"small-device-{number}-flash.bin"]
        self.layout = gemel.load_layout(folder / NEW / "small.toml")


@pytest.fixture(scope="module")
def shipped(tmp_path_factory) -> Shipped:
    """Two versions that were shipped."""
    return Shipped(tmp_path_factory.mktemp("shipped"))


def found(index: Path, *texts: str) -> list[str | None]:
    """The versions that fit."""
    with closing(Index(index, write=False)) as opened:
        return [each.version for each in opened.find([term_in(text) for text in texts])]


def test_a_version_is_found_by_all_that_it_is_known_by(shipped):
    """Build id, digest of every image file, content digest, layout digest, signer, version, product."""
    for number, made in shipped.made.items():
        contents = json.loads(made.files["release.json"])
        build_id = contents["builds"][0]["build_id"]
        assert found(shipped.index, f"build-id={build_id[:8]}") == [number]
        for image in contents["images"]:
            digest = hashlib.sha256(made.files[image["file"]]).hexdigest()
            assert found(shipped.index, f"digest={digest}") == [number]
        assert found(shipped.index, f"layout={contents['layout_sha256']}", f"version={number}") == [number]
    key = key_for("Ed25519").public_key.fingerprint.hex()
    assert set(found(shipped.index, f"key={key}", "product=small-device")) == {OLD, NEW}
    assert found(shipped.index, "build-id=0123456789") == []


def with_blocks(shipped: Shipped, tmp_path: Path, data: bytes, name: str = "part.bin", at: int | None = None):
    """The versions that a file has blocks of, with how many."""
    (tmp_path / name).write_bytes(data)
    with closing(Index(shipped.index, write=False)) as opened:
        return [(each.version, each.blocks_found) for each in images_with(opened, tmp_path / name, at)]


@pytest.mark.parametrize("number", [OLD, NEW])
def test_which_version_a_half_image_is(shipped, tmp_path, number):
    """Lower half, upper half, a whole flash with settings, a HEX file, a cut that needs --at; noise is none."""
    flash = shipped.flash[number]
    half = SAMPLER - FLASH
    for data in (flash[:half], flash[half : 2 * half]):
        [(version, blocks)] = with_blocks(shipped, tmp_path, data)
        count, total = (int(word) for word in blocks.replace(" blocks", "").split(" of "))
        assert (version, count) == (number, total)
    settings = SETTINGS - FLASH
    whole = flash[:settings] + b"level" * 300 + flash[settings + 1500 :]
    assert [each for each, _ in with_blocks(shipped, tmp_path, whole)] == [number]
    image = shipped.made[number].files[f"small-device-{number}.hex"]
    assert [each for each, _ in with_blocks(shipped, tmp_path, image, "part.hex")] == [number]
    cut = flash[0x100:half]
    assert with_blocks(shipped, tmp_path, cut) == []
    assert [each for each, _ in with_blocks(shipped, tmp_path, cut, at=FLASH + 0x100)] == [number]
    assert with_blocks(shipped, tmp_path, b"\xff" * SIZE) == []
    assert with_blocks(shipped, tmp_path, bytes(range(256)) * 64) == []


def on_device(shipped: Shipped, tmp_path: Path, data: bytes):
    """The check of a dump with the index alone: no image file is there any more."""
    (tmp_path / "dump.bin").write_bytes(data)
    known, remarks = indexed_versions(shipped.index, shipped.layout)
    assert {each.version for each in known} == {OLD, NEW}
    assert remarks == []
    dump = read_dump([tmp_path / "dump.bin"], shipped.layout)
    result = check_dump(shipped.layout, dump, known=known, disassemble=False)
    return next(each for each in result.results if each.rule.name == "device-holds-one-version"), result


def test_a_device_of_either_version_is_clean(shipped, tmp_path):
    """Sealed, with settings, and the new version shorter than the old one: nothing is of another version."""
    for number in (OLD, NEW):
        data = bytearray(shipped.flash[number])
        data[SETTINGS - FLASH : SETTINGS - FLASH + 5] = b"level"
        rule, _ = on_device(shipped, tmp_path, bytes(data))
        assert rule.status == "holds", rule


@pytest.mark.parametrize("boundary", [STATION + 0x400, SAMPLER, SAMPLER + 0x400])
def test_a_half_done_update_is_named_by_the_index(shipped, tmp_path, boundary):
    """The lower part is new, the upper one is of the old version: both named, with the block between."""
    cut = boundary - FLASH
    rule, result = on_device(shipped, tmp_path, shipped.flash[NEW][:cut] + shipped.flash[OLD][cut:])
    assert rule.status == "broken"
    text = " ".join(result.to_text().split())
    assert f"an update to {NEW} stopped half way" in text
    assert f"{OLD}" in text


def test_remains_behind_a_shorter_version_are_named(shipped, tmp_path):
    """The new version ends earlier: what the old one had there and nobody erased is of the old one."""
    end = STATION - FLASH + 0x800
    assert set(shipped.flash[NEW][end : end + 0x400]) == {0xFF}
    data = bytearray(shipped.flash[NEW])
    data[end : end + 0x400] = shipped.flash[OLD][end : end + 0x400]
    rule, result = on_device(shipped, tmp_path, bytes(data))
    assert rule.status == "broken"
    assert f"0x1000_0800..0x1000_0BFF {OLD}" in " ".join(result.to_text().split())


def test_without_an_index_a_shorter_version_is_clean_beside_a_longer(shipped, tmp_path):
    """--previous with the longer old image: erased blocks behind the new one are the new one's."""
    from gemel.workflows.reading_back import known_version

    (tmp_path / "old.hex").write_bytes(shipped.made[OLD].files[f"small-device-{OLD}.hex"])
    (tmp_path / "dump.bin").write_bytes(shipped.flash[NEW])
    old = known_version(gemel.read_image(tmp_path / "old.hex", layout=shipped.layout), shipped.layout)
    dump = read_dump([tmp_path / "dump.bin"], shipped.layout)
    result = check_dump(shipped.layout, dump, known=[old], disassemble=False)
    rule = next(each for each in result.results if each.rule.name == "device-holds-one-version")
    assert rule.status == "holds"


def released_again(tmp_path: Path, shipped: Shipped, index: Path, number: str = OLD) -> list:
    """That version once more into an index; the remarks."""
    return write_release(tmp_path / "again", shipped.made[number], index)


def test_the_same_again_is_one_entry_and_another_content_a_remark(shipped, tmp_path):
    """The same bytes released twice are one; another image of the same version is said, and both are kept."""
    index = tmp_path / "i.sqlite"
    assert released_again(tmp_path, shipped, index) == []
    assert write_release(tmp_path / "twice", shipped.made[OLD], index) == []
    assert found(index, f"version={OLD}") == [OLD]
    other = make_release(request(device(tmp_path / "other", OLD, SHORT)), KEYS)
    remarks = write_release(tmp_path / "third", other, index)
    assert [each.what for each in remarks] == ["the index has another image of this version"]
    assert found(index, f"version={OLD}") == [OLD, OLD]


def test_an_audit_and_a_release_share_an_index(shipped, tmp_path):
    """An audit of the folder's image leaves what the release put there."""
    from audited import OPTIONS

    from gemel.workflows.auditing.many_images import audit
    from gemel.workflows.auditing.plan import plan_for_layout

    index = tmp_path / "i.sqlite"
    released_again(tmp_path, shipped, index)
    plan = plan_for_layout(tmp_path / "again" / "small.toml", OPTIONS)
    image = tmp_path / "again" / f"small-device-{OLD}.hex"
    with closing(Index(index)) as opened:
        [result] = audit([str(image)], plan, opened, jobs=1)
    assert (result.status, result.duplicate_of) == ("passes", None)
    with closing(Index(index, write=False)) as opened:
        assert opened.blocks_of(result.content_sha256 or "")
    assert found(index, f"version={OLD}") == [OLD, OLD]


def test_blocks_of_audited_images_are_kept_where_they_are_asked_for(shipped, tmp_path):
    """Of an archive that was never released by gemel: halves and devices are known when its files are gone."""
    from audited import OPTIONS

    from gemel.structs import replace
    from gemel.workflows.auditing.many_images import audit
    from gemel.workflows.auditing.plan import plan_for_folder

    images = []
    for number, made in shipped.made.items():
        (tmp_path / f"{number}.toml").write_bytes(made.files["small.toml"])
        (tmp_path / f"{number}.hex").write_bytes(made.files[f"small-device-{number}.hex"])
        images.append(str(tmp_path / f"{number}.hex"))
    broken = bytearray(shipped.flash[OLD])
    broken[STATION - FLASH + 0x90] ^= 1
    (tmp_path / "broken.bin").write_bytes(broken)
    (tmp_path / "keys.pem").write_bytes(KEYS.open()[0].public_key.to_pem())
    index = tmp_path / "audited.sqlite"

    def audit_of(**options: bool) -> list[str]:
        plan = plan_for_folder(tmp_path, replace(OPTIONS, trust=(str(tmp_path / "keys.pem"),), **options))
        with closing(Index(index)) as opened:
            results = audit([*images, str(tmp_path / "broken.bin")], plan, opened, jobs=1)
            return [f"{each.status} again" if each.unchanged else each.status for each in results]

    assert audit_of() == ["passes", "passes", "broken"]
    archive = SimpleNamespace(index=index, layout=shipped.layout)
    with pytest.raises(UsageProblem, match="no blocks"):
        with_blocks(archive, tmp_path, shipped.flash[OLD])
    assert audit_of(blocks=True) == ["passes", "passes", "broken"]
    assert audit_of(blocks=True) == ["passes again", "passes again", "broken again"]
    for path in (*images, tmp_path / "broken.bin"):
        Path(path).unlink()
    for number in (OLD, NEW):
        assert [
            each for each, _ in with_blocks(archive, tmp_path, shipped.flash[number][: SAMPLER - FLASH])
        ] == [number]
    with closing(Index(index, write=False)) as opened:
        broken_content = next(
            each.content_sha256 for each in opened.find([term_in("finding=record-digests-match")])
        )
        assert opened.blocks_of(broken_content or "") == []
    data = shipped.flash[NEW][: SAMPLER - FLASH] + shipped.flash[OLD][SAMPLER - FLASH :]
    (tmp_path / "dump.bin").write_bytes(data)
    known, _ = indexed_versions(index, shipped.layout)
    assert {each.version for each in known if each.blocks} == {OLD, NEW}


def _garbage(path: Path) -> None:
    path.write_bytes(b"no database" * 100)


def _truncated(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:5000])


def _other_schema(path: Path) -> None:
    path.unlink()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE images (a)")


def _trigger(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TRIGGER t AFTER INSERT ON images BEGIN DELETE FROM images; END")


def _odd_rows(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE images SET result = '{}'")
        connection.execute("UPDATE blocks SET size = -1")


HOSTILE = {
    "no SQLite": _garbage,
    "a folder": lambda path: path.unlink() or path.mkdir(),
    "cut off": _truncated,
    "another schema": _other_schema,
    "a trigger": _trigger,
}


@pytest.mark.parametrize("name", HOSTILE)
def test_what_is_no_index_is_refused_before_anything_is_made(shipped, tmp_path, name):
    """By release, by --find and by --from-device, with what was found."""
    index = tmp_path / "i.sqlite"
    released_again(tmp_path, shipped, index)
    HOSTILE[name](index)
    for use in (
        lambda: refuse_index(index, tmp_path / "out"),
        lambda: indexed_versions(index, shipped.layout),
        lambda: found(index, f"version={OLD}"),
    ):
        with pytest.raises((UsageProblem, OutputError)) as raised:
            use()
        assert str(index) in raised.value.problems[0].where


def test_rows_that_make_no_sense_are_refused(shipped, tmp_path):
    """Values of other types and sizes end with what is wrong, not with a fault."""
    index = tmp_path / "i.sqlite"
    released_again(tmp_path, shipped, index)
    _odd_rows(index)
    with pytest.raises(UsageProblem, match="no result"):
        indexed_versions(index, shipped.layout)
    (tmp_path / "x.bin").write_bytes(shipped.flash[OLD])
    with closing(Index(index, write=False)) as opened:
        with pytest.raises(UsageProblem, match="no blocks"):
            list(images_with(opened, tmp_path / "x.bin", None))
        with pytest.raises(UsageProblem, match="a block that is none"):
            opened.blocks_of(opened._one("SELECT content FROM blocks")[0])


def test_a_version_that_is_none_is_text(shipped, tmp_path):
    """An index can say anything: a version without order is compared and printed as it is."""
    index = tmp_path / "i.sqlite"
    released_again(tmp_path, shipped, index)
    with closing(sqlite3.connect(index)) as connection, connection:
        connection.execute("UPDATE images SET result = replace(result, '\"1.2.3\"', '\"1.x\\u00b2\"')")
    known, _ = indexed_versions(index, shipped.layout)
    assert [each.version for each in known] == ["1.x\xb2"]
    new, old = shipped.flash[NEW], shipped.flash[OLD]
    (tmp_path / "dump.bin").write_bytes(new[:0x1000] + old[0x1000:0x2000] + new[0x2000:])
    dump = read_dump([tmp_path / "dump.bin"], shipped.layout)
    result = check_dump(shipped.layout, dump, known=known, disassemble=False)
    assert "1.x\xb2" in result.to_text()


def test_a_locked_index_and_a_folder_that_cannot_be_written_leave_both_as_they_were(shipped, tmp_path):
    """While another run writes the index nothing is made; where the folder fails the index has nothing new."""
    index = tmp_path / "i.sqlite"
    with closing(Index(index)), pytest.raises(OutputError, match="another run"):
        released_again(tmp_path, shipped, index)
    assert not (tmp_path / "again").exists()
    (tmp_path / "again").write_text("in the way")
    with pytest.raises(UsageProblem):
        released_again(tmp_path, shipped, index)
    assert found(index, f"version={OLD}") == []
    with pytest.raises(UsageProblem):
        released_again(tmp_path, shipped, tmp_path / "new.sqlite")
    assert not (tmp_path / "new.sqlite").exists()


def test_an_index_inside_of_the_release_is_refused(tmp_path):
    """The folder holds what is shipped and nothing else."""
    with pytest.raises(UsageProblem, match="inside of the release"):
        refuse_index(tmp_path / "out" / "i.sqlite", tmp_path / "out")

"""``gemel split``: the parts of an image, and that joining them gives the image again."""

from __future__ import annotations

import contextlib
import re
import tomllib

import capability_builds
import kernel_products
import pytest
import ram_and_start
import verdict_builds
from hypothesis import given, settings
from hypothesis import strategies as st
from intelhex import IntelHex
from seconds import within
from tide_gauge import ARRANGEMENTS, BUILT, layout_file

import gemel
from gemel.cli.main import exit_code
from gemel.errors import BuildError, GemelError
from gemel.inspection.inspection import Inspection
from gemel.structs import replace
from gemel.workflows.inputs.layouts import layout_from
from gemel.workflows.splitting import split


def image_of(arrangement: str):
    read = gemel.load_layout(layout_file(arrangement))
    files = {name: BUILT / arrangement / f"{name}.elf" for name in ("station", "sampler")}
    return read, gemel.join(read, gemel.load_builds(read, files)).image


def written(parts, folder):
    for name, data in parts.files.items():
        (folder / name).write_bytes(data)


@pytest.mark.parametrize("suffix", ["hex", "bin"])
@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_joining_the_parts_gives_the_image_again(arrangement, suffix, tmp_path):
    """Bytes, start address and record are the same, from HEX and from binary parts alike."""
    read, image = image_of(arrangement)
    parts = split(read, image)
    written(parts, tmp_path)
    files = {name: tmp_path / f"{name}.{suffix}" for name in read.layout.builds}
    again = gemel.join(read, gemel.load_builds(read, files)).image
    assert list(again.data.pieces()) == list(image.data.pieces())
    assert again.entry == image.entry


def test_a_part_has_a_largest_size(monkeypatch):
    """A build of the most bytes, those between its bytes counted, is written; one more, and none is."""
    read, image = image_of("in-place")
    largest = max(each.stored.size for each in Inspection(read, image.data, {}).placed.values())
    monkeypatch.setattr("gemel.workflows.splitting.MAX_PART", largest)
    assert split(read, image).files
    monkeypatch.setattr("gemel.workflows.splitting.MAX_PART", largest - 1)
    with pytest.raises(GemelError, match="too large for a part"):
        split(read, image)


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_one_part_joins_with_the_other_teams_build(arrangement, tmp_path):
    """The station's part and the sampler's ELF file give the image, and the other way round."""
    read, image = image_of(arrangement)
    written(split(read, image), tmp_path)
    for name, other in (("station", "sampler"), ("sampler", "station")):
        files = {name: tmp_path / f"{name}.hex", other: BUILT / arrangement / f"{other}.elf"}
        again = gemel.join(read, gemel.load_builds(read, files)).image
        assert again.data == image.data


def test_parts_are_the_stored_bytes(tmp_path):
    """HEX (read by intelhex) and binary hold the bytes of the record's stored span, nothing else."""
    read, image = image_of("in-place")
    parts = split(read, image)
    written(parts, tmp_path)
    for name, start in (("station", 0x1000_0000), ("sampler", 0x1000_8000)):
        data = parts.files[f"{name}.bin"]
        whole = IntelHex(str(tmp_path / f"{name}.hex"))
        assert (whole.minaddr(), whole.maxaddr()) == (start, start + len(data) - 1)
        assert whole.tobinstr() == data
        assert tomllib.loads(parts.files[f"{name}.part.toml"].decode())["format"] == 1


def test_an_ambiguous_place_takes_no_other_value(tmp_path):
    """Where several places hold a stamp's value, a join that changes it is refused, with the ELF file to give."""
    read, image = image_of("copied")
    written(split(read, image), tmp_path)
    text = layout_file("copied").read_text(encoding="utf-8")
    found = tomllib.loads((tmp_path / "station.part.toml").read_text(encoding="utf-8"))
    assert len(found["symbols"]["sampler_stored_at"]) == 2
    assert text.count('offset = "32 KiB"') >= 1
    other = tmp_path / "other.toml"
    other.write_text(text.replace('{ start_of = "sampler" }', '{ end_of = "sampler" }'), encoding="utf-8")
    changed = gemel.load_layout(other)
    files = {name: tmp_path / f"{name}.hex" for name in read.layout.builds}
    with pytest.raises(GemelError) as caught:
        gemel.join(changed, gemel.load_builds(changed, files))
    problems = [each for each in caught.value.problems if "sampler_stored_at" in each.what]
    assert problems
    assert problems[0].next_step == "give the build's ELF file: station=FILE.elf"


def test_with_elf_files_every_place_is_known(tmp_path):
    """The builds' ELF files say which of several places a symbol is at."""
    read, image = image_of("copied")
    files = {name: BUILT / "copied" / f"{name}.elf" for name in ("station", "sampler")}
    parts = split(read, image, gemel.load_builds(read, files))
    symbols = tomllib.loads(parts.files["station.part.toml"].decode())["symbols"]
    assert {name: len(places) for name, places in symbols.items()} == dict.fromkeys(symbols, 1)
    assert parts.remarks == ()


WRONG = {
    "no toml": b"\xff",
    "other bytes": b'format = 1\nsha256 = "' + b"0" * 64 + b'"\n',
    "format": b'format = 2\nsha256 = "' + b"0" * 64 + b'"\n',
    "digest": b"format = 1\nsha256 = 5\n",
    "build id": b'format = 1\nsha256 = "' + b"0" * 64 + b'"\nbuild_id = "XY"\n',
    "entry": b'format = 1\nsha256 = "' + b"0" * 64 + b'"\nentry = -1\n',
    "symbols": b'format = 1\nsha256 = "' + b"0" * 64 + b'"\nsymbols = 3\n',
    "place": b'format = 1\nsha256 = "'
    + b"0" * 64
    + b'"\n[symbols]\na = [{ address = 0, size = 4294967297 }]\n',
    "no place": b'format = 1\nsha256 = "' + b"0" * 64 + b'"\n[symbols]\na = []\n',
    "key": b'format = 1\nsha256 = "' + b"0" * 64 + b'"\nextra = 1\n',
}


@pytest.mark.parametrize("name", WRONG)
def test_a_wrong_file_beside_a_part_is_refused(name, tmp_path):
    """What does not belong to the part, or is not sound, is an error that names the file."""
    read, image = image_of("in-place")
    written(split(read, image), tmp_path)
    (tmp_path / "sampler.part.toml").write_bytes(WRONG[name])
    with pytest.raises(BuildError) as caught:
        gemel.load_builds(read, {"sampler": tmp_path / "sampler.hex"})
    assert all("sampler.part.toml" in problem.where for problem in caught.value.problems)


@pytest.mark.parametrize("text", ["TOPSECRET = 1\n", "[TOPSECRET]\n[TOPSECRET]\n", "TOPSECRET\n"])
def test_another_file_beside_a_part_is_not_quoted(text, tmp_path):
    """The attack: a link of that name to a file of somebody's, of which the error printed keys."""
    read, image = image_of("in-place")
    written(split(read, image), tmp_path)
    (tmp_path / "secret").write_text(text, encoding="utf-8")
    (tmp_path / "sampler.part.toml").unlink()
    (tmp_path / "sampler.part.toml").symlink_to("secret")
    with pytest.raises(BuildError) as caught:
        gemel.load_builds(read, {"sampler": tmp_path / "sampler.hex"})
    assert "TOPSECRET" not in str(caught.value)


def test_many_unknown_keys_beside_a_part_are_one_error(tmp_path):
    """The attack: 90,000 tables took ten seconds, an error each."""
    read, image = image_of("in-place")
    written(split(read, image), tmp_path)
    with (tmp_path / "sampler.part.toml").open("a", encoding="utf-8") as file:
        file.writelines(f"[t{number}]\n" for number in range(20_000))
    with within(2), pytest.raises(BuildError, match="t0, t1, t2, t3 and 19,996 more") as caught:
        gemel.load_builds(read, {"sampler": tmp_path / "sampler.hex"})
    assert len(caught.value.problems) == 1


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_any_changed_file_is_refused_or_taken_whole(data, tmp_path_factory):
    """Bytes of the file beside a part that somebody changed never end in a traceback."""
    read, image = image_of("in-place")
    folder = tmp_path_factory.mktemp("part")
    parts = split(read, image)
    written(parts, folder)
    text = bytearray(parts.files["station.part.toml"])
    at = data.draw(st.integers(0, len(text) - 1))
    text[at : at + data.draw(st.integers(0, 8))] = data.draw(st.binary(max_size=8))
    (folder / "station.part.toml").write_bytes(text)
    with contextlib.suppress(GemelError):
        gemel.load_builds(read, {"station": folder / "station.hex"})


@pytest.mark.parametrize("address", ["0x1003_0000", "0x1000_8000", "0xFFFF_FFFC", "0x1000_0A9E"])
def test_a_place_outside_the_part_is_refused(address, tmp_path):
    """A file beside a part can have nothing written outside of the part's own bytes, not even a part of a value."""
    read, image = image_of("in-place")
    written(split(read, image), tmp_path)
    file = tmp_path / "station.part.toml"
    text = file.read_text(encoding="utf-8")
    changed = re.sub(r"(image_version\W+address = )0x[0-9A-F_]+", rf"\g<1>{address}", text)
    assert changed != text
    file.write_text(changed, encoding="utf-8")
    with pytest.raises(BuildError, match="outside the build"):
        gemel.load_builds(read, {"station": tmp_path / "station.hex"})


def test_changed_bytes_are_not_taken_apart():
    """The attack: parts of an image that was changed, joined again, had a record and a seal of their own."""
    read, image = image_of("in-place")
    (start, piece), *_ = image.data.pieces()
    changed = image.data.copy()
    changed.write(start + 0x80, bytes((piece[0x80] ^ 1,)))
    with pytest.raises(GemelError, match="not those that the record was made for"):
        split(read, replace(image, data=changed))
    record = read.layout.span_of(read.layout.record.area)
    without = image.data.copy()
    without.write(record.start, b"\0")
    remarks = split(read, replace(image, data=without)).remarks
    assert "no sound record" in remarks[0].what


def test_what_is_in_no_part_is_reported():
    """A seal and what the device wrote into its settings are in no build: a remark for each, none for erased bytes."""
    text = layout_file("in-place").read_text("utf-8")
    for name, offset in (("settings", 96), ("reserved", 104)):
        text += f'\n[area.{name}]\nmemory = "flash"\noffset = "{offset} KiB"\nsize = "8 KiB"\npurpose = "{name}"\n'
    read = layout_from(text.encode(), "gauge.toml")
    files = {name: BUILT / "in-place" / f"{name}.elf" for name in read.layout.builds}
    image = gemel.join(read, gemel.load_builds(read, files)).image
    assert split(read, image).remarks == ()
    written_to = image.data.copy()
    for name in ("seal", "settings"):
        written_to.write(read.layout.span_of(name).start + 8, b"\1")
    written_to.write(read.layout.span_of("reserved").start, b"\xff" * 64)
    remarks = split(read, replace(image, data=written_to)).remarks
    assert [each.what for each in remarks] == [
        f"the bytes of area {name} (purpose {name}) are in no part" for name in ("seal", "settings")
    ]


def test_an_image_of_another_layout_is_refused():
    """Builds that are not there are named."""
    read, _ = image_of("in-place")
    _, other = image_of("two-banks")
    with pytest.raises(GemelError, match="builds are not in the image"):
        split(read, other)


def _further(arrangement):
    """Layout and builds of the other sound products of testdata."""
    folder, _, name = arrangement.partition("/")
    if folder == "kernel":
        case = kernel_products.product(
            name, *(kernel_products.variants(name, core)[0] for core in ("station", "sampler"))
        )
        return case.read, case.builds
    if folder == "ram-and-start":
        files = dict(zip(("station", "sampler"), ram_and_start.SOUND[name], strict=True))
        return ram_and_start.layout_of(name), {
            core: ram_and_start.build_of(core, file) for core, file in files.items()
        }
    if folder == "verdict":
        return verdict_builds.layout_of(name), verdict_builds.builds_of(name)
    return capability_builds.device(name), capability_builds.capability_builds(name)


@pytest.mark.parametrize(
    "arrangement",
    [
        *(f"kernel/{name}" for name in ("mainline", "small", "v7e-m")),
        *(f"ram-and-start/{name}" for name in ram_and_start.SOUND),
        *(f"verdict/{name}" for name in verdict_builds.ARCHITECTURES),
        *(f"capabilities/{name}" for name in capability_builds.SOUND),
    ],
)
def test_every_product_is_joined_from_its_parts_again(arrangement, tmp_path):
    """Without record, with gateways in an area of their own, with code for RAM: the parts give the image again."""
    read, builds = _further(arrangement)
    image = gemel.join(read, builds).image
    parts = split(read, image)
    written(parts, tmp_path)
    again = gemel.join(
        read, gemel.load_builds(read, {name: tmp_path / f"{name}.hex" for name in read.layout.builds})
    ).image
    assert list(again.data.pieces()) == list(image.data.pieces())
    assert again.entry == image.entry
    left_out = {name for name in read.layout.builds if f"{name}.bin" not in parts.files}
    assert all(any(f"{name}.bin is not written" in each.what for each in parts.remarks) for name in left_out)


def test_parts_are_not_written_through_links(tmp_path, monkeypatch):
    """The attack: the folder for the parts came with a link of a part's name to a file of somebody's."""
    monkeypatch.chdir(tmp_path)
    read, image = image_of("in-place")
    gemel.write_images(image, tmp_path / "g.hex", layout=read)
    (tmp_path / "parts").mkdir()
    (tmp_path / "parts" / "station.bin").symlink_to(tmp_path / "mine")
    assert exit_code(["split", str(layout_file("in-place")), "g.hex", "-o", "parts"]) == 2
    assert not (tmp_path / "mine").exists()

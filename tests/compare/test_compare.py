"""``gemel compare``: bytes and blocks as ``cmp`` counts them, proofs, contract breaks, the command."""

from __future__ import annotations

import json
import random
import re
import subprocess
from pathlib import Path

import jsonschema
import pytest
from contract_builds import sides
from contract_fixtures import contract
from hypothesis import given
from hypothesis import strategies as st
from in_process import bytes_here
from schemas import exported_schema
from sealed_images import NEW, OLD, P256, REQUIRED, STRANGER, sealed, unsealed
from shown_images import digests_apart
from tide_gauge import BUILT, ROOT, layout_file
from tools import required_tool

import gemel
from gemel.comparing.as_text import text_of
from gemel.comparing.changed_bytes import ChangedBytes
from gemel.comparing.changes import FORMAT, Moved
from gemel.image.image import Image
from gemel.image.sparse import SparseBytes
from gemel.joining.pipeline import join
from gemel.structs import replace
from gemel.text.as_json import data_of, form_text
from gemel.workflows.comparing import compare
from gemel.workflows.inputs.builds import builds_of_image

LAYOUT = gemel.load_layout(layout_file("in-place"))
FLASH = 0x1000_0000
CONTRACT = ROOT / "testdata" / "contract" / "built"


def builds(*names: str, folder=BUILT / "in-place") -> dict[str, object]:
    return gemel.load_builds(
        LAYOUT, {name: folder / f"{name}.elf" for name in names or ("station", "sampler")}
    )


def run(*words: object, cwd=None) -> subprocess.CompletedProcess[bytes]:
    return bytes_here("compare", *map(str, words), cwd=cwd or Path.cwd())


@pytest.fixture(scope="module")
def images(tmp_path_factory):
    """Two versions of the gauge, as HEX and BIN."""
    folder = tmp_path_factory.mktemp("compare")
    for version, counter in (("1.4.1", 3), ("1.4.2", 2)):
        joined = gemel.join(LAYOUT, builds(), version=version, rollback=counter)
        gemel.write_images(joined.image, folder / f"{version}.hex", folder / f"{version}.bin", layout=LAYOUT)
    return folder


def test_same_whatever_the_form_of_the_file(images):
    """HEX and BIN of one image are the same, with exit code 0."""
    done = run(layout_file("in-place"), images / "1.4.1.hex", images / "1.4.1.bin")
    assert (done.returncode, done.stderr) == (0, b"")
    assert done.stdout.decode().splitlines()[-1] == "SAME: a device holds the same bytes after either image"
    assert "digests differ" not in done.stdout.decode()


def test_erased_bytes_at_the_end_are_the_same(images, tmp_path):
    """A padded file gives a device the same bytes; that its content digest is another one is explained."""
    padded = tmp_path / "padded.bin"
    padded.write_bytes((images / "1.4.1.bin").read_bytes() + b"\xff" * 0x1000)
    done = run(layout_file("in-place"), images / "1.4.1.hex", padded)
    *_, why, _, last = done.stdout.decode().splitlines()
    assert (done.returncode, last) == (0, "SAME: a device holds the same bytes after either image")
    assert why == "content digests differ: one file also holds erased bytes"


def test_differing_bytes_are_those_of_cmp(images):
    """Number and addresses of the bytes that differ are those that ``cmp -l`` prints."""
    files = images / "1.4.1.bin", images / "1.4.2.bin"
    printed = subprocess.run(
        [required_tool("cmp"), "-l", *files], capture_output=True, text=True, check=False
    )
    expected = [FLASH + int(line.split()[0]) - 1 for line in printed.stdout.splitlines()]
    old, new = (gemel.read_image(file, layout=LAYOUT) for file in files)
    changed = ChangedBytes(LAYOUT.layout, old.data, new.data)
    assert [address for span in changed.spans for address in range(span.start, span.end)] == expected
    found = compare(old, new, LAYOUT)
    (memory,) = [each for each in found.memories if each.changed]
    assert memory.bytes_changed == len(expected) == sum(area.bytes_changed for area in found.areas)
    assert memory.changed == len({address // 4096 for address in expected})
    assert not found.same


@given(st.integers(0, 2**32), st.integers(1, 40), st.sampled_from([1, 2, 5000, 66_000]))
def test_random_edits_are_found_byte_for_byte(seed, edits, reach):
    """Random bytes put anywhere into an image, inside of its memory or not, are what differs."""
    choose = random.Random(seed)
    old, new, expected = SparseBytes(), SparseBytes(), set()
    for _ in range(edits):
        at, value = FLASH - 300 + choose.randrange(reach + 300), choose.randrange(256)
        new.write(at, bytes((value,)))
        (expected.discard if value == 0xFF else expected.add)(at)
    for layout in (LAYOUT.layout, None):
        spans = ChangedBytes(layout, old, new).spans
        assert {address for span in spans for address in range(span.start, span.end)} == expected


def test_explicit_erased_bytes_are_no_difference():
    """An image that writes erased bytes and one that leaves them out leave a device alike."""
    old, new = SparseBytes(), SparseBytes()
    old.write(FLASH, b"tide")
    new.write(FLASH, b"tide" + b"\xff" * 100)
    assert ChangedBytes(LAYOUT.layout, old, new).spans == ()


def test_record_rollback_and_verdict(images):
    """Version and counter are named, and that the counter falls."""
    done = run(layout_file("in-place"), images / "1.4.1.hex", images / "1.4.2.hex")
    text = done.stdout.decode()
    assert done.returncode == 1
    assert "version: 1.4.1 -> 1.4.2" in text
    assert "rollback counter: 3 -> 2" in text
    assert "rollback counter falls" in text.splitlines()[-1] + text.splitlines()[-2]
    back = json.loads(
        run(layout_file("in-place"), images / "1.4.2.hex", images / "1.4.1.hex", "--format", "json").stdout
    )
    assert back["rollback"] == "rises"
    jsonschema.validate(back, exported_schema("compare-schema"))


def test_a_changed_shared_type_is_a_break_and_stands_first(tmp_path):
    """An old sampler with another layout of what is shared: the two must not run together."""
    text = layout_file("in-place").read_text(encoding="utf-8")
    path = tmp_path / "gauge.toml"
    path.write_text(text, encoding="utf-8")
    old = {
        "station": BUILT / "in-place" / "station.elf",
        "sampler": BUILT / "in-place" / "sampler-wide-enums.elf",
    }
    new = {**old, "sampler": BUILT / "in-place" / "sampler.elf"}
    image = gemel.join(LAYOUT, builds()).image
    found = compare(
        image,
        image,
        LAYOUT,
        old_builds=gemel.load_builds(LAYOUT, old),
        new_builds=gemel.load_builds(LAYOUT, new),
    )
    assert {each.build for each in found.breaks} == {"sampler"}
    assert found.breaks[0].lines[0].split()[-2:] == ["old", "new"] or "old" in found.breaks[0].lines[0]
    lines = text_of(found, 80)
    assert lines[lines.index("") + 1].startswith("BREAK")
    same = compare(image, image, LAYOUT, old_builds=builds(), new_builds=builds())
    assert same.breaks == ()


def test_builds_that_are_not_in_the_image_are_not_compared():
    """A file whose build id is not the record's is named, not compared."""
    image = gemel.join(LAYOUT, builds()).image
    other = gemel.load_builds(LAYOUT, {"sampler": BUILT / "in-place" / "sampler-wide-enums.elf"})
    found = compare(image, image, LAYOUT, old_builds=other, new_builds=builds("sampler"))
    sampler = next(each for each in found.builds if each.build == "sampler")
    assert "build id" in sampler.not_compared
    assert sampler.symbols == ()


def test_a_build_of_both_images_is_given_once():
    """A build whose id the older image's record has counts for it too; one of another id does not."""
    old, new = (gemel.join(LAYOUT, builds(), version=each).image for each in ("1.4.1", "1.4.2"))
    found = compare(old, new, LAYOUT, new_builds=builds())
    assert found.not_compared == ()
    assert [each.build_id for each in found.old.builds] == [each.build_id for each in builds().values()]
    other = gemel.load_builds(LAYOUT, {"sampler": BUILT / "in-place" / "sampler-wide-enums.elf"})
    older = gemel.join(LAYOUT, builds() | other).image
    found = compare(older, new, LAYOUT, new_builds=builds())
    assert [each.file for each in found.old.builds] == ["station.elf", None]
    sampler = next(each for each in found.builds if each.build == "sampler")
    assert "old:sampler=FILE.elf" in sampler.not_compared


def test_vectors_that_lead_elsewhere():
    """A handler that is another function is a change; one that only moved is none."""
    image = gemel.join(LAYOUT, builds()).image
    patched = image.data.copy()
    station = builds("station")["station"]
    handler = station.symbols.one("reset_handler").address | 1
    patched.write(FLASH + 4 * 20, handler.to_bytes(4, "little"))
    other = gemel.Image(patched, image.entry, (), "patched.hex")
    found = compare(image, other, LAYOUT, old_builds=builds(), new_builds=builds())
    (vector,) = found.vectors
    assert (vector.build, vector.first, vector.last, vector.new, vector.new_symbol) == (
        "station",
        20,
        20,
        handler,
        "reset_handler",
    )
    jsonschema.validate(json.loads(form_text(FORMAT, found)), exported_schema("compare-schema"))


def test_what_moved_to_lower_addresses_keeps_to_the_schema() -> None:
    """A distance may be negative; a number of symbols may not."""
    schema = exported_schema("compare-schema")["$defs"]["Moved"]
    jsonschema.validate(data_of(Moved(-4, 1)), schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(data_of(Moved(4, -1)), schema)


def test_wrong_lines_are_refused_with_what_is_expected(images):
    """One image, three images, builds without a layout, an unknown build: exit code 2 and nothing on stdout."""
    one = images / "1.4.1.hex"
    for words in (
        [one],
        [one, one, one],
        [one, one, f"station={BUILT / 'in-place' / 'station.elf'}"],
        [layout_file("in-place"), one, one, f"old:motor={one}"],
        [layout_file("in-place"), layout_file("copied"), one, one],
    ):
        done = run(*words, cwd=images)
        assert done.returncode == 2, words
        assert done.stdout == b""
        assert b"Traceback" not in done.stderr


def test_an_old_image_of_another_layout(images, tmp_path):
    """Each image is read by its own layout: record, builds and areas are found, whatever moved between the two."""
    text = layout_file("in-place").read_text(encoding="utf-8")
    head, record, rest = text.partition("[area.record]")
    moved = tmp_path / "moved.toml"
    moved.write_text(
        head + record + rest.replace('offset = "64 KiB"', 'offset = "96 KiB"', 1), encoding="utf-8"
    )
    read = gemel.load_layout(moved)
    old, new = gemel.join(read, builds(), version="1.4.1", rollback=3).image, images / "1.4.2.hex"
    gemel.write_images(old, tmp_path / "old.hex", tmp_path / "old.bin", layout=read)
    for file in ("old.hex", "old.bin"):
        done = run(layout_file("in-place"), tmp_path / file, new, "--old-layout", moved, "--format", "json")
        found = json.loads(done.stdout)
        jsonschema.validate(found, exported_schema("compare-schema"))
        assert found["rollback"] == "falls"
        assert [each["same_bytes"] for each in found["builds"]] == [False, True]
        assert not any("another layout" in each for each in found["not_compared"])
        assert found["old"]["layout"]["name"] == "moved.toml"
    text = run(layout_file("in-place"), tmp_path / "old.hex", new, "--old-layout", moved).stdout.decode()
    assert text.count("  layout    ") == 2
    page = tmp_path / "page.html"
    run(layout_file("in-place"), tmp_path / "old.hex", new, "--old-layout", moved, "-o", page)
    drawn = re.compile(r'data-start="(\d+)" data-size="4096" data-name="record"')
    starts = [int(at) for at in drawn.findall(page.read_text("utf-8"))]
    assert starts == [0x1001_8000, 0x1001_0000]


def test_builds_that_one_image_alone_has(images, tmp_path):
    """A build that the other layout calls otherwise is added there and removed here; an empty area is in neither."""
    other = tmp_path / "other.toml"
    text = layout_file("in-place").read_text(encoding="utf-8").replace("build.sampler", "build.meter")
    other.write_text(text, encoding="utf-8")
    read = gemel.load_layout(other)
    given_builds = {
        "meter": BUILT / "in-place" / "sampler.elf",
        "station": BUILT / "in-place" / "station.elf",
    }
    new = gemel.join(read, gemel.load_builds(read, given_builds), version="1.4.2", rollback=3).image
    old = gemel.read_image(images / "1.4.1.hex", layout=LAYOUT)
    lines = text_of(compare(old, new, read, old_layout=LAYOUT), 80)
    assert "build meter: added" in lines
    assert "build sampler: removed" in lines
    alone = old.data.copy()
    alone.write(FLASH + 0x8000, b"\xff" * 0x1_0000)
    half = gemel.Image(alone, old.entry, (), "half.hex")
    assert "build sampler: in neither image" in text_of(compare(half, half, LAYOUT), 80)


def test_an_image_of_another_layout_is_said_to_be_one(tmp_path):
    """Without the old image's layout its record is found all the same, and that the layout is another one is said."""
    text = layout_file("in-place").read_text(encoding="utf-8")
    head, record, rest = text.partition("[area.record]")
    other = tmp_path / "moved.toml"
    other.write_text(
        head + record + rest.replace('offset = "64 KiB"', 'offset = "96 KiB"', 1), encoding="utf-8"
    )
    old, new = (gemel.join(read, builds()).image for read in (gemel.load_layout(other), LAYOUT))
    found = compare(old, new, LAYOUT)
    (said,) = [each for each in found.not_compared if "another layout" in each]
    assert said.startswith("places of the old image")
    assert said.endswith("give that one as --old-layout")
    assert [each.field for each in found.fields] == ["layout SHA-256"]
    by_own = compare(old, new, LAYOUT, old_layout=gemel.load_layout(other))
    assert by_own.not_compared == compare(new, new, LAYOUT).not_compared
    done = run("--old-layout", other, tmp_path / "a.hex", tmp_path / "b.hex", cwd=tmp_path)
    assert (done.returncode, done.stdout) == (2, b"")


def test_without_a_layout(images):
    """Bytes, records and signers are compared all the same."""
    done = run(images / "1.4.1.hex", images / "1.4.2.hex", "--format", "json", cwd=images)
    found = json.loads(done.stdout)
    assert found["builds"] == []
    assert found["old"]["image"]["version"] == "1.4.1"
    assert found["memories"][0]["unit_known"] is False


@pytest.mark.parametrize(("file", "left_out"), [("sampler.elf", False), ("sampler-misplaced.elf", True)])
def test_a_build_on_a_path_counts_where_the_image_was_joined_from_it(file, left_out, tmp_path):
    """A layout's folder may have moved on: a build of another id is left out, one that was given is not."""
    path = tmp_path / "gauge.toml"
    text = layout_file("in-place").read_text(encoding="utf-8")
    path.write_text(text.replace("[build.sampler]", f'[build.sampler]\npath = "{BUILT / "in-place" / file}"'))
    read = gemel.load_layout(path, paths_outside=True)
    image = gemel.join(LAYOUT, builds()).image
    files, found, remarks = builds_of_image(read, image, [])
    assert (set(files), set(found)) == (set() if left_out else {"sampler"},) * 2
    assert ["another build than the layout names" in each.what for each in remarks] == [True] * left_out
    files, found, remarks = builds_of_image(read, image, [f"sampler={BUILT / 'in-place' / file}"])
    assert set(found) == {"sampler"}
    assert ["symbols of build sampler may be wrong" in each.what for each in remarks] == [True] * left_out


@pytest.mark.parametrize("width", [60, 80, 160])
def test_lines_keep_to_the_width(images, width):
    """No line is wider than the terminal, but for words that cannot be broken."""
    old, new = (gemel.read_image(images / f"{version}.hex", layout=LAYOUT) for version in ("1.4.1", "1.4.2"))
    found = compare(old, new, LAYOUT, old_builds=builds(), new_builds=builds())
    lines = digests_apart("\n".join(text_of(found, width))).splitlines()
    assert all(len(line) <= width for line in lines)


@pytest.mark.parametrize(
    ("before", "after", "expected"),
    [
        ((OLD,), (OLD,), []),
        ((OLD,), (NEW,), [(OLD, "removed"), (NEW, "added")]),
        ((OLD,), (OLD, P256), [(P256, "added")]),
        ((OLD, P256), (P256,), [(OLD, "removed")]),
        ((OLD,), (), [(OLD, "removed")]),
        ((), (STRANGER,), [(STRANGER, "added")]),
    ],
)
def test_signers(before, after, expected):
    """Who signed one image and not the other is named by algorithm and key, first who is missing."""
    images = [
        gemel.Image(sealed(*keys) if keys else unsealed(), None, (), file)
        for keys, file in ((before, "old.hex"), (after, "new.hex"))
    ]
    keys = [(key.public_key.algorithm.name, key.public_key.fingerprint, change) for key, change in expected]
    for read in (REQUIRED, None):
        found = compare(*images, read)
        assert [(each.algorithm, each.key, each.change) for each in found.signers] == keys
        lines = [line.strip() for line in text_of(found, 200)]
        assert [line for line in lines if line.startswith("signer ")] == [
            f"signer {change}: {algorithm} key {key.hex()[:16]}..." for algorithm, key, change in keys
        ]
        jsonschema.validate(json.loads(form_text(FORMAT, found)), exported_schema("compare-schema"))


def test_a_changed_header_is_one_break_a_type_and_one_a_constant():
    """Both builds of the new image have the new header: each break names both, and sizes follow from the type."""
    read = contract(
        'types = ["enum link_protocol"]', 'constants = ["link_version"]', 'symbols = ["link_frames"]'
    )
    old, new = sides(), sides("station", "sampler-protocol")
    images = [Image(join(read, each).image) for each in (old, new)]
    found = compare(*images, read, old_builds=old, new_builds=new)
    assert {each.name for each in found.breaks} == {"enum link_protocol", "link_version"}
    assert [each.lines for each in found.breaks if each.name == "link_version"] == [("old: 3", "new: 4")]
    twice = replace(found, breaks=(*found.breaks, *(replace(each, build="station") for each in found.breaks)))
    assert len(twice.shared_breaks) == len(found.breaks)
    assert "new builds sampler and station" in twice.shared_breaks[0].what
    assert "2 contract breaks" in text_of(twice, 200)[-1]

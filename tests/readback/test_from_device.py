"""``gemel check --from-device``: dumps of sound devices pass, and what is left of another version is found."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest
from audited import write_layout
from dumps import EDITS, LONG, NEW, OLD, SETTINGS, SIZE, dumped, version
from in_process import run_here as run
from runs import one_error
from small_device import (
    FLASH,
    RECORD,
    SAMPLER,
    SEAL,
    SPARE,
    STATION,
    builds,
    joined,
    layout,
    sampler_elf,
    station_elf,
)

import gemel
from gemel.image.image import Image
from gemel.spans import Span


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with the layout."""
    write_layout(tmp_path / "small.toml", EDITS)
    return tmp_path


def checked(folder: Path, data: bytes, *words: str):
    """The check of a dump."""
    (folder / "dump.bin").write_bytes(data)
    return run("check", "small.toml", "dump.bin", "--from-device", "--no-disassemble", *words, cwd=folder)


CLEAN = {
    "as programmed": (),
    "settings": ((SETTINGS, b"level=2480\0" * 50),),
    "settings all over": ((SETTINGS, bytes(2048)),),
    "a reserved area": ((SPARE, os.urandom(2048)),),
    "data of the device": ((FLASH + 0x3800, b"log" * 100),),
    "a record of another version in the settings": ((SETTINGS + 64, b"GEMELREC" + bytes(100)),),
}


@pytest.mark.parametrize("name", CLEAN)
def test_a_clean_dump_passes(folder, name):
    """What the device writes itself, and what it has from elsewhere, is set aside, and said where it is not erased."""
    done = checked(folder, dumped(version(OLD), *CLEAN[name]))
    assert done.returncode == 0, done.stdout + done.stderr
    said = " ".join(done.stderr.split())
    assert ("bytes of the dump are set aside" in said) == bool(CLEAN[name])
    assert ("area settings: the device writes there" in said) == ("settings" in name)
    assert "Traceback" not in done.stderr


def test_the_same_dump_is_no_image(folder):
    """Without --from-device settings in the image are a finding: programming it would overwrite them."""
    (folder / "dump.bin").write_bytes(dumped(version(OLD), (SETTINGS, b"level")))
    done = run("check", "small.toml", "dump.bin", "--no-disassemble", cwd=folder)
    assert done.returncode == 1
    assert "settings area settings" in " ".join(done.stdout.split())


def half(boundary: int, lower: str, upper: str, *, erased: int = 0) -> bytes:
    """A flash with one version below an address and another from it on, with bytes erased between them."""
    data = dumped(version(lower))[: boundary - FLASH] + b"\xff" * erased
    return data + dumped(version(upper))[boundary - FLASH + erased :]


@pytest.mark.parametrize("boundary", [STATION + 0x400, STATION + 0x800, SAMPLER, SAMPLER + 0x400])
@pytest.mark.parametrize("erased", [0, 0x400])
def test_a_half_done_update_names_the_block(folder, boundary, erased):
    """New below, old from a block on, with the record still of the old: the block is named, and both versions."""
    gemel.write_images(Image(version(NEW)), folder / "new.hex", layout=layout(EDITS))
    run("audit", "small.toml", "new.hex", "--index", "i.sqlite", cwd=folder)
    done = checked(folder, half(boundary, NEW, OLD, erased=erased), "--index", "i.sqlite")
    text = " ".join(done.stdout.split())
    assert done.returncode == 1
    found = re.search(rf"an update to {NEW} stopped half way, at block (0x[0-9A-F_]+)", text)
    assert found, done.stdout
    assert int(found[1], 0) == boundary
    assert done.stdout.count("BROKEN ") == 1


def test_changed_bytes_are_one_finding_with_a_step_for_a_device(folder):
    """A byte of a build changed, which a join could not repair: no version has its block, and that follows."""
    gemel.write_images(Image(version(NEW)), folder / "new.hex", layout=layout(EDITS))
    changed = dumped(version(NEW), (SAMPLER + 0x480, b"\x5a"))
    text = " ".join(checked(folder, changed, "--previous", "new.hex").stdout.split())
    assert "BROKEN device-holds-one-version" not in text
    assert "leads to" in text.partition("BROKEN record-digests-match")[2].partition("next")[0]
    assert "device-holds-one-version" in text.partition("leads to")[2].partition("next")[0]
    assert "read the device again" in text
    assert "join again from the builds" not in text


def test_a_block_with_a_checksum_alone_is_of_a_version(folder):
    """Where a build ends early, the block of its checksum says how far an update came, by what an index knows of it."""
    gemel.write_images(Image(version(NEW, 128)), folder / "new.hex", layout=layout(EDITS))
    run("audit", "small.toml", "new.hex", "--index", "i.sqlite", cwd=folder)
    data = dumped(version(NEW, 128))[: STATION + 0x400 - FLASH]
    data += dumped(version(OLD, 128))[STATION + 0x400 - FLASH :]
    text = " ".join(checked(folder, data, "--index", "i.sqlite", "--previous", "new.hex").stdout.split())
    assert f"an update to {NEW} stopped half way, at block 0x1000_0C00" in text


@pytest.mark.parametrize("unchanged", ["station", "sampler"])
def test_a_build_that_both_versions_have_is_of_either(folder, unchanged):
    """Where an update changes one build alone, the blocks of the other are of the version that their neighbours are."""
    old, new = (version(number, unchanged=unchanged) for number in (OLD, NEW))
    for image, file in ((old, "old.hex"), (new, "new.hex")):
        gemel.write_images(Image(image), folder / file, layout=layout(EDITS))
    for image, other in ((old, "new.hex"), (new, "old.hex")):
        done = checked(folder, dumped(image), "--previous", other)
        assert "BROKEN device-holds-one-version" not in done.stdout, done.stdout
        assert "device-holds-one-version" not in done.stdout.partition("not checked")[2]
    changed, kept = (SAMPLER, STATION) if unchanged == "station" else (STATION, SAMPLER)
    begun = bytearray(dumped(old))
    begun[changed - FLASH : changed + 0x400 - FLASH] = dumped(new)[changed - FLASH : changed + 0x400 - FLASH]
    whole = bytearray(dumped(new))
    whole[RECORD - FLASH :] = dumped(old)[RECORD - FLASH :]
    erased = bytearray(dumped(new))
    erased[kept - FLASH : kept + 0x400 - FLASH] = b"\xff" * 0x400
    for data, at in ((begun, changed + 0x400), (whole, RECORD), (erased, kept)):
        text = " ".join(checked(folder, bytes(data), "--previous", "new.hex").stdout.split())
        found = re.search(rf"an update to {NEW} stopped half way, at block (0x[0-9A-F_]+)", text)
        assert found, (hex(at), text)
        assert int(found[1], 0) == at


@pytest.mark.parametrize(
    ("start", "end", "stop"),
    [
        (SAMPLER, SPARE, STATION),
        (SAMPLER, SAMPLER + 0x400, SAMPLER + 0x400),
        (SAMPLER + 0x400, SPARE, SAMPLER),
        (STATION + 0x800, SPARE, STATION + 0x400),
    ],
    ids=["sampler first, whole", "sampler first, begun", "downwards", "downwards into the station"],
)
def test_an_update_in_another_order_names_the_block(folder, start, end, stop):
    """The sampler's build first, or from the top down: what is left to write begins at the block that is named."""
    gemel.write_images(Image(version(NEW)), folder / "new.hex", layout=layout(EDITS))
    data = bytearray(dumped(version(OLD)))
    data[start - FLASH : end - FLASH] = dumped(version(NEW))[start - FLASH : end - FLASH]
    done = checked(folder, bytes(data), "--previous", "new.hex")
    text = " ".join(done.stdout.split())
    found = re.search(rf"an update to {NEW} stopped half way, at block (0x[0-9A-F_]+)", text)
    assert found, done.stdout
    assert int(found[1], 0) == stop


@pytest.mark.parametrize(
    ("blocks", "record", "stop"), [(NEW, OLD, RECORD), (OLD, NEW, STATION), (NEW, None, RECORD)]
)
def test_an_update_that_wrote_its_record_last_or_first(folder, blocks, record, stop):
    """All blocks are of one version and the record is of the other, or erased: what was not written yet is named."""
    gemel.write_images(Image(version(blocks)), folder / "known.hex", layout=layout(EDITS))
    data = bytearray(dumped(version(blocks)))
    written = dumped(version(record))[RECORD - FLASH :][:0x400] if record else b"\xff" * 0x400
    data[RECORD - FLASH : RECORD - FLASH + 0x400] = written
    text = " ".join(checked(folder, bytes(data), "--previous", "known.hex").stdout.split())
    found = re.search(rf"an update to {NEW} stopped half way, at block (0x[0-9A-F_]+)", text)
    assert found, text
    assert int(found[1], 0) == stop


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (bytes([0xFF]) * SIZE, "the device holds no version: its blocks are erased"),
        (dumped(version(OLD))[:0x1E00], "the dump ends at 0x1000_1DFF: it may be cut"),
        (dumped(version(OLD))[:0x2000], "the blocks are of 1.2.3, and the record is not sound"),
        (dumped(version(OLD))[:0x1200], "the dump ends at 0x1000_11FF: it may be cut"),
    ],
    ids=["erased", "cut in a build", "cut before the record", "cut in a build's first block"],
)
def test_an_erased_device_and_a_cut_dump_are_no_update(folder, data, expected):
    """What is not there has no version; a dump that ends early says so, and names no record as left to write."""
    gemel.write_images(Image(version(OLD)), folder / "old.hex", layout=layout(EDITS))
    run("audit", "small.toml", "old.hex", "--index", "i.sqlite", cwd=folder)
    done = checked(folder, data, "--index", "i.sqlite")
    text = " ".join(done.stdout.split())
    assert done.returncode == 1
    assert expected in text
    assert text.count("BROKEN ") == 1
    assert "update to None" not in text
    assert "block 0x1000_2800" not in text


def test_a_record_that_is_damaged_is_no_update(folder):
    """All blocks of one known version with a record that is not sound: said so, and no block is named as the stop."""
    gemel.write_images(Image(version(NEW)), folder / "known.hex", layout=layout(EDITS))
    data = bytearray(dumped(version(NEW)))
    data[RECORD - FLASH + 20] ^= 1
    done = checked(folder, bytes(data), "--previous", "known.hex")
    text = " ".join(done.stdout.split())
    assert done.returncode == 1
    assert f"the blocks are of {NEW}, and the record is not sound" in text
    assert "stopped half way" not in text


def test_a_device_with_two_flash_memories(tmp_path):
    """A file of each with its --at, in any order, is clean; with one alone what is missing is said."""
    more = {
        **EDITS,
        'size = "16 KiB"\nerase_block': 'size = "4 KiB"\nerase_block',
        "[memory.ram]": '[memory.more]\nkind = "flash"\nstart = 0x1000_1000\nsize = "12 KiB"\nerase_block = "2 KiB"\n'
        "write_unit = 8\n\n[memory.ram]",
        'sampler-code = { memory = "flash", offset = "4 KiB"': 'sampler-code = { memory = "more", offset = 0',
        'spare = { memory = "flash", offset = "8 KiB"': 'spare = { memory = "more", offset = "4 KiB"',
        'record = { memory = "flash", offset = "10 KiB"': 'record = { memory = "more", offset = "6 KiB"',
        'memory = "flash", offset = "12 KiB"': 'memory = "more", offset = "8 KiB"',
        'memory = "flash", offset = "14 KiB"': 'memory = "more", offset = "10 KiB"',
        'seal = { memory = "flash", offset = "11 KiB"': 'seal = { memory = "more", offset = "7 KiB"',
    }
    write_layout(tmp_path / "small.toml", more)
    whole = joined(layout(more), builds(station_elf(code=LONG), sampler_elf(code=LONG))).image
    (tmp_path / "low.bin").write_bytes(whole.read(Span(FLASH, 0x1000), 0xFF))
    data = bytearray(whole.read(Span(FLASH + 0x1000, 0x3000), 0xFF))
    data[SETTINGS - FLASH - 0x1000 : SETTINGS - FLASH - 0xFFB] = b"level"
    (tmp_path / "high.bin").write_bytes(data)
    words = ("check", "small.toml", "--from-device", "--no-disassemble", "--index")
    gemel.write_images(Image(whole), tmp_path / "known.hex", layout=layout(more))
    run("audit", "small.toml", "known.hex", "--index", "i.sqlite", cwd=tmp_path)
    low, high = ("low.bin", "--at", "0x10000000"), ("high.bin", "--at", "0x10001000")
    for files in ((*low, *high), (*high, *low)):
        done = run(*words, "i.sqlite", *files, cwd=tmp_path)
        assert done.returncode == 0, done.stdout + done.stderr
    alone = run(*words, "i.sqlite", *low, cwd=tmp_path)
    assert alone.returncode == 1
    assert "give its file too, --at 0x10001000" in " ".join(alone.stderr.split())
    assert "memory flash" not in alone.stderr


def test_the_upper_half_is_the_old_one(folder):
    """The new record and lower part, the sampler's area still old: both are named with their addresses."""
    gemel.write_images(Image(version(OLD)), folder / "old.hex", layout=layout(EDITS))
    data = bytearray(dumped(version(NEW)))
    data[SAMPLER - FLASH : SPARE - FLASH] = dumped(version(OLD))[SAMPLER - FLASH : SPARE - FLASH]
    done = checked(folder, bytes(data), "--previous", "old.hex")
    text = " ".join(done.stdout.split())
    assert done.returncode == 1
    assert f"an update to {NEW} stopped half way, at block 0x1000_1000" in text
    assert re.search(rf"0x1000_1000\.\.0x1000_[0-9A-F]+ {re.escape(OLD)}", text)


def test_an_update_that_stopped_after_erasing_needs_no_other_image(folder):
    """The record says what should be there: an erased block is where it stopped."""
    data = bytearray(dumped(version(NEW)))
    data[0x1400:0x2000] = b"\xff" * 0xC00
    done = checked(folder, bytes(data))
    assert f"an update to {NEW} stopped half way, at block 0x1000_1400" in " ".join(done.stdout.split())


def test_the_record_elsewhere(folder):
    """A second record, of another version, is named with its place; one moved from its area too."""
    read = layout(EDITS)
    old = version(OLD).read(Span(RECORD, 0x400), 0xFF)
    stray = checked(folder, dumped(version(NEW), (FLASH + 0x3C00, old)))
    text = " ".join(stray.stdout.split())
    assert stray.returncode == 1
    assert "remains of another version" in text
    assert f"0x1000_3C00 found a record of small-device {OLD}" in text
    moved = checked(folder, dumped(version(NEW), (RECORD, b"\xff" * 0x400), (FLASH + 0x3C00, old)))
    text = " ".join(moved.stdout.split())
    assert "the record is at another place" in text
    assert "found a sound record of small-device at 0x1000_3C00" in text
    assert "leads to device-holds-one-version" in text
    assert read.layout.record


def test_several_files_of_one_device(folder):
    """Two halves at their addresses, and HEX beside raw binary, are one dump; files that disagree are refused."""
    data = dumped(version(OLD))
    (folder / "low.bin").write_bytes(data[:0x1000])
    (folder / "high.bin").write_bytes(data[0x1000:])
    files, words = ("low.bin", "high.bin"), ("--from-device", "--no-disassemble")
    done = run(
        "check", "small.toml", *files, *words, "--at", "0x1000_0000", "--at", "0x1000_1000", cwd=folder
    )
    assert done.returncode == 0, done.stdout + done.stderr
    one_error(run("check", "small.toml", *files, *words, cwd=folder))
    one_error(run("check", "small.toml", *files, *words, "--at", "0x1000_0000", cwd=folder))
    one_error(
        run("check", "small.toml", *files, *words, "--at", "0x1000_0000", "--at", "0x1000_0004", cwd=folder)
    )


def test_what_belongs_to_dumps_alone(folder):
    """An index needs a dump; a dump needs a layout and is one image without --from-device."""
    (folder / "dump.bin").write_bytes(dumped(version(OLD)))
    (folder / "i.sqlite").touch()
    one_error(run("check", "small.toml", "dump.bin", "--index", "i.sqlite", cwd=folder))
    one_error(run("check", "small.toml", "dump.bin", "dump.bin", cwd=folder))


def test_dumps_that_are_none(folder):
    """Nothing but erased or zero bytes, noise, a cut dump: findings, no traceback."""
    sound = dumped(version(OLD))
    for data in (b"\xff" * SIZE, bytes(SIZE), os.urandom(SIZE), sound[:0x900], b"GEMELREC" * 2048):
        done = checked(folder, data)
        assert done.returncode == 1, done.stdout + done.stderr
        assert "Traceback" not in done.stderr
        assert "fault in gemel" not in done.stderr


def test_a_seal_is_no_settings(folder):
    """Bytes of seal and record are never set aside."""
    done = checked(folder, dumped(version(OLD), (SEAL, b"x" * 16)))
    assert done.returncode == 1


def test_show_and_compare_take_dumps(folder):
    """Of a dump, show prints the image in it, and compare finds no difference from the image but real ones."""
    gemel.write_images(Image(version(OLD)), folder / "old.hex", layout=layout(EDITS))
    (folder / "dump.bin").write_bytes(dumped(version(OLD), (SETTINGS, b"level")))
    shown = run("show", "small.toml", "dump.bin", "--from-device", cwd=folder)
    assert shown.returncode == 0
    assert OLD in shown.stdout
    assert "area settings: the device writes there" in " ".join(shown.stderr.split())
    words = ("compare", "small.toml", "old.hex", "dump.bin")
    assert run(*words, cwd=folder).returncode == 1
    same = run(*words, "--from-device", cwd=folder)
    assert same.returncode == 0, same.stdout + same.stderr
    (folder / "dump.bin").write_bytes(dumped(version(OLD), (STATION + 0x90, b"\0")))
    assert run(*words, "--from-device", cwd=folder).returncode == 1
    one_error(run("compare", "old.hex", "old.hex", "--from-device", cwd=folder))
    one_error(run("show", "old.hex", "--from-device", cwd=folder))

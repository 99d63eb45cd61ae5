"""Whatever sound device: join succeeds, check holds afterwards, and the same inputs give the same bytes."""

from __future__ import annotations

import hashlib
import random
import zlib

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from small_device import TODAY, build
from strategies import Device, devices

from gemel.builds.build import Build
from gemel.checking.registry import all_rules
from gemel.checking.runner import check
from gemel.checksums.in_layout import checksum_faults
from gemel.image.intel_hex import decode, encode
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.joining.pipeline import Joined, join
from gemel.layout.reader import ReadLayout, read_layout
from gemel.spans import Span

SLOW = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def _read(device: Device) -> tuple[ReadLayout, dict[str, Build]]:
    read = read_layout(device.layout.encode(), "any.toml", [checksum_faults])
    return read, {name: build(name, data) for name, data in device.builds.items()}


def _joined(device: Device) -> tuple[ReadLayout, dict[str, Build], Joined]:
    read, handed = _read(device)
    return read, handed, join(read, handed)


def _broken(read: ReadLayout, image: SparseBytes, handed: dict[str, Build]) -> list[str]:
    result = check(Inspection(read, image, handed), TODAY)
    findings = [f"{rule.name}: {found.what}, {found.found}" for rule, found in result.open_findings("error")]
    return findings or ([] if result.passes else ["no rule was applied"])


@SLOW
@given(devices())
def test_join_then_check_always_holds(device: Device) -> None:
    """No error is found in a join's image, with the builds or without, also read back from HEX."""
    read, handed, made = _joined(device)
    filled = [each for each in all_rules() if each.name in ("write-units-whole", "flash-words-programmed")]
    results = check(Inspection(read, made.image, handed), TODAY, filled).results
    assert [result.status for result in results] == ["holds", "holds"]
    assert _broken(read, made.image, handed) == []
    assert _broken(read, made.image, {}) == []
    again = decode([b"".join(encode(made.image))], "image.hex").image
    assert _broken(read, again, handed) == []


@SLOW
@given(devices(), st.data())
def test_any_changed_byte_is_found(device: Device, data: st.DataObject) -> None:
    """One byte of flash changed to any other value fails the check of the image alone."""
    read, _, made = _joined(device)
    flash = read.layout.memories["flash"]
    address = data.draw(st.integers(flash.start, flash.span.last))
    (byte,) = made.image.read(Span(address, 1), flash.erased_byte)
    other = data.draw(st.integers(0, 255).filter(lambda value: value != byte))
    made.image.write(address, bytes((other,)))
    assert _broken(read, made.image, {}) != []


@SLOW
@given(devices(), st.randoms(use_true_random=False))
def test_the_same_inputs_give_the_same_bytes(device: Device, order: random.Random) -> None:
    """A second join, with the builds handed in another order, gives the same image."""
    read, handed, made = _joined(device)
    names = list(handed)
    order.shuffle(names)
    again = join(read, {name: handed[name] for name in names})
    assert again.image == made.image
    assert again.record == made.record


@SLOW
@given(devices())
def test_the_image_is_the_builds_and_what_the_layout_adds(device: Device) -> None:
    """Every stored byte of a build is at its place, every other held byte is erased, a value or the record.

    Places are worked out from the ELF files' load addresses, which count from where their core sees flash.
    """
    read, handed, made = _joined(device)
    flash = read.layout.memories["flash"]
    expected: dict[int, int] = {}
    for name, each in handed.items():
        core = read.layout.builds[name].core
        for segment in each.stored:
            plain = segment.load_address - flash.views.get(core, flash.start) + flash.start
            expected.update(enumerate(segment.data, plain))
    assert expected
    for address, byte in expected.items():
        assert made.image.read(Span(address, 1), None)[0] == byte
    others = [read.layout.span_of(area) for area in ("notes", "record")]
    for address, piece in made.image.pieces():
        for offset, byte in enumerate(bytes(piece)):
            place = address + offset
            known = place in expected or any(span.holds(place) for span in others)
            assert known or byte == flash.erased_byte, hex(place)


@SLOW
@given(devices())
def test_the_record_tells_what_is_there(device: Device) -> None:
    """The record's spans hold the builds' bytes, and its digests are those of `zlib` and `hashlib`."""
    read, _, made = _joined(device)
    assert made.record is not None
    for entry in made.record.builds:
        area = read.layout.span_of(read.layout.builds[entry.name].stored_in)
        assert area.covers(entry.stored)
        data = made.image.read(entry.stored, None)
        assert (entry.crc32, entry.sha256) == (zlib.crc32(data), hashlib.sha256(data).digest())
        unit = read.layout.memories["flash"].write_unit
        assert entry.stored.start % unit == entry.stored.end % unit == 0

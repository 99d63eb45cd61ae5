"""The digest of a layout: the same however it is written, another for every value that matters."""

from __future__ import annotations

import json
import re
from hashlib import sha256

import pytest
from layout.checks.faulty_layouts import _BUILDS
from layout.reading import read
from small_device import LAYOUT, layout_text

from gemel.layout.digest import digest_of, digested

DIGEST = "4e5b041f7d4bf5076e95c0c5edb84210077c0f49dfa6616c61731b2f7ce64723"

SAME = {
    "comments": LAYOUT.replace("\n", " # a comment\n"),
    "line ends": LAYOUT.replace("\n", "\r\n"),
    "byte order mark": "\ufeff" + LAYOUT,
    "decimal address": LAYOUT.replace("0x1000_0000", "268435456"),
    "size in bytes": LAYOUT.replace('"16 KiB"', "0x4000"),
    "size without blank": LAYOUT.replace('"1 KiB"', '"1024B"'),
    "a default written out": LAYOUT.replace(
        "write_unit = 8", "write_unit = 8\nerased_byte = 0xFF\naliases = []"
    ),
    "an empty list of contracts": LAYOUT + "[rules]\nwaive = []\n",
    "order of keys": LAYOUT.replace("rollback = 7\n", "").replace(
        "format = 1\n", "rollback = 7\nformat = 1\n"
    ),
    "a header for inline tables": re.sub(
        r"spare = \{ (.*), (.*), (.*), (.*) \}\n",
        "",
        LAYOUT,
    )
    + '[area.spare]\nmemory = "flash"\noffset = "8 KiB"\nsize = "2 KiB"\npurpose = "reserved"\n',
    "order of tables": LAYOUT.replace(_BUILDS, "") + _BUILDS,
    "a path": LAYOUT.replace(
        'stored_in = "station-code"', 'stored_in = "station-code"\npath = "out/station.elf"'
    ),
    "a waiver": LAYOUT + '[[rules.waive]]\nrule = "a"\nwhere = "b"\nreason = "c"\nuntil = 2027-06-30\n',
}

OTHER = {
    "product": ('"small-device"', '"small-devicf"'),
    "version": ('"1.2.3"', '"1.2.4"'),
    "rollback": ("rollback = 7", "rollback = 8"),
    "erase block": ('erase_block = "1 KiB"', 'erase_block = "2 KiB"'),
    "an unknown erase block": ('erase_block = "1 KiB"\n', ""),
    "write unit": ("write_unit = 8", "write_unit = 16"),
    "erased byte": ("write_unit = 8", "write_unit = 8\nerased_byte = 0"),
    "alias": ("write_unit = 8", "write_unit = 8\naliases = [0]"),
    "view": ("sampler = 0x3000_0000", "sampler = 0x3100_0000"),
    "extension": ('["security"]', '["security", "dsp"]'),
    "interrupts": ("interrupts = 16", "interrupts = 17"),
    "release": ("release_value = 0x1", "release_value = 0x0"),
    "an area's size": ('offset = "8 KiB", size = "2 KiB"', 'offset = "8 KiB", size = "1 KiB"'),
    "an area's purpose": ('purpose = "reserved"', 'purpose = "data"'),
    "an area's name": ("spare = ", "other = "),
    "a build's area": ('stored_in = "sampler-code"', 'stored_in = "sampler-code"\nruns_in = "sampler-run"'),
    "vector offset": ('stored_in = "sampler-code"', 'stored_in = "sampler-code"\nvector_offset = 256'),
    "stamp": ("width = 4", "width = 8"),
    "stamp's order": ("width = 4", 'width = 4\nbyte_order = "big"'),
    "algorithm": ("CRC-32/ISO-HDLC", "CRC-32/BZIP2"),
    "range": ("offset = 0, size = 0xFFC", "offset = 4, size = 0xFF8"),
    "symbol": ('"link_frames"', '"link_frame"'),
    "class": ('"small device"', '"small devicf"'),
    "a seal": ("[record]", '[seal]\narea = "seal"\n[record]'),
}


@pytest.mark.parametrize("how", SAME)
def test_the_digest_does_not_change_with_the_writing(how: str) -> None:
    """Comments, order, notation, defaults written out, paths and waivers leave the digest alone."""
    assert SAME[how] != LAYOUT
    assert read(SAME[how]).digest.hex() == DIGEST


@pytest.mark.parametrize("what", OTHER)
def test_the_digest_changes_with_every_value_that_matters(what: str) -> None:
    """Whatever changes the device, the image or what is demanded of it changes the digest."""
    old, new = OTHER[what]
    assert read(layout_text({old: new})).digest.hex() != DIGEST


def test_each_of_these_layouts_has_a_digest_of_its_own() -> None:
    """No two of the changed layouts share a digest."""
    digests = {read(layout_text({old: new})).digest for old, new in OTHER.values()}
    assert len(digests) == len(OTHER)


def test_the_digest_of_the_small_device_is_what_it_always_was() -> None:
    """Records in the field hold this value; a change of it makes every one of them one of another layout."""
    assert read(LAYOUT).digest.hex() == DIGEST


@pytest.mark.parametrize("case", sorted(SAME) + sorted(OTHER) + ["texts"])
def test_the_digest_is_over_json_as_the_standard_library_writes_it(case: str) -> None:
    """Sorted keys, no spaces, other than ASCII as it is: RFC 8259 by the library of Python."""
    text = SAME.get(case) or LAYOUT.replace(
        *OTHER.get(case, ('"small-device"', '"Pegel \\u00fc \\"a\\\\b\\" \\u2028 /"'))
    )
    layout = read(text).layout
    expected = json.dumps(digested(layout), sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert digest_of(layout) == sha256(expected.encode()).digest()

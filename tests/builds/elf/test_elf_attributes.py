"""Build attributes: the standard's format, its skipping rules, and sections that break them."""

from __future__ import annotations

import struct

import pytest
from elf_writer import attributes_scope, attributes_section, uleb128, vendor_part
from reading_builds import CODE, read_elf

from gemel.builds.elf.attributes import AttributesUnreadable, read_attributes
from gemel.m_profile.attribute_tags import TAGS

# ADDENDA32 2025Q4, "Encoding of attributes", as an assembler writes it for an Armv7-M core, with a
# neutral name of the processor.
WORKED_EXAMPLE = (
    b"A" + struct.pack("<I", 0x1B) + b"aeabi\0" + b"\x01" + struct.pack("<I", 0x11)
    + b"\x05core\0" + b"\x06\x0a" + b"\x07\x4d" + b"\x09\x02"
)  # fmt: skip


def test_worked_example() -> None:
    """The bytes that an assembler writes read as what they say."""
    attributes = read_attributes(WORKED_EXAMPLE)
    assert dict(attributes.values) == {5: "core", 6: 10, 7: 0x4D, 9: 2}
    assert attributes.cpu_name == "core"
    assert attributes.cpu_arch == 10
    assert attributes.profile == "M"
    assert attributes.not_understood == ()


def test_writer_and_worked_example_agree() -> None:
    """The writer of these tests makes the same bytes."""
    assert attributes_section({5: "core", 6: 10, 7: 0x4D, 9: 2}) == WORKED_EXAMPLE


def test_left_out_means_zero() -> None:
    """A tag that is left out is 0 or the empty text (ADDENDA32, "Default values for public tags")."""
    attributes = read_attributes(attributes_section({}))
    assert attributes.fp_arch == attributes.enum_size == attributes.dsp == attributes.mve == 0
    assert attributes.cpu_name == attributes.profile == ""
    assert attributes.in_words(10) == "no floating-point instructions"


PROPERTIES = {
    "cpu_arch": 6,
    "arm_instructions": 8,
    "fp_arch": 10,
    "advanced_simd": 12,
    "wchar_size": 18,
    "enum_size": 26,
    "hard_fp_use": 27,
    "fp_args": 28,
    "unaligned_access": 34,
    "division": 44,
    "dsp": 46,
    "mve": 48,
}


@pytest.mark.parametrize(("name", "tag"), PROPERTIES.items())
def test_named_property(name: str, tag: int) -> None:
    """Each named property is its tag's number (ADDENDA32, "Public (aeabi) attribute tags")."""
    attributes = read_attributes(attributes_section(dict.fromkeys(PROPERTIES.values(), 1) | {tag: 2}))
    assert getattr(attributes, name) == 2
    others = [getattr(attributes, other) for other in PROPERTIES if other != name]
    assert set(others) == {1}


# Words of ADDENDA32's tables, in short.
WORDS = {
    (6, 11): "Armv6-M",
    (6, 13): "Armv7E-M",
    (6, 17): "Armv8-M Mainline",
    (6, 21): "Armv8.1-M Mainline",
    (7, 0x4D): "microcontroller",
    (10, 6): "FPv4 with 16 registers",
    (18, 4): "4 bytes",
    (24, 5): "8-byte alignment, and up to 32-byte",
    (25, 12): "8-byte alignment, and up to 4096-byte",
    (26, 1): "the smallest integer that holds the values",
    (28, 1): "in floating-point registers",
    (48, 2): "integer and floating point",
    (6, 99): "99",
    (62, 3): "3",
}


@pytest.mark.parametrize(("tag", "value"), WORDS)
def test_values_in_words(tag: int, value: int) -> None:
    """Values read as words; those that the standard does not define as numbers."""
    assert read_attributes(attributes_section({tag: value})).in_words(tag) == WORDS[tag, value]


def test_text_in_words() -> None:
    """A text stands for itself."""
    assert read_attributes(attributes_section({67: "2025Q4"})).in_words(67) == "2025Q4"


def test_unknown_tags() -> None:
    """Unknown tags below 64 modulo 128 must be understood, the others may be ignored, and what follows
    an unknown tag is still found: even ones have numbers, odd ones texts (ADDENDA32, "Coding
    extensibility and compatibility")."""
    values = {62: 300, 63: "odd", 80: 1, 81: "odd", 130: 2, 131: "odd", 200: 7, 6: 17}
    attributes = read_attributes(attributes_section(values))
    assert dict(attributes.values) == values
    assert attributes.not_understood == (62, 63, 130, 131)
    assert attributes.cpu_arch == 17


def test_low_numbers_that_are_no_tags() -> None:
    """The numbers of the scopes are no tags of attributes, and have numbers as values."""
    attributes = read_attributes(attributes_section({0: 1, 1: 2, 3: 1, 33: "x", 6: 12}))
    assert attributes.not_understood == (0, 1, 3, 33)
    assert attributes.cpu_arch == 12


def test_compatibility_has_a_number_and_a_text() -> None:
    """Tag 32 has a flag and a vendor, and may stand several times (ADDENDA32, "Tag_compatibility")."""
    body = uleb128(32) + uleb128(1) + b"ours\0" + uleb128(32) + uleb128(2) + b"theirs\0" + b"\x06\x11"
    scope = b"\x01" + struct.pack("<I", len(body) + 5) + body
    attributes = read_attributes(b"A" + vendor_part("aeabi", scope))
    assert attributes.compatibility == ((1, "ours"), (2, "theirs"))
    assert attributes.cpu_arch == 17


def test_other_scopes_and_vendors() -> None:
    """Attributes of sections, symbols and other vendors are counted and not mixed in."""
    data = (
        b"A"
        + vendor_part("other", b"\xff\xff\xff anything at all")
        + vendor_part(
            "aeabi",
            attributes_scope(2, {6: 11}, b"\x01\x02\x00"),
            attributes_scope(1, {6: 17}),
            attributes_scope(3, {6: 13}, b"\x05\x00"),
        )
    )
    attributes = read_attributes(data)
    assert dict(attributes.values) == {6: 17}
    assert attributes.narrower_scopes == 2


def test_several_parts_of_one_vendor() -> None:
    """All parts of the vendor are read, the later value standing."""
    data = b"A" + vendor_part("aeabi", attributes_scope(1, {6: 11, 9: 1})) + vendor_part(
        "aeabi", attributes_scope(1, {6: 17}), attributes_scope(1, {26: 2})
    )  # fmt: skip
    assert dict(read_attributes(data).values) == {6: 17, 9: 1, 26: 2}


def test_every_tag_has_a_distinct_name() -> None:
    """The table of tags names each once."""
    names = [tag.name for tag in TAGS.values()]
    assert len(set(names)) == len(names)
    assert all(0 < tag < 128 for tag in TAGS)


def _file_scope(body: bytes) -> bytes:
    return b"A" + vendor_part("aeabi", b"\x01" + struct.pack("<I", len(body) + 5) + body)


MALFORMED = {
    "empty": (b"", "begins with nothing"),
    "other version": (b"B" + WORKED_EXAMPLE[1:], "begins with 42"),
    "size cut": (b"A\x20\0", "2 are left"),
    "vendor size zero": (b"A" + bytes(4), "says it has 0 bytes"),
    "vendor size of itself": (b"A\x04\0\0\0", "has no end"),
    "vendor size past the end": (
        b"A" + b"\x1c" + WORKED_EXAMPLE[2:],
        "says it has 28 bytes, and 27 are left",
    ),
    "vendor size near 4 GiB": (b"A\xff\xff\xff\xff" + WORKED_EXAMPLE[5:], "says it has 4,294,967,295 bytes"),
    "vendor name without an end": (b"A\x09\0\0\0aeabi", "has no end"),
    "scope cut": (b"A" + vendor_part("aeabi", b"\x01\x06\0"), "says it has 6 bytes, and 3 are left"),
    "scope size zero": (b"A" + vendor_part("aeabi", b"\x01" + bytes(4)), "a scope"),
    "scope size past the vendor's": (b"A" + vendor_part("aeabi", b"\x01\x06\0\0\0"), "a scope"),
    "scope size near 4 GiB": (b"A" + vendor_part("aeabi", b"\x01\xf0\xff\xff\xff"), "a scope"),
    "number cut": (_file_scope(b"\x06\x91"), "is cut"),
    "number missing": (_file_scope(b"\x06"), "is cut"),
    "number without end": (_file_scope(b"\x06" + b"\x80" * 40 + b"\x01"), "more than 9 digits"),
    "tag without end": (_file_scope(b"\xff" * 40), "more than 9 digits"),
    "text without end": (_file_scope(b"\x05core"), "has no end"),
    "compatibility cut": (_file_scope(b"\x20\x01"), "has no end"),
}


@pytest.mark.parametrize("name", MALFORMED)
def test_malformed(name: str) -> None:
    """A malformed section is told, and costs the build its attributes only."""
    data, words = MALFORMED[name]
    with pytest.raises(AttributesUnreadable, match=words):
        read_attributes(data)
    build = read_elf(attributes=data)
    assert build.segments[0].data == CODE.data
    assert build.attributes is None
    assert words in build.reason_for("build attributes")


def test_every_cut_is_told() -> None:
    """The worked example cut anywhere is unreadable, save after the format version."""
    assert not read_attributes(WORKED_EXAMPLE[:1]).values
    for size in range(2, len(WORKED_EXAMPLE)):
        with pytest.raises(AttributesUnreadable):
            read_attributes(WORKED_EXAMPLE[:size])


def test_section_out_of_bounds() -> None:
    """A section past the end of the file or far too long is missing with its reason."""
    past = read_elf(attributes={6: 17}, section_headers={".ARM.attributes": {"sh_offset": 1 << 30}})
    assert "outside the file" in past.reason_for("build attributes")
    long = read_elf(attributes=b"A" + bytes(1 << 16))
    assert "65,537 bytes, more than 65,536" in long.reason_for("build attributes")


def test_remarks_of_a_build() -> None:
    """Demands that are not understood and narrower scopes are remarks of the build."""
    data = b"A" + vendor_part(
        "aeabi", attributes_scope(1, {6: 17, 62: 1}), attributes_scope(2, {}, b"\x01\0")
    )
    build = read_elf(attributes=data)
    assert build.attributes is not None
    assert build.attributes.cpu_arch == 17
    texts = [str(remark) for remark in build.remarks]
    assert any("tags 62" in text for text in texts)
    assert any("1 such parts" in text for text in texts)

"""``callable-area-holds-only-veneers``: the bytes of the callable area, with the builds and without."""

from __future__ import annotations

import pytest
from capability_builds import applied, capability_builds, device, image_of
from image_edits import changed
from small_device import apply, findings

from gemel.spans import Span

RULE = "callable-area-holds-only-veneers"
AREA = 0x1000_8000
SG = bytes.fromhex("7fe97fe9")
VENEER = bytes.fromhex("7fe97fe9f8f754b8")


def _changed(at: dict[int, bytes], alone: bool = False):
    """The sound pair's image with bytes of the callable area replaced, by offset."""
    read, builds = device("security"), capability_builds("security")
    image = changed(image_of(read, builds), {AREA + offset: data for offset, data in at.items()})
    return apply(RULE, read, image, {} if alone else builds)


BREAKS = {
    "a constant that reads like SG": lambda: applied(RULE, "security", keeper="keeper-inadvertent-gateway"),
    "the same in the image alone": lambda: applied(
        RULE, "security", keeper="keeper-inadvertent-gateway", alone=True
    ),
    "a constant": lambda: applied(RULE, "security", keeper="keeper-crowded"),
    "erased bytes for padding": lambda: applied(RULE, "security", keeper="keeper-unpadded"),
    "erased bytes in front, in the image alone": lambda: applied(
        RULE, "security", keeper="keeper-misaligned", caller="caller-misaligned", alone=True
    ),
    "SG across two instructions": lambda: _changed({0x102: SG}),
    "SG without a branch": lambda: _changed({0x20: SG + bytes(4)}, alone=True),
    "SG without a branch, other instructions after it": lambda: _changed({0: SG + bytes.fromhex("00bf00bf")}),
    "SG and a call": lambda: _changed({8: SG + bytes.fromhex("f8f754f8")}),
    "SG inside a veneer's branch": lambda: _changed({0xC: SG}),
    "a veneer of no function": lambda: _changed({0x20: VENEER + bytes(24)}),
    "code": lambda: _changed({0x40: bytes.fromhex("704770477047")}),
    "code with zeros in it": lambda: _changed({0x40: bytes.fromhex("00bf0020704700000000ff010300")}),
    "two tables": lambda: _changed({0x40: b"\1\0\2" + bytes(9) + b"\3"}),
}

KEEPS = {
    "veneers and erased bytes": lambda: applied(RULE, "security"),
    "the image alone": lambda: applied(RULE, "security", alone=True),
    "zeros after": lambda: _changed({0x20: bytes(0x3E0)}),
    "a further vector of veneers, as far as the image shows": lambda: _changed(
        {0x20: VENEER + bytes(24)}, alone=True
    ),
    "a hole where a function was dropped": lambda: _changed({0: bytes(8)}),
    "erased bytes in front of misaligned veneers, another rule's matter": lambda: applied(
        RULE, "security", keeper="keeper-misaligned", caller="caller-misaligned"
    ),
    "veneers in another area": lambda: applied(
        RULE, "security", keeper="keeper-veneers-outside", caller="caller-veneers-outside"
    ),
}


@pytest.mark.parametrize("offset", range(0x40, 0x60))
def test_sg_is_found_at_every_even_address(offset: int) -> None:
    """The pattern counts on every 2-byte boundary and on no other (CMSE 1.4, requirement 12)."""
    result = _changed({offset: SG}, alone=True)
    entered = [finding for finding in findings(result) if "can enter" in finding.what]
    assert len(entered) == (offset % 2 == 0)
    assert result.status == "broken"


def test_parties_and_places() -> None:
    """A finding names the area and the bytes by address, so that it can be waived and looked up."""
    (finding,) = findings(BREAKS["a constant"]())
    assert finding.parties == ("veneers",)
    assert finding.span is not None
    assert finding.span.start == AREA + 0x20
    assert finding.found == "02 04 01 00"


@pytest.mark.parametrize("behind", ["00bf00bf", "f8f754f8", "00e000bf", "00000000", "ffffffff"])
def test_one_broken_veneer_is_one_finding(behind: str) -> None:
    """Whatever stands behind SG instead of a branch is told together with SG, as the eight bytes it is."""
    (finding,) = findings(_changed({8: SG + bytes.fromhex(behind)}))
    assert finding.found == f"{SG.hex(' ')} {bytes.fromhex(behind).hex(' ')}, SG without a branch after it"
    assert finding.span == Span(AREA + 8, 8)


@pytest.mark.parametrize("gap", range(17))
@pytest.mark.parametrize("free", [b"\0", b"\xff"])
def test_content_is_told_in_whole_halfwords_over_small_gaps(gap: int, free: bytes) -> None:
    """Bytes less than a veneer apart are one content; none is told from or to an odd address."""
    result = findings(_changed({0x40: b"\1" + free * gap + b"\1"}))
    spans = [finding.span for finding in result]
    assert len(spans) == (1 if gap <= 8 else 2)
    assert all(span and span.start % 2 == span.end % 2 == 0 for span in spans)
    assert spans[0]
    assert spans[-1]
    assert (spans[0].start, spans[-1].end) == (AREA + 0x40, AREA + 0x40 + gap + 2 + gap % 2)

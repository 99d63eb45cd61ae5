"""``callable-area-holds-only-veneers``: the bytes of the callable area, with the builds and without."""

from __future__ import annotations

import pytest
from capability_builds import applied, capability_builds, device, image_of
from image_edits import changed
from small_device import apply, findings

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
    "SG inside a veneer's branch": lambda: _changed({0xC: SG}),
    "a veneer of no function": lambda: _changed({0x20: VENEER + bytes(24)}),
    "code": lambda: _changed({0x40: bytes.fromhex("704770477047")}),
}

KEEPS = {
    "veneers and erased bytes": lambda: applied(RULE, "security"),
    "the image alone": lambda: applied(RULE, "security", alone=True),
    "zeros behind": lambda: _changed({0x20: bytes(0x3E0)}),
    "a further vector of veneers, as far as the image tells": lambda: _changed(
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
    assert finding.found == "02 04 01"

"""``seal-present``: an image without a seal where the layout requires one."""

from __future__ import annotations

import pytest
from image_edits import changed, filled
from sealed_images import OLD, OPTIONAL, REQUIRED, SEAL, cut_away, of, sealed, unsealed
from small_device import FLASH, SAMPLER, STATION, TODAY, findings, joined, layout
from verdict_builds import broken_in

from gemel.checking.runner import check
from gemel.inspection.inspection import Inspection
from gemel.spans import Span, format_address

RULE = "seal-present"

BREAKS = {
    "never sealed": lambda: of(RULE, unsealed()),
    "every byte of flash written, the seal's erased": lambda: of(
        RULE, filled(unsealed(), Span(FLASH, 0x4000))
    ),
    "the seal cut away": lambda: of(RULE, cut_away(sealed(OLD))),
    "the image cut in the middle of a build": lambda: of(
        RULE, changed(sealed(OLD), {}, (Span.from_bounds(SAMPLER + 0x40, FLASH + 0x4000),))
    ),
    "no key trusted either": lambda: of(RULE, unsealed(), []),
}

KEEPS = {
    "a sealed image": lambda: of(RULE, sealed(OLD)),
    "sealed by a key that nobody trusts": lambda: of(RULE, sealed(OLD), []),
    "something that is no seal, which another rule finds": lambda: of(RULE, cut_away(sealed(OLD), 0)),
    "a seal that is not required": lambda: of(RULE, sealed(OLD, read=OPTIONAL), read=OPTIONAL),
}


def test_no_seal_where_none_is_required_is_not_checked() -> None:
    """A layout that requires no seal takes an image without one, and says that none was looked at."""
    result = of(RULE, unsealed(OPTIONAL), read=OPTIONAL)
    assert (result.status, findings(result)) == ("does not apply", [])
    assert [missing.reason for missing in result.not_applicable] == ["there is no seal, and none is required"]


@pytest.mark.parametrize("place", [FLASH + 0x2C00, STATION + 0xE00], ids=["in no area", "in an area"])
def test_a_seal_away_from_its_area_is_one_finding(place: int) -> None:
    """The seal that is missed is named where it is, with the place where it belongs; what its bytes break follows."""
    image = sealed(OLD)
    moved = cut_away(image)
    seal = image.read(Span(SEAL, 0x1000), 0xFF).rstrip(b"\xff")
    moved.write(place, seal)
    result = check(Inspection(REQUIRED, moved, {}, trusted=(OLD.public_key,)), TODAY)
    assert broken_in(result) == {RULE: 1}
    (finding,) = [each.finding for each in result.findings if each.rule.name == RULE]
    assert finding.lines[0] == f"a seal begins at {format_address(place)}"
    assert finding.next_step.endswith(f"the seal belongs at {format_address(SEAL)}")
    moved.write(place + len(seal), b"\x5a")  # a byte more is a change of its own
    changed_too = broken_in(check(Inspection(REQUIRED, moved, {}, trusted=(OLD.public_key,)), TODAY))
    assert set(changed_too) in ({RULE, "rest-digest-matches"}, {RULE, "image-inside-areas"})


def test_a_layout_without_a_seal_is_not_checked() -> None:
    """Without [seal] there is nothing to look at, whatever lies in an area of that purpose."""
    read = layout()
    result = of(RULE, joined(read).image, read=read)
    assert [missing.reason for missing in result.not_applicable] == ["the layout has no seal"]

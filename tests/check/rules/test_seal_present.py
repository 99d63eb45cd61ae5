"""``seal-present``: an image without a seal where the layout requires one."""

from __future__ import annotations

from check.sealed import OLD, OPTIONAL, cut_away, of, sealed, unsealed
from image_edits import changed, filled
from small_device import FLASH, SAMPLER, findings, joined, layout

from gemel.spans import Span

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


def test_a_layout_without_a_seal_is_not_checked() -> None:
    """Without [seal] there is nothing to look at, whatever lies in an area of that purpose."""
    read = layout()
    result = of(RULE, joined(read).image, read=read)
    assert [missing.reason for missing in result.not_applicable] == ["the layout has no seal"]

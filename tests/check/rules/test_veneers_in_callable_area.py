"""``veneers-in-callable-area``: gateways of real secure builds against the layout's callable area."""

from __future__ import annotations

from capability_builds import applied, capability_builds, device, image_of
from gauge_builds import gauge, gauge_builds
from small_device import apply, findings, joined

RULE = "veneers-in-callable-area"
CALLABLE = 'security = "non-secure-callable"'


def _outside():
    return applied(RULE, "security", keeper="keeper-veneers-outside", caller="caller-veneers-outside")


BREAKS = {
    "veneers among the secure code": _outside,
    "the area is not callable": lambda: applied(RULE, "security", replace={CALLABLE: 'security = "secure"'}),
    "the build is in an area that is not secure": lambda: applied(
        RULE, "security", replace={'security = "secure"': 'security = "non-secure"'}
    ),
    "the area does not say": lambda: applied(RULE, "security", replace={CALLABLE + "\n": ""}),
}

KEEPS = {
    "veneers in their area": lambda: applied(RULE, "security"),
    "linked for the other alias": lambda: applied(RULE, "security", caller="caller-secure-alias"),
}


def test_each_gateway_is_named_with_its_area() -> None:
    """The finding tells every gateway, its address, and the area in which it lies."""
    (finding,) = findings(_outside())
    assert finding.found == "keeper_add at 0x1000_4000, in area keeper-code (secure)"
    assert finding.lines == ("keeper_count at 0x1000_4008, in area keeper-code (secure)",)
    assert finding.expected == "area veneers (non-secure-callable), 0x1000_8000..0x1000_83FF"


def test_nothing_to_look_at_and_nothing_to_look_with() -> None:
    """A layout without attributions has nothing to look at; without the ELF file it is not checked."""
    plain = apply(RULE, gauge(), joined().image, gauge_builds())
    assert [each.reason for each in plain.not_applicable] == [plain.rule.absent]
    read = device("security")
    alone = apply(RULE, read, image_of(read, capability_builds("security")), {})
    assert [each.reason for each in alone.not_checked] == ["needs the ELF file: keeper=FILE"]

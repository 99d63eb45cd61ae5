"""``secure-entries-agree``: what a non-secure build was linked with against what the secure one offers."""

from __future__ import annotations

from capability_builds import applied, capability_builds, device, image_of
from gauge_builds import gauge, gauge_builds
from small_device import apply, findings, joined

RULE = "secure-entries-agree"

BREAKS = {
    "stale import library": lambda: applied(RULE, "security", caller="caller-stale"),
    "import library whose gateways all moved": lambda: applied(RULE, "security", caller="caller-stale-all"),
    "import library of a newer keeper": lambda: applied(RULE, "security", caller="caller-calls-missing"),
    "the gateways moved to another area": lambda: applied(RULE, "security", keeper="keeper-veneers-outside"),
}

KEEPS = {
    "linked with this keeper": lambda: applied(RULE, "security"),
    "linked with it, both with the veneers elsewhere": lambda: applied(
        RULE, "security", keeper="keeper-veneers-outside", caller="caller-veneers-outside"
    ),
}


def test_what_is_called_instead_is_told() -> None:
    """A stale address says which gateway is there now."""
    (finding,) = findings(BREAKS["stale import library"]())
    assert "keeper_count at 0x1000_8000" in finding.found
    assert finding.found.endswith("where the gateway of keeper_add is")
    assert finding.expected == "0x1000_8008, its gateway in build keeper"
    assert finding.parties == ("caller", "keeper", "station")


def test_a_stale_import_library_is_one_finding() -> None:
    """Where several addresses are wrong, the library is, and the others are listed."""
    (finding,) = findings(BREAKS["import library whose gateways all moved"]())
    assert finding.what == "build caller is linked with another import library than that of build keeper"
    (line,) = finding.lines
    assert line.startswith(
        "keeper_count at 0x1000_8028, in area veneers (non-secure-callable), where no gateway is;"
    )


def test_a_missing_function_lists_what_there_is() -> None:
    """A function that the secure build does not offer is told with all that it does."""
    (finding,) = findings(BREAKS["import library of a newer keeper"]())
    assert finding.expected.endswith("build keeper offers: keeper_add, keeper_count")


def test_both_files_are_needed() -> None:
    """Without one of the two nothing is said to hold; without a secure area there is nothing to look at."""
    read, builds = device("security"), capability_builds("security")
    image = image_of(read, builds)
    for missing in builds:
        handed = {name: build for name, build in builds.items() if name != missing}
        result = apply(RULE, read, image, handed)
        assert [each.reason for each in result.not_checked] == [f"needs the ELF file: {missing}=FILE"]
        assert not result.holds
    plain = apply(RULE, gauge(), joined().image, gauge_builds())
    assert [each.reason for each in plain.not_applicable] == [plain.rule.absent]

"""``builds-inside-own-attribution``: areas, segments and first stacks of builds against the layout."""

from __future__ import annotations

from capability_builds import applied, capability_builds, device, image_of
from gauge_builds import gauge, gauge_builds
from small_device import apply, findings, joined

RULE = "builds-inside-own-attribution"

BREAKS = {
    "non-secure data and stack in secure RAM": lambda: applied(
        RULE, "security", caller="caller-in-secure-ram"
    ),
    "the same, of which the image shows the stack": lambda: applied(
        RULE, "security", caller="caller-in-secure-ram", alone=True
    ),
    "a secure build stored in a non-secure area too": lambda: applied(
        RULE, "security", replace={'security = "non-secure-callable"': 'security = "non-secure"'}
    ),
    "the same in an area that is not shared": lambda: applied(
        RULE, "security", replace={'purpose = "shared"': 'purpose = "data"'}, keeper="keeper-shares"
    ),
    "secure RAM that the layout calls non-secure": lambda: applied(
        RULE, "security", replace={'"data", security = "secure"': '"data", security = "non-secure"'}
    ),
}

KEEPS = {
    "secure variables in a shared area that is non-secure": lambda: applied(
        RULE, "security", keeper="keeper-shares"
    ),
    "each in its own": lambda: applied(RULE, "security"),
    "each in its own, by the image": lambda: applied(RULE, "security", alone=True),
    "a window of the wrong state, another rule's matter": lambda: applied(
        RULE, "security", caller="caller-secure-alias"
    ),
}


def test_an_area_that_does_not_say_keeps_the_rule_from_holding() -> None:
    """Where a build uses memory of which the layout does not say, it is not checked."""
    result = applied(
        RULE, "security", replace={', security = "non-secure" }\n\n[area.veneers]': " }\n\n[area.veneers]"}
    )
    assert [each.where for each in result.not_checked] == ["build caller"]
    assert "area caller-ram" in result.not_checked[0].reason
    assert [each.where for each in result.holds] == ["build keeper, 6 spans"]


def test_data_and_stack_in_one_area_are_one_finding() -> None:
    """What a build has in memory of the other state is a finding for each area, with all that is there."""
    (data,) = findings(BREAKS["non-secure data and stack in secure RAM"]())
    assert data.what == "build caller uses memory of the other security state"
    assert [line.split(" 0x")[0] for line in data.lines] == ["starts its stack in"]
    assert "keeper-ram (secure)" in data.found
    assert data.parties == ("caller", "keeper-ram", "station")


def test_layouts_without_attributions_are_left_alone() -> None:
    """The tide gauge states none: nothing to look at."""
    result = apply(RULE, gauge(), joined().image, gauge_builds())
    assert [each.reason for each in result.not_applicable] == [result.rule.absent]


def test_the_area_that_a_build_is_copied_to_counts_without_its_file() -> None:
    """Where the build is copied to memory of the other state, the layout alone shows it."""
    size = 'offset = "32 KiB", size = "32 KiB", purpose = "data", security = "non-secure" }\n'
    run = 'run = { memory = "ram", offset = "48 KiB", size = "16 KiB", purpose = "code", security = "secure" }\n'
    stored = 'stored_in = "caller-code"'
    read = device(
        "security",
        {
            size: size.replace('size = "32 KiB"', 'size = "16 KiB"') + run,
            stored: f'{stored}\nruns_in = "run"',
        },
    )
    image = image_of(device("security"), capability_builds("security"))
    found = [each.found for each in findings(apply(RULE, read, image, {}))]
    assert found[0] == "area run (secure) from 0x3800_C000 on"

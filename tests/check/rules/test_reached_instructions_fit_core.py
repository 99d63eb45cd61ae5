"""``reached-instructions-fit-core``: images alone, code told from data by following it from the vectors."""

from __future__ import annotations

from capability_builds import applied, capability_builds, device, image_of
from gauge_builds import ARRANGEMENTS, gauge, gauge_builds
from small_device import apply, findings, joined

RULE = "reached-instructions-fit-core"


def _gauge_alone(arrangement: str):
    """The image of one arrangement of the tide gauge, without its builds."""
    read = gauge(arrangement)
    image = joined(read, gauge_builds(arrangement)).image
    return apply(RULE, read, image, {}, disassemble=True)


BREAKS = {
    **{
        f"one {kind} instruction": lambda kind=kind: applied(
            RULE, sampler=f"sampler-{kind}-instruction", alone=True
        )
        for kind in ("float", "dsp", "vector", "security")
    },
    "one divide instruction on Armv6-M": lambda: applied(
        RULE, "small-secondary", sampler="small-sampler-divide-instruction", alone=True
    ),
    "hard float": lambda: applied(RULE, sampler="sampler-hard-float", alone=True),
}

KEEPS = {
    "mainline": lambda: applied(RULE, alone=True),
    "small secondary": lambda: applied(RULE, "small-secondary", alone=True),
    **{f"the tide gauge, {name}": lambda name=name: _gauge_alone(name) for name in ARRANGEMENTS},
}


def test_it_is_said_to_be_less_certain() -> None:
    """Severity, evidence and next step all say that this is worth a look and no proof."""
    result = BREAKS["one float instruction"]()
    (finding,) = findings(result)
    assert result.severity == "warning"
    assert finding.lines[-1].startswith("less certain than with the ELF file")
    assert "ELF file, which settles it" in result.rule.remedy


def test_with_the_symbols_the_other_rule_looks() -> None:
    """Builds whose symbols are at hand are left to ``instructions-fit-core``, whatever they hold."""
    result = applied(RULE, sampler="sampler-hard-float")
    assert (result.findings, result.holds) == ((), ())
    assert [each.reason for each in result.not_checked] == [result.rule.absent]


def test_nothing_is_read_unless_asked() -> None:
    """Without being asked the rule says so and does not look at the code."""
    read, handed = device(), capability_builds(sampler="sampler-hard-float")
    result = apply(RULE, read, image_of(read, handed), {})
    assert {each.reason for each in result.not_checked} == {
        "takes its time, and was not asked for (gemel check --disassemble)"
    }


def test_how_much_was_reached_is_told() -> None:
    """What holds says how many bytes of code that is about."""
    held = [each.where for each in KEEPS["mainline"]().holds]
    assert held[1].startswith("build sampler, ")
    assert held[1].endswith(" bytes of code that were reached")

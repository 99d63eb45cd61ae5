"""Tests of the rule ``secure-fault-vector-unused``."""

from __future__ import annotations

from small_device import findings, layout, sampler_elf
from vector_fixtures import SAMPLER_CORE, alone, of

RULE = "secure-fault-vector-unused"
BASELINE = layout({SAMPLER_CORE: SAMPLER_CORE.replace("armv8-m.main", "armv8-m.base")})
OWN_HARD_FAULT = {3: 0x1000_1081}

BREAKS = {
    "handler on Baseline": lambda: of(RULE, read=BASELINE, sampler=sampler_elf(words=OWN_HARD_FAULT)),
    "erased": lambda: of(RULE, read=BASELINE, sampler=sampler_elf(words={7: 0xFFFF_FFFF})),
    "image alone": lambda: alone(RULE, read=BASELINE, sampler=sampler_elf(words=OWN_HARD_FAULT)),
}
KEEPS = {
    "zero": lambda: of(RULE, read=BASELINE, sampler=sampler_elf(words={7: 0})),
    "one handler for all": lambda: of(RULE, read=BASELINE),
    "a default handler in all words": lambda: of(
        RULE,
        read=BASELINE,
        sampler=sampler_elf(words=OWN_HARD_FAULT | dict.fromkeys((*range(4, 11), 12, 13), 0x1000_1089)),
    ),
    "zero, image alone": lambda: alone(RULE, read=BASELINE, sampler=sampler_elf(words={7: 0})),
}


def test_it_is_a_warning_that_names_the_function() -> None:
    """A SecureFault handler on a Baseline core is a warning with the function's name."""
    result = BREAKS["handler on Baseline"]()
    assert result.severity == "warning"
    (finding,) = findings(result)
    assert finding.found == "0x1000_1089 (other_handler)"


def test_other_architectures_have_nothing_to_look_at() -> None:
    """Without a Baseline core the rule is not checked, and says why."""
    result = of(RULE)
    assert result.status == "does not apply"
    assert [each.reason for each in result.not_applicable] == [
        "no build in a code area runs on an armv8-m.base core"
    ]


def test_a_blank_table_is_not_checked() -> None:
    """A blank table has no word 7 to look at."""
    result = of(RULE, read=BASELINE, sampler=sampler_elf(words={0: 0, 1: 0}))
    assert [each.where for each in result.not_checked] == ["build sampler"]

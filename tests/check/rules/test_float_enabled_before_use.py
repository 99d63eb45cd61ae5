"""Tests of the rule ``float-enabled-before-use``."""

from __future__ import annotations

from small_device import findings
from verdict_builds import of

RULE = "float-enabled-before-use"
FP = (('role = "secondary"\n', 'role = "secondary"\nextensions = ["fp"]\n'),)
BREAKS = {
    "enabled later": lambda: of(RULE, "v7", "sampler-float-late", changes=FP),
    "enabled later, by clang": lambda: of(RULE, "v7", "sampler-float-late-clang", changes=FP),
    "never enabled": lambda: of(RULE, "v8", "sampler-float-never", changes=FP),
}
KEEPS = {
    "enabled first": lambda: of(RULE, "v7", "sampler-float-first", changes=FP),
    "no floating point": lambda: of(RULE, "v8", changes=FP),
}


def test_the_function_is_named() -> None:
    """The finding names the function of the first floating-point instruction."""
    (finding,) = findings(BREAKS["never enabled"]())
    assert "(measure)" in finding.where


def test_a_store_that_enables_something_else_is_named() -> None:
    """A store to CPACR is not called unknown: what it leaves out is shown."""
    (finding,) = findings(of(RULE, "v7", "sampler-float-other-bits", changes=FP))
    assert finding.found.endswith("does not give access to both")


def test_without_its_elf_file_a_build_is_not_checked() -> None:
    """The image alone does not show whether code comes before other code."""
    (missing,) = of(RULE, "v7", "sampler-float-late", changes=FP, given=("station",)).not_checked
    assert missing.where == "build sampler"
    assert "sampler=FILE" in missing.reason

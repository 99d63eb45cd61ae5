"""Re-makes ``reports/*.txt``: whole reports of a check, word for word as people read them.

    python tests/check/make_reports.py

``CASES`` names each report and how it is made; ``test_report_text.py`` compares the stored ones with what is
said now.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

from gemel.structs import replace

HERE = Path(__file__).parent
if str(HERE.parent) not in sys.path:  # run as a script; pytest has put the tests' folder there
    sys.path[:0] = [str(HERE.parent), str(HERE.parent / "support")]

from check.rule_fixtures import FINDING, HOLDS, MISSING, result_of, rule, waiver, waiving
from gauge_builds import gauge, gauge_builds
from image_edits import changed
from small_device import STATION, TODAY, builds, joined, layout

from gemel.checking.registry import all_rules
from gemel.checking.reports.as_text import report_of
from gemel.checking.runner import RulesApplied, check
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection, Strict
from gemel.inspection.wording import needs_build, see
from gemel.joining.pipeline import join
from gemel.outcomes import Need, NotChecked, Reason

REPORTS = HERE / "reports"
RULES = (
    "boot-constant-agrees",
    "builds-in-own-areas",
    "checksum-distance-sufficient",
    "checksums-match",
    "code-runs-where-stored",
    "copied-build-in-run-area",
    "image-equals-builds",
    "record-digests-match",
    "record-of-these-builds",
    "record-sound",
    "reserved-areas-untouched",
    "rest-digest-matches",
    "stamps-match",
    "write-units-whole",
)
"""The rules whose reports are stored: these only, so that a new rule changes none of them."""

LONG = replace(
    FINDING,
    what="a sentence that is so long that no line of a terminal of eighty columns holds all of it",
    found="0x1000_0000..0x1000_0FFF, 4 KiB (4,096 bytes), of which 256 bytes from 0x1000_0400 on differ",
    lines=("station  12  used  34", f"a line of evidence without columns, {'long enough ' * 4}to be wrapped"),
    next_step="do this",
)


def _checked(subject: Inspection) -> RulesApplied:
    return check(subject, TODAY, [each for each in all_rules() if each.name in RULES])


def _small(image: SparseBytes | None = None, alone: bool = False) -> RulesApplied:
    image = joined().image if image is None else image
    return _checked(Inspection(layout(), image, {} if alone else builds()))


def _every_kind() -> RulesApplied:
    waivers = (
        waiver("d-rule", reason="the sampler is never updated alone"),
        waiver("e-rule", until="2026-01-31", reason="until the next board"),
        waiver("f-rule", "sampler-code", reason="a reason nobody needs any more"),
    )
    rules = [
        rule("a-rule", LONG, HOLDS),
        rule("b-rule", FINDING, severity="warning"),
        rule("c-rule", FINDING, severity="note"),
        rule("d-rule", FINDING),
        rule("e-rule", FINDING),
        rule("f-rule", HOLDS),
        rule("g-rule", MISSING, HOLDS),
        rule("h-rule", NotChecked("builds", Reason.joined(map(needs_build, "ab")))),
        rule("i-rule", NotChecked("build station", see("b-rule", "its vector table is blank"))),
        rule("j-rule", absent="the layout has no seal"),
        rule("k-rule", absent="the layout has no seal"),
        rule("l-rule", NotChecked("", Reason("needs --rehearse", Need("option", "--rehearse")))),
        rule("m-rule", absent=Reason("needs --at-least", Need("option", "--at-least"))),
        rule("o-rule", NotChecked("build station", "its code is in no section")),
        rule(
            "p-rule",
            NotChecked("build station", Reason("needs its symbols", Need("symbol", build="station"))),
        ),
        rule("q-rule", NotChecked("", Reason("needs a library", Need("extra", "disassemble")))),
        rule(
            "r-rule", NotChecked("", Reason("needs erase_block", Need("layout", "memory.flash.erase_block")))
        ),
        rule("n-rule", NotChecked("area seal", Reason("needs a trusted key: --trust PUBKEY", Need("key")))),
    ]
    return result_of(rules, waiving(*waivers))


def _strictly(strict: Strict) -> RulesApplied:
    """A check that only ``strict`` fails."""
    subject = Inspection(layout(), joined().image, builds(), strict=strict)
    lacking = rule("b-rule", FINDING, severity="warning") if strict == "warnings" else rule("b-rule", MISSING)
    return check(subject, TODAY, [rule("a-rule", HOLDS), lacking])


def _gauge_alone() -> RulesApplied:
    read = gauge()
    return _checked(Inspection(read, join(read, gauge_builds()).image, {}))


CASES: dict[str, Callable[[], list[str]]] = {
    "a-sound-image-with-builds": lambda: report_of(_small()),
    "a-sound-image-alone": lambda: report_of(_small(alone=True)),
    "a-sound-image-everything": lambda: report_of(_small(alone=True), everything=True),
    "the-tide-gauge-alone": lambda: report_of(_gauge_alone()),
    "a-changed-byte": lambda: report_of(_small(changed(joined().image, {STATION + 0x90: b"\0"}))),
    "every-kind-of-line": lambda: report_of(_every_kind()),
    "every-kind-of-line-everything": lambda: report_of(_every_kind(), everything=True),
    "every-kind-of-line-60": lambda: report_of(_every_kind(), width=60),
    "every-kind-of-line-160": lambda: report_of(_every_kind(), width=160),
    "only-a-warning-strictly": lambda: report_of(_strictly("warnings")),
    "only-an-input-missing-strictly": lambda: report_of(_strictly("inputs")),
    "no-rule-applied": lambda: report_of(result_of([rule("a-rule", MISSING)])),
}


def main() -> None:
    """Write every report anew."""
    REPORTS.mkdir(exist_ok=True)
    for path in REPORTS.glob("*.txt"):
        path.unlink()
    for name, make in CASES.items():
        text = "".join(f"{line}\n" for line in make())
        (REPORTS / f"{name}.txt").write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()

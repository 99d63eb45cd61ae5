"""Re-makes ``documents/*``: whole reports of a check in the forms that other programs read.

    python tests/check/make_documents.py

``CASES`` names each result and how it is made; of each there is a SARIF log and a JUnit file.
``test_report_sarif.py`` and ``test_report_junit.py`` compare the stored ones with what is written now.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import NamedTuple

from gemel.structs import replace

HERE = Path(__file__).parent
if str(HERE.parent) not in sys.path:  # run as a script; pytest has put the tests' folder there
    sys.path[:0] = [str(HERE.parent), str(HERE.parent / "support")]

from check.rule_fixtures import FINDING, HOLDS, MISSING, rule, waiver
from gauge_builds import ARRANGEMENTS, gauge, gauge_builds
from image_edits import changed, holding
from small_device import LINK, STATION, TODAY, builds, joined, layout

from gemel.checking.runner import RulesApplied, check
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.inspection.wording import needs_build
from gemel.joining.pipeline import join
from gemel.layout.reader import ReadLayout
from gemel.outcomes import NotChecked, Reason
from gemel.spans import Span
from gemel.workflows.report_forms import format_named

DOCUMENTS = HERE / "documents"
SUFFIXES = {"sarif": ".sarif", "junit": ".xml"}


class Case(NamedTuple):
    """A result and what was checked."""

    result: RulesApplied
    subject: Inspection


def change(name: str, severity: str, reason: str = "agreed") -> str:
    """One change of a severity as the layout has it."""
    return f'{{ rule = "{name}", severity = "{severity}", reason = "{reason}" }}'


def ruled(waivers: tuple[str, ...] = (), changes: tuple[str, ...] = ()) -> ReadLayout:
    """The small device's layout with these waivers and changes of severity."""
    return layout(add=f"\n[rules]\nwaive = [{', '.join(waivers)}]\nseverity = [{', '.join(changes)}]\n")


def _every_kind() -> Case:
    """One rule for everything that can become of one, with strange text in between."""
    odd = replace(
        FINDING,
        what='words with <markup> & "quotes", {braces}, a \x1b control and a \x85 one',
        span=Span(LINK, 1),
        lines=("station  12  used  34", "a second line"),
        parties=("link", "station", "station-length", "station-crc", "nobody"),
    )
    everywhere = replace(FINDING, span=Span(STATION, 0x8000), next_step="do this")
    nowhere = replace(FINDING, span=Span(0xFFFF_FFF0, 16), where="", found="", expected="")
    waivers = (
        waiver("d-rule", reason="the sampler is never updated alone"),
        waiver("e-rule", until="2026-01-31", reason="until the next board"),
        waiver("f-rule", "sampler-code", reason="a reason nobody needs any more"),
    )
    changes = (change("l-rule", "warning", "<this> & that"), change("m-rule", "error", "it must hold here"))
    rules = [
        rule("a-rule", odd, HOLDS, MISSING),
        rule("b-rule", everywhere, severity="warning"),
        rule("c-rule", nowhere, severity="note"),
        rule("d-rule", FINDING, MISSING),
        rule("e-rule", FINDING, FINDING),
        rule("f-rule", HOLDS),
        rule("g-rule", MISSING, HOLDS),
        rule("h-rule", NotChecked("builds", Reason.joined(map(needs_build, "ab")))),
        rule("j-rule", absent="the layout has no seal"),
        rule("l-rule", FINDING),
        rule("m-rule", HOLDS, severity="note"),
    ]
    return _case(ruled(waivers, changes), rules=rules)


def _case(
    read: ReadLayout | None = None,
    image: SparseBytes | None = None,
    alone: bool = False,
    rules: object = None,
) -> Case:
    read = read or layout()
    image = joined(read).image if image is None else image
    subject = Inspection(read, image, {} if alone else builds())
    return Case(check(subject, TODAY, rules), subject)  # type: ignore[arg-type]


def _gauge(arrangement: str) -> Case:
    read, handed = gauge(arrangement), gauge_builds(arrangement)
    subject = Inspection(read, join(read, handed).image, handed)
    return Case(check(subject, TODAY), subject)


STORED: dict[str, Callable[[], Case]] = {
    "every-kind": _every_kind,
    "no-rule-applied": lambda: _case(rules=[rule("a-rule", MISSING)]),
}
"""Those whose reports are stored; of rules made for tests, so that no change of a real one changes them."""

CASES: dict[str, Callable[[], Case]] = {
    **STORED,
    "no rule": lambda: _case(rules=[]),
    "sound": lambda: _case(),
    "alone": lambda: _case(alone=True),
    "changed byte": lambda: _case(image=changed(joined().image, {STATION + 0x90: b"\0"})),
    "empty": lambda: _case(image=SparseBytes(), alone=True),
    "outside everything": lambda: _case(image=holding({0: b"\1", 0xFFFF_FFFF: b"\2"})),
    **{name: lambda name=name: _gauge(name) for name in ARRANGEMENTS},
}


@cache
def case(name: str) -> Case:
    """One case, made once."""
    return CASES[name]()


def document(name: str, form: str) -> str:
    """The report of one case in one form."""
    made = case(name)
    return format_named(form).render(made.result, made.subject, "tide.hex")


def stored(name: str, form: str) -> Path:
    """The file that holds the report of one stored case."""
    return DOCUMENTS / f"{name}{SUFFIXES[form]}"


def main() -> None:
    """Write every stored report anew."""
    DOCUMENTS.mkdir(exist_ok=True)
    for path in DOCUMENTS.iterdir():
        path.unlink()
    for name in STORED:
        for form in SUFFIXES:
            stored(name, form).write_text(document(name, form), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()

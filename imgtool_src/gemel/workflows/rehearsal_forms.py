"""The forms in which a rehearsal is reported: its own, and those of a check."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from gemel.inspection.inspection import Inspection
    from gemel.rehearsal.result import Rehearsal


def rehearsal_text(
    rehearsal: Rehearsal, inspection: Inspection, form: str, *, width: int = 80, everything: bool = True
) -> str:
    """The report of ``rehearsal``, which ``inspection`` says the subject of: text, json, svg or a form of a check.

    ``width`` is in columns, and ``everything`` lists what is not modelled; both are for text.
    """
    from gemel.checking.identity import identity_of, seal_unverified

    if form == "text":
        from gemel.rehearsal.reports.text import report_of

        unverified = seal_unverified(inspection)
        lines = report_of(
            rehearsal, identity_of(inspection), width=width, everything=everything, unverified=unverified
        )
        return "".join(f"{line}\n" for line in lines)
    if form == "json":
        from gemel.rehearsal.reports.json import report

        return report(rehearsal, identity_of(inspection))
    if form == "svg":
        from gemel.rehearsal.reports.svg import picture_of

        return picture_of(rehearsal)
    from gemel.checking.rules.rehearsal_passes import RULE, rules_of
    from gemel.checking.runner import check
    from gemel.workflows.checking import date_of_today
    from gemel.workflows.report_forms import format_named

    # Each kind of finding is a rule of its own, in no registry, so that no layout can waive it.
    rules = rules_of(rehearsal.findings)
    result = check(inspection, date_of_today(), [RULE, *rules] if rehearsal.passes else rules)
    return format_named(form).render(result, inspection, inspection.file)

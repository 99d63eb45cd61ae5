"""Checking an image: its layout and builds, whose seals are accepted, what it must not be older than."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

from gemel.builds.build import Build
from gemel.checking.rule import Rule
from gemel.checking.runner import RulesApplied
from gemel.checking.runner import check as apply_rules
from gemel.errors import UsageProblem
from gemel.image.image import Image
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection, Strict
from gemel.layout.reader import ReadLayout
from gemel.placement.placed import Version
from gemel.structs import replace
from gemel.workflows.inputs.values import version_of

if TYPE_CHECKING:
    import datetime

    from gemel.policy.reader import ReadPolicy
    from gemel.rehearsal.result import Rehearsal
    from gemel.seals.keys.keys import PublicKey
    from gemel.workflows.trust import Trust


class CheckResult(RulesApplied):
    """What came of a check, with what was checked, so that it can be reported in every form."""

    inspection: Inspection

    @property
    def no_elf(self) -> frozenset[str]:
        """The builds that are given in another format than ELF."""
        return frozenset(name for name, build in self.inspection.builds.items() if build.kind != "elf")

    @property
    def seal_unverified(self) -> bool:
        """Whether the image has a seal of which no signature counts for its bytes."""
        from gemel.checking.identity import seal_unverified

        return seal_unverified(self.inspection)

    def to_text(self, *, everything: bool = False, width: int = 80) -> str:
        """The report for people, ``width`` columns wide; with ``everything`` every rule and place."""
        return self.rendered("text", everything=everything, width=width)

    def to_json(self) -> str:
        """The report as JSON, by the schema of ``gemel export check-schema``."""
        return self.rendered("json")

    def to_sarif(self) -> str:
        """The report as a SARIF 2.1.0 log."""
        return self.rendered("sarif")

    def to_junit(self) -> str:
        """The report as JUnit XML, a test case for each rule."""
        return self.rendered("junit")

    def to_lines(self) -> str:
        """The open findings as ``file:line: severity: ...`` for editors, the verdict last."""
        return self.rendered("lines")

    def to_html(self) -> str:
        """The report as one HTML page, which needs no other file."""
        return self.rendered("html")

    def rendered(self, form: str, *, everything: bool = False, width: int = 80) -> str:
        """The report in the form of that name (``workflows.report_forms``); the options are for text."""
        from gemel.workflows.report_forms import format_named, text_of

        if form == "text":
            return text_of(self, self.inspection, everything=everything, width=width)
        return format_named(form).render(self, self.inspection, self.inspection.file)


def check(
    layout: ReadLayout,
    image: Image,
    builds: Mapping[str, Build] | None = None,
    *,
    version: str | Version | None = None,
    rollback: int | None = None,
    trusted: Sequence[PublicKey] | Trust | None = None,
    policy: ReadPolicy | None = None,
    previous: Image | None = None,
    min_rollback: int | None = None,
    disassemble: bool = True,
    rehearsal: Rehearsal | bool | None = None,
    today: datetime.date | None = None,
    strict: Strict = "",
    joined_with: ReadLayout | None = None,
    as_layout_states: bool = False,
    rules: Iterable[Rule] | None = None,
    further: Iterable[Rule] = (),
) -> CheckResult:
    """Apply every rule (or ``rules``), and ``further`` ones, to ``image``.

    ``builds`` by name; ``version`` ("X.Y.Z") and ``rollback`` are what the image is meant to hold (None: whatever
    its record says; with ``as_layout_states`` what the layout does).  With ``trusted`` keys a seal by one is
    required, whatever the layout says (None: those that the layout names, as it demands); the receiver's ``policy``
    narrows further.  The image must reach the rollback counter of ``previous``, an older image, and ``min_rollback``.
    ``disassemble`` reads the code for instructions that its core lacks.  ``rehearsal`` is one that was made; True
    makes one, None where the layout requires it, False never.  Waivers end by ``today`` (None: the machine's date).
    ``strict`` says what fails the check besides errors: ``warnings``, or with ``inputs`` also what was not
    checked for lack of a build, key or symbol.  Of ``joined_with``, another layout that the image was joined with, the
    tables that differ are listed.  Raises UsageProblem for builds that the layout does not have and trusted keys that
    cannot be read or are not accepted, RecordError for a previous image without a record.
    """
    from gemel.inspection.previous import previous_of
    from gemel.workflows.rehearsing import due_rehearsal
    from gemel.workflows.trust import Trust, trust_in

    _refuse_unknown(given := builds or {}, layout)
    if rehearsal is None or rehearsal is True:
        rehearsal = due_rehearsal(layout, image, given, wanted=rehearsal is True)
    trust = trusted if isinstance(trusted, Trust) else trust_in(layout, trusted, policy)
    fixed = Inspection(
        layout,
        SparseBytes(),
        given,
        version=version_of(version, "version") if isinstance(version, str) else version,
        rollback=rollback,
        trusted=trust.trusted,
        known=trust.known,
        receiver=trust.receiver,
        at_least=min_rollback,
        previous=previous_of(layout.layout, previous.data, previous.file) if previous else None,
        disassemble=disassemble,
        rehearsal=rehearsal or None,
        judged_on=today,
        strict=strict,
        joined_with=joined_with,
        as_layout_states=as_layout_states,
    )
    return _applied(with_image(fixed, image), today, rules, further)


def _refuse_unknown(builds: Mapping[str, Build], layout: ReadLayout) -> None:
    """Raise UsageProblem for builds that the layout does not have."""
    if not builds.keys() <= layout.layout.builds.keys():
        from gemel.workflows.inputs.builds import unknown_build

        raise UsageProblem(filter(None, (unknown_build(layout.layout, name) for name in builds)))


def with_image(inspection: Inspection, image: Image) -> Inspection:
    """``inspection`` of ``image`` instead of its own."""
    return replace(
        inspection,
        image=image.data,
        remarks=image.remarks,
        file=image.file,
        entry=image.entry,
        leaves_bytes_out=image.leaves_bytes_out,
        image_file=image.read_from,
    )


def applied_too(
    result: CheckResult, rules: Iterable[Rule], today: datetime.date | None = None
) -> CheckResult:
    """``result`` with what further ``rules`` say of the same image after it."""
    more = _applied(result.inspection, today, rules)
    return replace(result, results=(*result.results, *more.results))


def _applied(
    inspection: Inspection,
    today: datetime.date | None,
    rules: Iterable[Rule] | None,
    further: Iterable[Rule] = (),
) -> CheckResult:
    applied = apply_rules(inspection, today or date_of_today(), rules, further=further)
    return CheckResult(applied.results, applied.idle_waivers, applied.strict, inspection)


def date_of_today() -> datetime.date:
    """The machine's date in UTC, which waivers are compared with."""
    import datetime

    return datetime.datetime.now(datetime.UTC).date()

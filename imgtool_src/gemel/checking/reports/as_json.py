"""The result of a check as JSON, and the JSON Schema that it keeps to: both follow the classes below."""

from __future__ import annotations

import hashlib
from typing import Annotated, Any, Literal

from gemel.checking.reports.as_text import CAUTION
from gemel.checking.reports.basis import basis_of
from gemel.checking.rule import Severity
from gemel.checking.runner import Judged, RuleResult, RulesApplied, Status
from gemel.inspection.inspection import Inspection
from gemel.layout.model import SeverityChange, Waiver
from gemel.outcomes import NotChecked
from gemel.spans import Span
from gemel.structs import Struct
from gemel.text.as_json import data_of, json_text, schema_of
from gemel.version import __version__

FORMAT = 2
"""Version of the form; a change that an old reader would misread gets the next number.

2: the same keys and values as 1; text is ASCII, and the schema names what it uses below ``$defs``.
"""


class Tool(Struct):
    """What made the report."""

    name: Annotated[Literal["gemel"], "its name"]
    version: Annotated[str, "its version"]


class ReportedImage(Struct):
    """The image that was checked."""

    name: Annotated[str, "the file's name"]
    spans: Annotated[tuple[Span, ...], "runs of bytes that it holds, ascending"]
    sha256: Annotated[bytes, "over each run: start and size as little-endian 32-bit words, then its bytes"]


class ReportedBuild(Struct):
    """A build of the layout, and how it is known."""

    name: Annotated[str, "its name in the layout"]
    core: Annotated[str, "the core that runs it"]
    kind: Annotated[Literal["elf", "hex", "srec", "bin"] | None, "its file's format; null: not given"]
    build_id: Annotated[bytes | None, "GNU build id; null: none or not known"]
    cannot_tell: Annotated[tuple[str, ...], "what its file does not say"]
    stored: Annotated[Span | None, "where its bytes are in the image; null: nowhere"]
    known_from: Annotated[Literal["build", "record", "layout"] | None, "what says so"]


class ReportedFinding(Struct):
    """One place where a rule does not hold."""

    what: Annotated[str, "what is wrong, in one line"]
    parties: Annotated[tuple[str, ...], "builds, areas, cores and others that it is about"]
    where: Annotated[str, "place, for people"]
    found: Annotated[str, "what is there"]
    expected: Annotated[str, "what should be"]
    span: Annotated[Span | None, "bytes of the image that it is about; null: none"]
    next_step: Annotated[str, "what to do; empty: the rule's remedy"]
    lines: Annotated[tuple[str, ...], "evidence"]
    waived_by: Annotated[Waiver | None, "the waiver that covers it"]
    ended_waiver: Annotated[Waiver | None, "a waiver that would cover it had it not ended"]
    waiver_refused: Annotated[str, "why a waiver that names it does not cover it; empty: there is none"]


class ReportedChange(Struct):
    """A severity that the layout changes."""

    from_: Annotated[Severity, "the rule's own"]
    reason: Annotated[str, "the layout's reason"]


class ReportedRule(Struct):
    """What one rule said."""

    name: Annotated[str, "the rule's name"]
    severity: Annotated[Severity, "how serious a finding is in this product"]
    severity_changed: Annotated[ReportedChange | None, "null: it is the rule's own"]
    status: Annotated[Status, "what became of it"]
    checks: Annotated[str, "what must hold"]
    holds: Annotated[tuple[str, ...], "where it holds"]
    findings: Annotated[tuple[ReportedFinding, ...], "where it does not"]
    not_checked: Annotated[tuple[NotChecked, ...], "where it could not look"]


class ReportedFile(Struct):
    """A file that the image was judged by."""

    name: Annotated[str, "its name"]
    sha256: Annotated[str, "SHA-256 of its bytes, in hexadecimal"]


class ReportedBasis(Struct):
    """What the image was judged by."""

    layout_file: Annotated[ReportedFile, "the layout"]
    policy: Annotated[ReportedFile | None, "the receiver's policy; null: none"]
    seal_demanded_by: Annotated[str | None, "who demands a seal; null: nobody"]
    date: Annotated[
        str | None, "the date given for waivers to end by; null: the machine's, which no report names"
    ]
    counted_keys: Annotated[tuple[str, ...], "fingerprints of the keys whose signatures counted"]
    waivers: Annotated[tuple[Waiver, ...], "the layout's waivers"]
    severities: Annotated[tuple[SeverityChange, ...], "severities that the layout changes"]


class Report(Struct):
    """The result of a check."""

    format: Annotated[int, f"version of this form: {FORMAT}"]
    tool: Annotated[Tool, "what made the report"]
    product: Annotated[str, "the product's name in the layout"]
    layout_sha256: Annotated[bytes, "digest of the layout, as the record keeps it"]
    image: Annotated[ReportedImage, "what was checked"]
    builds: Annotated[tuple[ReportedBuild, ...], "every build of the layout, given or not"]
    judged_by: Annotated[ReportedBasis, "files, keys, waivers and severities that decide"]
    passes: Annotated[bool, "no rule of severity error is broken, and at least one could be applied"]
    caution: Annotated[str, "what a pass does not mean"]
    counts: Annotated[dict[Status, int], "rules by what became of them"]
    rules: Annotated[tuple[ReportedRule, ...], "every rule"]
    idle_waivers: Annotated[tuple[Waiver, ...], "waivers that cover nothing"]


def report(result: RulesApplied, inspection: Inspection, image_name: str) -> str:
    """The report as JSON text.  Names no path, host, user or time: the same inputs give the same text."""
    return json_text(report_data(result, inspection, image_name))


def report_data(result: RulesApplied, inspection: Inspection, image_name: str) -> dict[str, Any]:
    """The report as plain data, as `check_schema` describes it."""
    spans = tuple(inspection.image.spans())
    whole = Report(
        format=FORMAT,
        tool=Tool("gemel", __version__),
        product=inspection.layout.product,
        layout_sha256=inspection.read.digest,
        image=ReportedImage(image_name, spans, bytes.fromhex(image_digest(inspection))),
        builds=tuple(_build(inspection, name) for name in inspection.layout.builds),
        judged_by=_basis(inspection),
        passes=result.passes,
        caution=CAUTION,
        counts={status: result.count(status) for status in ("holds", "broken", "waived", "not checked")},
        rules=tuple(_rule(each) for each in result.results),
        idle_waivers=result.idle_waivers,
    )
    return dict(data_of(whole))


def check_schema() -> dict[str, Any]:
    """The JSON Schema of the report."""
    return schema_of(Report, f"gemel check report, format {FORMAT}")


def _basis(inspection: Inspection) -> ReportedBasis:
    basis = basis_of(inspection)
    return ReportedBasis(
        layout_file=ReportedFile(basis.layout_file, basis.layout_file_sha256),
        policy=ReportedFile(basis.policy, basis.policy_sha256) if basis.policy else None,
        seal_demanded_by=basis.seal_demanded_by or None,
        date=basis.date or None,
        counted_keys=basis.counted_keys,
        waivers=basis.waivers,
        severities=basis.severities,
    )


def judged_by(inspection: Inspection) -> dict[str, Any]:
    """What the image was judged by, as plain data."""
    return dict(data_of(_basis(inspection)))


def image_digest(inspection: Inspection) -> str:
    """SHA-256 over each held run: start and size as little-endian 32-bit words, then its bytes."""
    digest = hashlib.sha256()
    for span in inspection.image.spans():
        digest.update(span.start.to_bytes(4, "little") + (span.size & 0xFFFF_FFFF).to_bytes(4, "little"))
        for _, piece in inspection.image.pieces(span):
            digest.update(piece)
    return digest.hexdigest()


def _build(inspection: Inspection, name: str) -> ReportedBuild:
    build = inspection.builds.get(name)
    found = inspection.placed_with_origin.get(name)
    return ReportedBuild(
        name=name,
        core=inspection.layout.builds[name].core,
        kind=build.kind if build else None,
        build_id=(build.build_id or None) if build else None,
        cannot_tell=tuple(build.missing) if build else ("everything: the build was not given",),
        stored=found[0].stored if found else None,
        known_from=found[1] if found else None,
    )


def _rule(each: RuleResult) -> ReportedRule:
    return ReportedRule(
        name=each.rule.name,
        severity=each.severity,
        severity_changed=ReportedChange(each.rule.severity, each.change.reason) if each.change else None,
        status=each.status,
        checks=each.rule.checks,
        holds=tuple(held.where for held in each.holds),
        findings=tuple(_finding(judged) for judged in each.findings),
        not_checked=each.not_checked,
    )


def _finding(judged: Judged) -> ReportedFinding:
    finding = judged.finding
    return ReportedFinding(
        what=finding.what,
        parties=finding.parties,
        where=finding.where,
        found=finding.found,
        expected=finding.expected,
        span=finding.span,
        next_step=finding.next_step,
        lines=finding.lines,
        waived_by=judged.waiver,
        ended_waiver=judged.ended,
        waiver_refused=judged.refused,
    )

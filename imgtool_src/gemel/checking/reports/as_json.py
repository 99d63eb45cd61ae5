"""The result of a check as JSON, and the JSON Schema that it keeps to (draft 2020-12)."""

from __future__ import annotations

import hashlib
import json
from typing import Any

from gemel.checking.reports.as_text import CAUTION
from gemel.checking.reports.basis import Basis, basis_of
from gemel.checking.runner import CheckResult, Judged, RuleResult
from gemel.inspection.inspection import Inspection
from gemel.layout.model import Waiver
from gemel.outcomes import Finding
from gemel.spans import Span
from gemel.version import __version__

FORMAT = 1


def report(result: CheckResult, inspection: Inspection, image_name: str) -> str:
    """The report as JSON text.  Names no path, host, user or time: the same inputs give the same text."""
    return json.dumps(report_data(result, inspection, image_name), indent=2, ensure_ascii=False)


def report_data(result: CheckResult, inspection: Inspection, image_name: str) -> dict[str, Any]:
    """The report as plain data, as `check_schema` describes it."""
    return {
        "format": FORMAT,
        "tool": {"name": "gemel", "version": __version__},
        "product": inspection.layout.product,
        "layout_sha256": inspection.read.digest.hex(),
        "image": {
            "name": image_name,
            "spans": [_span(span) for span in inspection.image.spans()],
            "sha256": image_digest(inspection),
        },
        "builds": [_build(inspection, name) for name in inspection.layout.builds],
        "judged_by": _basis(basis_of(inspection)),
        "passes": result.passes,
        "caution": CAUTION,
        "counts": {status: result.count(status) for status in ("holds", "broken", "waived", "not checked")},
        "rules": [_rule(each) for each in result.results],
        "idle_waivers": [_waiver(waiver) for waiver in result.idle_waivers],
    }


def _basis(basis: Basis) -> dict[str, Any]:
    return {
        "layout_file": {"name": basis.layout_file, "sha256": basis.layout_file_sha256},
        "policy": {"name": basis.policy, "sha256": basis.policy_sha256} if basis.policy else None,
        "seal_demanded_by": basis.seal_demanded_by or None,
        "counted_keys": list(basis.counted_keys),
        "waivers": [_waiver(waiver) for waiver in basis.waivers],
        "severities": [
            {"rule": each.rule, "severity": each.severity, "reason": each.reason} for each in basis.severities
        ],
    }


def image_digest(inspection: Inspection) -> str:
    """SHA-256 over each held run: start and size as little-endian 32-bit words, then its bytes."""
    digest = hashlib.sha256()
    for span in inspection.image.spans():
        digest.update(span.start.to_bytes(4, "little") + (span.size & 0xFFFF_FFFF).to_bytes(4, "little"))
        for _, piece in inspection.image.pieces(span):
            digest.update(piece)
    return digest.hexdigest()


def _span(span: Span) -> dict[str, Any]:
    return {"start": span.start, "size": span.size, "text": str(span)}


def _build(inspection: Inspection, name: str) -> dict[str, Any]:
    build = inspection.builds.get(name)
    found = inspection.placed_with_origin.get(name)
    return {
        "name": name,
        "core": inspection.layout.builds[name].core,
        "kind": build.kind if build else None,
        "build_id": build.build_id.hex() if build and build.build_id else None,
        "cannot_tell": list(build.missing) if build else ["everything: the build was not given"],
        "stored": _span(found[0].stored) if found else None,
        "known_from": found[1] if found else None,
    }


def _rule(each: RuleResult) -> dict[str, Any]:
    return {
        "name": each.rule.name,
        "severity": each.severity,
        "severity_changed": _change(each),
        "status": each.status,
        "checks": each.rule.checks,
        "holds": [held.where for held in each.holds],
        "findings": [_finding(judged) for judged in each.findings],
        "not_checked": [{"where": it.where, "reason": it.reason} for it in each.not_checked],
    }


def _change(each: RuleResult) -> dict[str, str] | None:
    return {"from": each.rule.severity, "reason": each.change.reason} if each.change else None


def _finding(judged: Judged) -> dict[str, Any]:
    finding: Finding = judged.finding
    return {
        "what": finding.what,
        "parties": list(finding.parties),
        "where": finding.where,
        "found": finding.found,
        "expected": finding.expected,
        "span": _span(finding.span) if finding.span else None,
        "next_step": finding.next_step,
        "lines": list(finding.lines),
        "waived_by": _waiver(judged.waiver) if judged.waiver else None,
        "ended_waiver": _waiver(judged.ended) if judged.ended else None,
        "waiver_refused": judged.refused,
    }


def _waiver(waiver: Waiver) -> dict[str, str]:
    return {
        "rule": waiver.rule,
        "where": waiver.where,
        "reason": waiver.reason,
        "until": waiver.until.isoformat(),
    }


def check_schema() -> dict[str, Any]:
    """The JSON Schema of the report."""
    text = {"type": "string"}
    texts = {"type": "array", "items": text}
    optional_text = {"type": ["string", "null"]}
    digest = {"type": "string", "pattern": "^[0-9a-f]{64}$"}
    span = _object(
        start={"type": "integer", "minimum": 0, "maximum": 0xFFFF_FFFF},
        size={"type": "integer", "minimum": 0, "maximum": 1 << 32},
        text=text,
    )
    optional_span = {"anyOf": [span, {"type": "null"}]}
    waiver = _object(rule=text, where=text, reason=text, until={"type": "string", "format": "date"})
    optional_waiver = {"anyOf": [waiver, {"type": "null"}]}
    finding = _object(
        what=text,
        parties=texts,
        where=text,
        found=text,
        expected=text,
        span=optional_span,
        next_step=text,
        lines=texts,
        waived_by=optional_waiver,
        ended_waiver=optional_waiver,
        waiver_refused=text,
    )
    severity = {"enum": ["error", "warning", "note"]}
    change = _object(**{"from": severity, "reason": text})
    statuses = ["holds", "broken", "waived", "not checked"]
    rule = _object(
        name={"type": "string", "pattern": "^[a-z0-9]+(-[a-z0-9]+)*$"},
        severity=severity,
        severity_changed={"anyOf": [change, {"type": "null"}]},
        status={"enum": statuses},
        checks=text,
        holds=texts,
        findings={"type": "array", "items": finding},
        not_checked={"type": "array", "items": _object(where=text, reason=text)},
    )
    build = _object(
        name=text,
        core=text,
        kind={"enum": ["elf", "hex", "srec", "bin", None]},
        build_id=optional_text,
        cannot_tell=texts,
        stored=optional_span,
        known_from={"enum": ["build", "record", "layout", None]},
    )
    count = {"type": "integer", "minimum": 0}
    report_object = _object(
        format={"const": FORMAT},
        tool=_object(name={"const": "gemel"}, version=text),
        product=text,
        layout_sha256=digest,
        image=_object(name=text, spans={"type": "array", "items": span}, sha256=digest),
        builds={"type": "array", "items": build},
        judged_by=_basis_schema(waiver, severity),
        passes={"type": "boolean"},
        caution=text,
        counts=_object(**dict.fromkeys(statuses, count)),
        rules={"type": "array", "items": rule},
        idle_waivers={"type": "array", "items": waiver},
    )
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "gemel check report, format 1",
        **report_object,
    }


def _basis_schema(waiver: dict[str, Any], severity: dict[str, Any]) -> dict[str, Any]:
    text = {"type": "string"}
    digest = {"type": "string", "pattern": "^[0-9a-f]{64}$"}
    file = _object(name=text, sha256=digest)
    return _object(
        layout_file=file,
        policy={"anyOf": [file, {"type": "null"}]},
        seal_demanded_by={"type": ["string", "null"]},
        counted_keys={"type": "array", "items": digest},
        waivers={"type": "array", "items": waiver},
        severities={"type": "array", "items": _object(rule=text, severity=severity, reason=text)},
    )


def _object(**properties: Any) -> dict[str, Any]:
    """An object with exactly these properties, all required."""
    return {
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }

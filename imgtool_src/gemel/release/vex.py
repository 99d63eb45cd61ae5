"""VEX documents: what the teams say of vulnerabilities, which a release carries as it is, byte for byte.

Three forms are accepted, all JSON: CycloneDX with ``vulnerabilities`` (CycloneDX 1.4 and later), OpenVEX (specification
v0.2.0) and CSAF (OASIS CSAF 2.0, 4.5, profile 5: VEX, and 4.4: security advisory).
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from typing import Any
from urllib.parse import unquote

from gemel.errors import UsageProblem
from gemel.structs import NamedTuple

OPENVEX = "https://openvex.dev/ns"
OPENVEX_STATUSES = ("not_affected", "affected", "fixed", "under_investigation")
CYCLONEDX_STATES = (
    "resolved",
    "resolved_with_pedigree",
    "exploitable",
    "in_triage",
    "false_positive",
    "not_affected",
)
CSAF_CATEGORIES = ("csaf_vex", "csaf_security_advisory")


class Vex(NamedTuple):
    """A VEX document: its form, and of CycloneDX the references to components that are in another document."""

    form: str
    refs: tuple[str, ...] = ()


def read_vex(data: bytes, where: str) -> Vex:
    """What ``data`` is; raises UsageProblem, naming ``where``, for anything but one of the three forms."""
    try:
        found = json.loads(data)
        if not isinstance(found, dict):
            raise ValueError("JSON that is no object")
        if found.get("bomFormat") == "CycloneDX":
            return _cyclonedx(found)
        if str(found.get("@context", "")).startswith(OPENVEX):
            return _openvex(found)
        if isinstance(found.get("document"), dict) and "csaf_version" in found["document"]:
            return _csaf(found)
        raise ValueError("JSON of another kind")
    except (ValueError, RecursionError) as error:
        reason = str(error) if type(error) is ValueError else f"no JSON: {error}"
        raise UsageProblem(
            "not a VEX document",
            where=where,
            found=reason[:200],
            expected="CycloneDX with vulnerabilities, OpenVEX, or CSAF of category csaf_vex, as JSON",
            next_step="export the VEX as JSON; an SBOM without vulnerabilities goes to --sbom",
        ) from error


def refs_in(sbom: bytes) -> set[str]:
    """What components of an SBOM are referred to by: bom-ref, with the prefix of a merge or without, and purl.

    Raises ValueError or RecursionError for an SBOM that is no JSON object.
    """
    found = json.loads(sbom)
    if not isinstance(found, dict):
        raise ValueError("no JSON object")
    known = {""}
    for part in _parts(found):
        # Those of a team's own SBOM have got a prefix when they were merged.
        ref = str(part.get("bom-ref", ""))
        known |= {ref, re.sub(r"^sbom\d+:", "", ref), str(part.get("purl", ""))}
    return known


def unknown_refs(vex: Vex, known: set[str]) -> list[str]:
    """The references of a CycloneDX VEX that are not ``known``: as bom-ref, in a BOM-Link, or as purl.

    A BOM-Link to a whole document names no component, and is left alone.
    """
    return [ref for ref in vex.refs if _local(ref) not in known]


def _cyclonedx(found: dict[str, Any]) -> Vex:
    every = found.get("vulnerabilities")
    if every is None:
        raise ValueError("CycloneDX without vulnerabilities")
    own = {str(part.get("bom-ref", "")) for part in _parts(found)}
    refs: dict[str, None] = {}
    for name, each in _objects(every, "vulnerabilities"):
        analysis = each.get("analysis", {})
        state = analysis.get("state") if isinstance(analysis, dict) else analysis
        if state is not None and state not in CYCLONEDX_STATES:
            raise ValueError(f"{name}: the analysis state {state!r:.60}, which CycloneDX does not have")
        for where, affected in _objects(each.get("affects", []), f"{name}.affects"):
            if not isinstance(affected.get("ref"), str):
                raise ValueError(f"{where}: no ref")
            if affected["ref"] not in own:
                refs[affected["ref"]] = None
    return Vex("CycloneDX", tuple(refs))


def _openvex(found: dict[str, Any]) -> Vex:
    statements = list(_objects(found.get("statements"), "statements"))
    if not statements:
        raise ValueError("OpenVEX without statements")
    for name, each in statements:
        if not each.get("vulnerability"):
            raise ValueError(f"{name}: no vulnerability")
        if each.get("status") not in OPENVEX_STATUSES:
            raise ValueError(f"{name}: the status {each.get('status')!r:.60}, which OpenVEX does not have")
    return Vex("OpenVEX")


def _csaf(found: dict[str, Any]) -> Vex:
    category = found["document"].get("category")
    if category not in CSAF_CATEGORIES:
        known = isinstance(category, str) and category.startswith("csaf_")
        raise ValueError(f"CSAF of category {category!r:.60}" if known else "CSAF of another category")
    vulnerabilities = list(_objects(found.get("vulnerabilities"), "vulnerabilities"))
    if not vulnerabilities:
        raise ValueError("CSAF without vulnerabilities")
    for name, each in vulnerabilities:
        if not isinstance(each.get("product_status"), dict):
            raise ValueError(f"{name}: no product_status")
    return Vex("CSAF")


def _objects(found: Any, name: str) -> Iterator[tuple[str, dict[str, Any]]]:
    """Each object of a list with its place; raises ValueError for anything else."""
    if not isinstance(found, list):
        raise ValueError(f"{name} is no list")
    for number, each in enumerate(found):
        if not isinstance(each, dict):
            raise ValueError(f"{name}[{number}] is no object")
        yield f"{name}[{number}]", each


def _parts(document: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """The subject of a CycloneDX document and all its components and services, nested ones too."""
    metadata = document.get("metadata")
    waiting = [metadata.get("component")] if isinstance(metadata, dict) else []
    waiting.append({key: document.get(key) for key in ("components", "services")})
    while waiting:
        part = waiting.pop()
        if isinstance(part, dict):
            yield part
            for key in ("components", "services"):
                waiting += part[key] if isinstance(part.get(key), list) else []


def _local(ref: str) -> str:
    """The bom-ref in a BOM-Link (CycloneDX, BOM-Link: ``urn:cdx:SERIAL/VERSION#BOM-REF``); any other as it is."""
    return unquote(ref.partition("#")[2]) if ref.startswith("urn:cdx:") else ref

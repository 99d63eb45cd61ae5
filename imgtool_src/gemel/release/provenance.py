"""Provenance: an in-toto statement with SLSA's predicate, of how the files of a release were made.

    _type          https://in-toto.io/Statement/v1
    subject        every file of the folder but this one and SHA256SUMS, by SHA-256
    predicateType  https://slsa.dev/provenance/v1
    predicate      buildDefinition: what was requested, by digest what went in (layout, builds, SBOMs, VEX, ...)
                   runDetails: who ran it (--builder), with which gemel

It names no time, host or user: the same inputs give the same bytes.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from typing import Any

from gemel.errors import UsageProblem
from gemel.release.contents import ReleaseContents
from gemel.structs import NamedTuple
from gemel.text.as_json import json_text
from gemel.version import __version__

STATEMENT = "https://in-toto.io/Statement/v1"
PREDICATE = "https://slsa.dev/provenance/v1"
BUILD_TYPE = "urn:gemel:release:1"
"""What the parameters mean: layout and builds joined by ``gemel release`` (SLSA provenance v1, buildType, a URI)."""

BUILDER = "urn:gemel:unattested-builder"
"""The builder where nobody says who it is."""


class Material(NamedTuple):
    """A file that went in: its role (``layout``, ``build station``), its name, its digest and what else is known."""

    role: str
    file: str
    sha256: str
    annotations: tuple[tuple[str, str], ...] = ()


def statement_text(
    contents: ReleaseContents,
    files: Mapping[str, bytes],
    materials: Sequence[Material],
    parameters: Mapping[str, Any],
    builder: str,
) -> bytes:
    """The statement about ``files`` by name, made of ``materials`` with ``parameters``, by ``builder`` (a URI)."""
    return json_text(
        {
            "_type": STATEMENT,
            "subject": [
                {"name": name, "digest": {"sha256": hashlib.sha256(data).hexdigest()}}
                for name, data in sorted(files.items())
            ],
            "predicateType": PREDICATE,
            "predicate": {
                "buildDefinition": {
                    "buildType": BUILD_TYPE,
                    "externalParameters": {
                        "product": contents.product,
                        "version": contents.version,
                        "rollback": contents.rollback,
                        "layout": contents.layout,
                        "layoutDigest": contents.layout_sha256,
                        **parameters,
                    },
                    "resolvedDependencies": [
                        {
                            "name": material.role,
                            "digest": {"sha256": material.sha256},
                            "annotations": {"file": material.file, **dict(material.annotations)},
                        }
                        for material in materials
                    ],
                },
                "runDetails": {"builder": {"id": builder, "version": {"gemel": __version__}}},
            },
        }
    ).encode("ascii")


class Statement(NamedTuple):
    """What is read of a statement: digests of subjects and materials by name, and the parameters."""

    subjects: dict[str, str]
    materials: dict[str, Material]
    parameters: dict[str, Any]
    builder: str


def read_statement(data: bytes, where: str) -> Statement:
    """The statement in ``data``; raises UsageProblem for another type, predicate or form."""
    try:
        found = json.loads(data)
        if found["_type"] != STATEMENT or found["predicateType"] != PREDICATE:
            raise ValueError(f"{found['_type']!r:.80} with {found['predicateType']!r:.80}")
        definition = found["predicate"]["buildDefinition"]
        if definition["buildType"] != BUILD_TYPE:
            raise ValueError(f"build type {definition['buildType']!r:.80}")
        subjects = {str(each["name"]): str(each["digest"]["sha256"]) for each in found["subject"]}
        materials = {}
        for each in definition["resolvedDependencies"]:
            notes = {str(key): str(value) for key, value in each.get("annotations", {}).items()}
            role, file = str(each["name"]), notes.pop("file", "")
            materials[role] = Material(
                role, file, str(each["digest"]["sha256"]), tuple(sorted(notes.items()))
            )
        if len(subjects) < len(found["subject"]):
            raise ValueError("a subject is named twice")
        parameters = dict(definition["externalParameters"])
        return Statement(
            subjects, materials, parameters, str(found["predicate"]["runDetails"]["builder"]["id"])
        )
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        what, expected = "not an in-toto statement of SLSA provenance v1", f"{STATEMENT} with {PREDICATE}"
        raise UsageProblem(what, where=where, found=str(error)[:200], expected=expected) from error

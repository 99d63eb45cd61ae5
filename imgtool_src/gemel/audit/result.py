"""What an audit says of one image."""

from __future__ import annotations

import json
from typing import Annotated, Literal

from gemel.structs import NamedTuple, Struct
from gemel.text.as_json import data_of, value_of

FORMAT = 1
"""Version of the JSON lines, which the index keeps too."""

ImageStatus = Literal["passes", "broken", "not judged"]
EXIT_CODES: dict[ImageStatus, int] = {"passes": 0, "broken": 1, "not judged": 2}
"""What ``gemel check`` of the image by itself ends with."""

MAX_FINDINGS = 50
"""Findings of one image that are kept; further ones are counted."""


class AuditedBuild(NamedTuple):
    """A build that the image's record lists."""

    name: Annotated[str, "its name"]
    build_id: Annotated[str | None, "its build id in hexadecimal; null: none"]


class AuditedSigner(NamedTuple):
    """A signer of the image's seal."""

    algorithm: Annotated[str, "the signature algorithm"]
    key: Annotated[str, "fingerprint of the key, in hexadecimal"]
    counted: Annotated[bool, "whether it counts: verified, over these bytes, key trusted, algorithm allowed"]


class AuditedFinding(NamedTuple):
    """An open finding."""

    rule: Annotated[str, "the rule that does not hold"]
    severity: Annotated[Literal["error", "warning", "note"], "how serious it is for this product"]
    what: Annotated[str, "what is wrong, in one sentence"]
    where: Annotated[str, "where, in words; may be empty"]


class ImageResult(Struct, kw_only=True):
    """One image of an audit."""

    path: Annotated[str, "the file, as it was named or found"]
    status: Annotated[ImageStatus, "passes; broken: a rule is; not judged: `problem` says why"]
    problem: Annotated[str, "why it was not judged; else empty"] = ""
    size: Annotated[int | None, "bytes of the file; null: not read"] = None
    sha256: Annotated[str | None, "SHA-256 of the file; null: not read"] = None
    content_sha256: Annotated[str | None, "content digest, as in a check's identity; null: not judged"] = None
    product: Annotated[str | None, "the product by its record; null: no sound record"] = None
    version: Annotated[str | None, "the version by its record; null: no sound record"] = None
    rollback: Annotated[int | None, "the rollback counter by its record; null: no sound record"] = None
    layout: Annotated[str | None, "name of the layout that it was judged by; null: none"] = None
    layout_digest: Annotated[str | None, "digest of the layout by its record; null: no sound record"] = None
    builds: Annotated[tuple[AuditedBuild, ...], "the builds that its record lists"] = ()
    signers: Annotated[tuple[AuditedSigner, ...], "the signers of its seal"] = ()
    findings: Annotated[tuple[AuditedFinding, ...], "open findings, the first 50"] = ()
    findings_left_out: Annotated[int, "further open findings"] = 0
    led_to: Annotated[
        tuple[str, ...], "further rules that do not hold, as follows from one of the findings"
    ] = ()
    rules_not_checked: Annotated[int, "rules that could not be applied everywhere"] = 0
    duplicate_of: Annotated[
        str | None, "first file of the audit with this content; null: it is the first"
    ] = None
    blocks_found: Annotated[str, "of --find image=FILE: how many of the file's blocks it has; else empty"] = (
        ""
    )
    gone: Annotated[bool, "of --find: whether the file is no longer where it was audited"] = False
    unchanged: Annotated[bool, "whether the index knew the file, so that it was not read again"] = False

    @property
    def broken_rules(self) -> tuple[str, ...]:
        """The rules with findings of severity error, or if there are none the others, each once."""
        errors = dict.fromkeys(each.rule for each in self.findings if each.severity == "error")
        return tuple(errors or dict.fromkeys(each.rule for each in self.findings))


class AuditReport(Struct):
    """An audit, or what ``--find`` found."""

    format: Annotated[int, f"version of this form: {FORMAT}"]
    images: Annotated[tuple[ImageResult, ...], "every image, in the order in which they were judged or found"]
    counts: Annotated[dict[ImageStatus, int], "images by status"]


_NOT_KEPT = ("duplicate_of", "blocks_found", "gone", "unchanged")
_NAMES = tuple(name for name in ImageResult.__annotations__ if name not in _NOT_KEPT)


def line_of(result: ImageResult) -> str:
    """The result as one line of JSON in ASCII, without its line end."""
    return json.dumps({"format": FORMAT, **data_of(result)}, ensure_ascii=True, separators=(",", ":"))


def result_of(line: str | bytes) -> ImageResult:
    """The result that ``line_of`` wrote; raises ValueError for anything else."""
    try:
        data = json.loads(line)
        if data["format"] != FORMAT:
            raise ValueError("another format")
        result: ImageResult = value_of(ImageResult, {name: data[name] for name in _NAMES if name in data})
        return result
    except (KeyError, TypeError, RecursionError) as error:
        raise ValueError(f"not a result of an audit: {error}") from error

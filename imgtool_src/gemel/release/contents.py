"""What a release folder holds: the names of its files, its list of contents and its list of digests.

PRODUCT-VERSION.hex, .srec, .bin     the image
PRODUCT-VERSION-MEMORY.bin           every byte of a memory, as it is after programming
LAYOUT.toml                          the layout as used, with the keys that it trusts where it names them
keys/FINGERPRINT.pem                 further public keys of signers
check.txt, check.json, ...           the reports of the check, one in each form
rehearsal.txt, .json, .svg           the rehearsal, if one was made
notes.txt, notes.json                what changed since the previous image, if one was given
sbom.cdx.json                        CycloneDX
vex/NAME                             the teams' VEX documents, as they were given
provenance.json                      in-toto statement (SLSA provenance) in a DSSE envelope
release.json                         this list, as data
SHA256SUMS                           digests of all other files, for `sha256sum -c`
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from typing import Annotated, Literal

from gemel.errors import UsageProblem
from gemel.seals.cose import MAX_SIGNERS
from gemel.structs import Struct
from gemel.text.as_json import data_of, json_text, value_of

SUMS, CONTENTS, SBOM, PROVENANCE = "SHA256SUMS", "release.json", "sbom.cdx.json", "provenance.json"
LISTED = "release-files-as-listed"
"""The rule that others' findings about the same file of a release follow from."""

IMAGE_FORMATS = {"hex": ".hex", "srec": ".srec", "bin": ".bin"}
MAX_LISTED = 1024
"""Images, builds or VEX documents that a list of contents names at most."""

MAX_DOCUMENT = 64 << 20
"""Bytes of a document of a release that are read at most."""


class ReleasedImage(Struct):
    """An image file of a release."""

    file: Annotated[str, "its name in the folder"]
    memory: Annotated[str | None, "the memory that it holds whole; null: the whole image"]
    start: Annotated[int | None, "address of its first byte; null: it carries addresses"]


class ReleasedBuild(Struct):
    """A build that went into the image."""

    name: Annotated[str, "its name in the layout"]
    core: Annotated[str, "the core that runs it"]
    file: Annotated[str, "its file's name"]
    sha256: Annotated[str, "SHA-256 of its file"]
    build_id: Annotated[str | None, "GNU build id in hexadecimal; null: none"]


class ReleasedKey(Struct):
    """A public key of a release."""

    file: Annotated[str, "its name in the folder"]
    algorithm: Annotated[str, "the signature algorithm"]
    fingerprint: Annotated[str, "SHA-256 of its SubjectPublicKeyInfo"]


class ReleasedVex(Struct):
    """A VEX document of a release."""

    file: Annotated[str, "its name in the folder"]
    form: Annotated[str, "CycloneDX, OpenVEX or CSAF"]


class ReleaseContents(Struct):
    """What a release is of, and what each of its files is."""

    format: Annotated[Literal[1], "version of this list's format"]
    product: Annotated[str, "the product"]
    version: Annotated[str | None, "its version; null: none"]
    rollback: Annotated[int, "rollback counter"]
    layout: Annotated[str, "the layout's file in the folder"]
    layout_sha256: Annotated[str, "digest of what the layout says, as the record keeps it"]
    sealed: Annotated[bool, "whether the image has a seal"]
    images: Annotated[tuple[ReleasedImage, ...], "the image files, the one that was checked first"]
    builds: Annotated[tuple[ReleasedBuild, ...], "the builds in the image"]
    keys: Annotated[
        tuple[ReleasedKey, ...], "public keys of those who signed, and of those that the layout trusts"
    ]
    vex: Annotated[tuple[ReleasedVex, ...], "the teams' VEX documents"] = ()


def stem_of(product: str, version: str | None) -> str:
    """What the names of a release's images begin with; other signs than letters, digits, ``.-_`` become ``_``."""
    name = f"{product}-{version}" if version else product
    return re.sub(r"[^A-Za-z0-9._-]", "_", name).lstrip(".-") or "image"


def contents_text(contents: ReleaseContents) -> bytes:
    """The list of contents as it is written."""
    return json_text(data_of(contents)).encode("ascii")


def read_contents(data: bytes, where: str) -> ReleaseContents:
    """The list of contents of a release; raises UsageProblem for anything else."""
    try:
        found = json.loads(data)
        if not isinstance(found, dict) or found.get("format") != 1:
            raise ValueError("no list of contents of format 1")
        contents: ReleaseContents = value_of(ReleaseContents, found)
        for name, most in _LENGTHS.items():
            if len(getattr(contents, name)) > most:
                raise ValueError(f"{name} has more than {most:,}")
    except (ValueError, RecursionError) as error:
        raise UsageProblem(
            "not the contents of a release",
            where=where,
            found=str(error)[:200],
            expected="format 1",
            next_step="take the release folder as gemel release made it",
        ) from error
    return contents


_LENGTHS = {"images": MAX_LISTED, "builds": MAX_LISTED, "keys": 64 + MAX_SIGNERS, "vex": MAX_LISTED}
"""How many each list has at most.  A layout trusts 64 keys."""


def sums_text(files: Mapping[str, bytes]) -> bytes:
    """``SHA256SUMS`` of ``files`` by name, as ``sha256sum -c`` takes it."""
    lines = [f"{hashlib.sha256(data).hexdigest()}  {name}\n" for name, data in sorted(files.items())]
    return "".join(lines).encode()


DIGITS = 64
_LISTED = re.compile(rf"([0-9a-fA-F]{{{DIGITS}}}) [ *](\S.*)")

MAX_FAULTS = 100
"""Faults of one kind in a release folder that are named."""


def read_sums(data: bytes) -> tuple[dict[str, str], list[str]]:
    """The digests by name, and the lines that are none (a digest, two spaces or space and asterisk, a name).

    Of more than MAX_FAULTS such lines the last says how many more there are.
    """
    sums: dict[str, str] = {}
    faults: list[str] = []
    more = 0
    text = data.decode("utf-8", "backslashreplace")
    for number, line in enumerate(text.splitlines(), 1):
        match = _LISTED.fullmatch(line) if len(line) > DIGITS else None
        if match and is_safe_name(match[2]) and match[2] not in sums:
            sums[match[2]] = match[1].lower()
        elif len(faults) == MAX_FAULTS:
            more += 1
        elif match and match[2] in sums:
            faults.append(f"line {number}: {match[2]} a second time")
        else:
            faults.append(f"line {number}, which may be of another file")
    if more:
        faults[-1] += f", and {more:,} more lines"
    return sums, faults


def is_safe_name(name: str) -> bool:
    """Whether a name stays inside the folder and can be one on every system; ``/`` parts folders."""
    parts = name.split("/")
    return (
        len(name) <= 200
        and len(parts) <= 8
        and all(
            re.fullmatch(r"[^\\/:*?\"<>|\s-][^\\/:*?\"<>|]*", part) and part.isprintable() for part in parts
        )
        and not any(part in (".", "..") or part.endswith((" ", ".")) for part in parts)
    )

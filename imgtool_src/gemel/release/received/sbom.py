"""Where the bill of materials of a received release differs from its folder and from the record of the image."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import Any

from gemel.errors import GemelError
from gemel.record.record import Record
from gemel.release.contents import CONTENTS, SBOM
from gemel.release.received.against_record import builds_against_record
from gemel.release.received.folder import FolderFault, ReleaseFolder, fault_of
from gemel.structs import NamedTuple


def sbom_faults(
    folder: ReleaseFolder, record: Record | None, given: Mapping[str, str]
) -> Iterator[FolderFault]:
    """What the SBOM says otherwise than the list of contents, the record and ``given`` builds' digests by name."""
    if SBOM not in folder.files:
        yield FolderFault(SBOM, "the SBOM is missing", "none", SBOM, listed=True)
        return
    try:
        contents = folder.contents
        parts = _components(folder.files[SBOM])
    except GemelError as error:
        yield fault_of(error, CONTENTS)
        return
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        found = f"no {error}" if isinstance(error, KeyError) else str(error)
        yield FolderFault(SBOM, "not a CycloneDX SBOM", found[:120], "CycloneDX in JSON")
        return
    product = parts.pop("product", None)
    image = folder.digests.get(contents.images[0].file) if contents.images else None
    if product is None or product.name != contents.product or product.version != contents.version:
        found = f"{product.name} {product.version}" if product else "none"
        yield FolderFault(
            SBOM, f"the subject of {SBOM} is another product", found, f"{contents.product} {contents.version}"
        )
    elif product.sha256 != image:
        yield FolderFault(SBOM, f"the subject of {SBOM} is another image", product.sha256, image or "none")
    expected = {f"build:{build.name}": build for build in contents.builds}
    for ref in sorted(set(parts) | set(expected)):
        part, build = parts.get(ref), expected.get(ref)
        if part is None or build is None:
            what = (
                f"{SBOM} lists a build that is not in the image"
                if build is None
                else f"{SBOM} lacks a build of the image"
            )
            yield FolderFault(SBOM, what, ref if part else "none", ref if build else "none")
            continue
        for whose, digest in ((CONTENTS, build.sha256), ("the given file", given.get(build.name))):
            if digest is not None and part.sha256 != digest:
                yield FolderFault(
                    SBOM, f"{SBOM} has another digest of build {build.name} than {whose}", part.sha256, digest
                )
    if record:
        ids = {ref.removeprefix("build:"): part.build_id for ref, part in parts.items()}
        yield from builds_against_record(SBOM, ids, record)


class _Component(NamedTuple):
    name: str
    version: str | None
    sha256: str
    build_id: str


def _components(data: bytes) -> dict[str, _Component]:
    """The product and the builds of an SBOM by reference; ``product`` is its subject."""
    found = json.loads(data)
    if found["bomFormat"] != "CycloneDX":
        raise ValueError("no CycloneDX")
    parts = {"product": _component(found["metadata"]["component"])}
    for each in found.get("components", []):
        ref = str(each.get("bom-ref", ""))
        if ref.startswith("build:") and ref.count(":") == 1:
            if ref in parts:
                raise ValueError(f"{ref} twice")
            parts[ref] = _component(each)
    return parts


def _component(found: Any) -> _Component:
    digests = [str(each["content"]) for each in found.get("hashes", []) if each["alg"] == "SHA-256"]
    ids = [str(each["value"]) for each in found.get("properties", []) if each["name"] == "gemel:build-id"]
    return _Component(str(found["name"]), found.get("version"), "".join(digests), "".join(ids))

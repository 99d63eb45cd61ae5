"""The documents of a release folder as received: what each says, compared with the folder and the record."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from contextlib import suppress
from typing import Any

from gemel.errors import GemelError
from gemel.record.record import Record
from gemel.release.contents import CONTENTS, PROVENANCE, SBOM, SUMS, ReleaseContents
from gemel.release.received.folder import FolderFault, ReleaseFolder, compared_digests, fault_of
from gemel.release.vex import refs_in, unknown_refs
from gemel.structs import NamedTuple


def contents_faults(folder: ReleaseFolder, record: Record | None, sealed: bool) -> Iterator[FolderFault]:
    """What the list of contents says otherwise than the folder and the image: its record, whether it is ``sealed``."""
    try:
        contents = folder.contents
    except GemelError as error:
        yield fault_of(error, CONTENTS)
        return
    named = [
        contents.layout,
        *(image.file for image in contents.images),
        *(key.file for key in contents.keys),
        *(vex.file for vex in contents.vex),
    ]
    for name in named:
        if name not in folder.files:
            yield FolderFault(name, f"{name}, which {CONTENTS} names, is missing", "none", name)
    yield from _key_faults(folder, contents)
    if contents.sealed != sealed:
        words = {True: "a seal", False: "no seal"}
        yield FolderFault(
            CONTENTS,
            f"{CONTENTS} says that the image has {words[contents.sealed]}",
            words[sealed],
            words[contents.sealed],
        )
    roles = {*named, CONTENTS, SUMS, SBOM, PROVENANCE}
    for name in sorted(set(folder.files) - roles):
        if not re.fullmatch(r"(check|rehearsal|notes)\.[a-z.]+", name):
            what = f"a file that is none of a release, or that {CONTENTS} does not name"
            yield FolderFault(name, what, name, "no such file", listed=True)
    if record:
        said = {
            "product": contents.product,
            "version": contents.version,
            "rollback": contents.rollback,
            "layoutDigest": contents.layout_sha256,
        }
        yield from against_record(CONTENTS, said, record)
        ids = {build.name: build.build_id or "" for build in contents.builds}
        yield from builds_against_record(CONTENTS, ids, record)


def _key_faults(folder: ReleaseFolder, contents: ReleaseContents) -> Iterator[FolderFault]:
    from gemel.seals.keys.files import load_public_key

    for each in contents.keys:
        if each.file not in folder.files:
            continue
        try:
            found = load_public_key(folder.files[each.file], each.file).fingerprint.hex()
        except GemelError as error:
            yield fault_of(error, each.file)
            continue
        if found != each.fingerprint:
            yield FolderFault(
                each.file, f"{each.file} is another key than {CONTENTS} says", found, each.fingerprint
            )


def statement_faults(folder: ReleaseFolder, record: Record | None) -> Iterator[FolderFault]:
    """What the provenance says otherwise than the folder and the image's record."""
    try:
        statement, contents = folder.statement, folder.contents
    except GemelError as error:
        yield fault_of(error, PROVENANCE)
        return
    yield from compared_digests(folder, statement.subjects, PROVENANCE, {SUMS, PROVENANCE})
    layout = statement.materials.get("layout")
    if layout is None or layout.sha256 != folder.digests.get(contents.layout):
        found = layout.sha256 if layout else "none"
        yield FolderFault(
            PROVENANCE,
            f"{PROVENANCE} names another layout",
            found,
            folder.digests.get(contents.layout, "none"),
        )
    for build in contents.builds:
        made = statement.materials.get(f"build {build.name}")
        if made is None or made.sha256 != build.sha256:
            found = made.sha256 if made else "none"
            yield FolderFault(
                PROVENANCE,
                f"{PROVENANCE} names another build {build.name} than {CONTENTS}",
                found,
                build.sha256,
            )
    listed = {f"build {build.name}" for build in contents.builds}
    for role in sorted(
        role for role in statement.materials if role.startswith("build ") and role not in listed
    ):
        yield FolderFault(
            PROVENANCE,
            f"{PROVENANCE} names a {role} that is not in {CONTENTS}",
            role,
            "the builds of the image",
        )
    if record:
        said = {name: statement.parameters.get(name) for name in _OF_RECORD}
        yield from against_record(PROVENANCE, said, record)
        ids = {
            role.removeprefix("build "): dict(material.annotations).get("buildId", "")
            for role, material in statement.materials.items()
            if role.startswith("build ")
        }
        yield from builds_against_record(PROVENANCE, ids, record)


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


MAX_REFS, MAX_REFS_IN_ALL = 20, 200
"""References of one VEX document that are named, each in a remark, and of all before each names its first alone."""


def vex_faults(folder: ReleaseFolder) -> Iterator[FolderFault]:
    """What the VEX documents are otherwise than the list of contents and the provenance say."""
    try:
        contents, statement = folder.contents, folder.statement
    except GemelError:
        return  # another rule reports it
    for number, each in enumerate(contents.vex, 1):
        made = statement.materials.get(f"vex {number}")
        digest = folder.digests.get(each.file, "none")
        if made is None or made.sha256 != digest:
            found = made.sha256 if made else "none"
            yield FolderFault(
                each.file, f"{PROVENANCE} names another VEX document than {each.file}", found, digest
            )
        vex = folder.vex[each.file]
        if isinstance(vex, GemelError):
            yield fault_of(vex, each.file)
        elif vex.form != each.form:
            yield FolderFault(
                each.file, f"{each.file} has another form than {CONTENTS} says", vex.form, each.form
            )


def vex_refs_unknown(folder: ReleaseFolder) -> Iterator[tuple[str, str]]:
    """The VEX documents with references in them to components that the SBOM does not list, MAX_REFS of each.

    After MAX_REFS_IN_ALL it is one of each.  The last of more says how many more there are.
    """
    listed = 0
    with suppress(GemelError, ValueError, RecursionError):
        known = refs_in(folder.files.get(SBOM, b""))
        for file, vex in sorted(folder.vex.items()):
            unknown = [] if isinstance(vex, GemelError) else unknown_refs(vex, known)
            most = MAX_REFS if listed < MAX_REFS_IN_ALL else 1
            if more := len(unknown[most:]):
                unknown[most - 1 :] = [f"{unknown[most - 1]}, and {more:,} more"]
            listed += len(unknown)
            yield from ((file, ref) for ref in unknown)


_OF_RECORD = {
    "product": "product",
    "version": "version",
    "rollback": "rollback counter",
    "layoutDigest": "layout digest",
}
"""What a document says as the record does, and in words."""


def against_record(file: str, said: Mapping[str, Any], record: Record) -> Iterator[FolderFault]:
    """Where product, version, counter or layout digest differ from the record's."""
    known = {
        "product": record.product,
        "version": record.version,
        "rollback": record.rollback,
        "layoutDigest": record.layout_sha256.hex(),
    }
    for name in _OF_RECORD:
        if said.get(name) != known[name]:
            found = str(said.get(name))[:100]
            words = _OF_RECORD[name]
            yield FolderFault(
                file, f"{file} names another {words} than the image's record", found, str(known[name])
            )


def builds_against_record(file: str, ids: Mapping[str, str], record: Record) -> Iterator[FolderFault]:
    """Where build ids by name differ from the record's."""
    recorded = {entry.name: entry.build_id.hex() for entry in record.builds}
    for name in sorted(set(ids) | set(recorded)):
        if name not in ids or name not in recorded:
            where = file if name in recorded else "the image's record"
            found = ", ".join(sorted(ids if name in recorded else recorded)) or "none"
            yield FolderFault(file, f"{where} does not name build {name}", found, name)
        elif ids[name] != recorded[name]:
            what = f"{file} has another build id of build {name} than the image's record"
            yield FolderFault(file, what, ids[name] or "none", recorded[name] or "none")

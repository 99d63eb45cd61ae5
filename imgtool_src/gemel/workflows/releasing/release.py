"""A release: everything that is shipped of one image, made in one go from layout, builds and keys.

Nothing is written here: the files are data, so that the folder appears whole or not at all.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from gemel.errors import Problem, UsageProblem
from gemel.files.paths import FilePath
from gemel.image.image import ImageFile
from gemel.inspection.previous import reused_version
from gemel.layout.reader import ReadLayout
from gemel.release.contents import (
    CONTENTS,
    IMAGE_FORMATS,
    PROVENANCE,
    SBOM,
    SUMS,
    ReleaseContents,
    ReleasedBuild,
    ReleasedImage,
    ReleasedKey,
    contents_text,
    is_safe_name,
    stem_of,
    sums_text,
)
from gemel.release.extras import library
from gemel.release.provenance import BUILDER, Material, statement_text
from gemel.spans import format_size
from gemel.structs import NamedTuple, replace
from gemel.text.escaping import in_utf_8
from gemel.workflows.checking import CheckResult, applied_too
from gemel.workflows.inputs.values import version_of
from gemel.workflows.joining import JoinResult, assumptions_of, join, sealed_and_checked, trust_of_join
from gemel.workflows.read_back import read_back_of
from gemel.workflows.rehearsing import due_rehearsal
from gemel.workflows.releasing.inputs import Inputs, ReleaseRequest, formats_of, read_inputs
from gemel.workflows.sealing import ReadyKeys, SignerSource
from gemel.workflows.writing import MAX_WHOLE, encoded, made_file, of_file, whole_memory

if TYPE_CHECKING:
    from gemel.rehearsal.result import Rehearsal
    from gemel.seals.keys.keys import PublicKey, Signer


class Released(NamedTuple):
    """What came of it: the check, remarks on the builds, and the folder's files by name (none: nothing is shipped)."""

    check: CheckResult
    remarks: list[Problem]
    files: dict[str, bytes]


def make_release(request: ReleaseRequest, keys: SignerSource | Sequence[Signer] = ()) -> Released:
    """Join, seal with ``keys`` (a sequence: open already), check, read back and document; nothing is written.

    Raises what reading, joining and sealing raise; UsageProblem for what a release cannot hold, ExtraMissing, before
    anything is read or signed, without a library that it is documented or read back by.
    """
    libraries = ("cyclonedx.model.bom", "cbor2", "bincopy", "intelhex", "elftools.elf.elffile")
    for module in libraries:
        library(module, "a release")
    keys = ReadyKeys(keys) if isinstance(keys, Sequence) else keys
    inputs = read_inputs(request, keys)
    read, layout = inputs.read, inputs.read.layout
    remarks = [
        problem
        for build in inputs.builds.values()
        for problem in (*build.remarks, *assumptions_of(layout, build))
    ]
    joined = join(read, inputs.builds, version=request.version, rollback=request.rollback)
    rehearsal = due_rehearsal(read, joined.image, inputs.builds, wanted=request.rehearse)
    result, signers = _checked(request, inputs, joined, rehearsal, keys)
    remarks += reused_version(result.inspection.previous, result.inspection.record)
    if not result.passes:
        return Released(result, remarks, {})
    images, described = _images(request, inputs, joined, result)
    first = next(iter(images))
    memories = {each.file: each.memory for each in described if each.memory}
    written = {name: (None, [data]) for name, data in images.items()}
    result = applied_too(
        of_file(result, FilePath(first), made_file([images[first]]).file),
        read_back_of(layout, written, memories, inputs.build_files),
        inputs.date,
    )
    if not result.passes:
        return Released(result, remarks, {})
    files = _folder(request, inputs, joined, result, signers, images, described, rehearsal)
    return Released(result, [*remarks, *_vex_remarks(files)], files)


def _vex_remarks(files: Mapping[str, bytes]) -> list[Problem]:
    from gemel.release.received.documents import vex_refs_unknown
    from gemel.release.received.folder import ReleaseFolder

    step = "give the SBOM that the VEX refers to with --sbom"
    what = "a VEX document refers to a component that the SBOM does not list"
    return [
        Problem(what, where=file, found=ref, next_step=step)
        for file, ref in vex_refs_unknown(ReleaseFolder(files))
    ]


def _checked(
    request: ReleaseRequest,
    inputs: Inputs,
    joined: JoinResult,
    rehearsal: Rehearsal | None,
    keys: SignerSource,
) -> tuple[CheckResult, Sequence[Signer]]:
    """The check of the image as it is shipped, sealed if there are keys; before anything is signed it must pass."""
    read = inputs.read
    result, _, signers = sealed_and_checked(
        read,
        joined.image,
        inputs.builds,
        keys,
        trust_of_join(read, inputs.policy, bool(keys)),
        version=version_of(request.version),
        rollback=request.rollback,
        previous=inputs.previous,
        disassemble=request.disassemble,
        rehearsal=rehearsal or False,
        today=inputs.date,
        strict=request.strict,
    )
    return result, signers


def _images(
    request: ReleaseRequest, inputs: Inputs, joined: JoinResult, result: CheckResult
) -> tuple[dict[str, bytes], list[ReleasedImage]]:
    """The image's files by name, and what each is; the chosen formats first."""
    layout = inputs.read.layout
    record = result.inspection.record
    version = record.version if record else request.version or layout.version
    stem = stem_of(layout.product, version)
    files: dict[str, bytes] = {}
    described = []
    for form in formats_of(request):
        name = stem + IMAGE_FORMATS[form]
        files[name] = b"".join(encoded(FilePath(name), joined.image.data, layout, joined.image.entry))
        described.append(ReleasedImage(name, None, layout.flash_start if form == "bin" else None))
    for memory in layout.memories.values() if request.memories else ():
        if not memory.holds_image or not joined.image.data.held_in(memory.span):
            continue
        if memory.size > MAX_WHOLE:
            what, step = "too large for a whole-memory binary", "leave them out with --no-memory-files"
            found, where = format_size(memory.size), f"memory {memory.name}"
            raise UsageProblem(
                what, where=where, found=found, expected=format_size(MAX_WHOLE), next_step=step
            )
        name = f"{stem}-{memory.name}.bin"
        files[name] = b"".join(whole_memory(joined.image.data, layout, memory.name))
        described.append(ReleasedImage(name, memory.name, memory.start))
    return files, described


def _folder(
    request: ReleaseRequest,
    inputs: Inputs,
    joined: JoinResult,
    result: CheckResult,
    signers: Sequence[Signer],
    images: dict[str, bytes],
    described: list[ReleasedImage],
    rehearsal: Rehearsal | None,
) -> dict[str, bytes]:
    from gemel.release.provenance import envelope_text, signed
    from gemel.release.sbom import sbom_text

    read, record = inputs.read, result.inspection.record
    layout_name = _layout_name(read)
    keys, key_files = _keys(read, signers)
    files = dict(images)
    _add(files, {layout_name: inputs.layout_bytes}, "the layout")
    _add(files, key_files, "a key")
    _add(files, _reports(result), "a report")
    _add(files, _rehearsed(rehearsal, result), "a report")
    _add(files, _notes(inputs, joined, next(iter(images)), images, result.inspection.trusted), "a report")
    contents = ReleaseContents(
        1,
        read.layout.product,
        record.version if record else request.version or read.layout.version,
        record.rollback if record else request.rollback or read.layout.rollback,
        layout_name,
        read.digest.hex(),
        bool(signers),
        tuple(described),
        tuple(_released_build(read, name, inputs) for name in inputs.builds),
        tuple(keys),
        tuple(inputs.vex),
    )
    _add(files, {each.file: data for each, data in inputs.vex.items()}, "a VEX document")
    _add(files, {SBOM: sbom_text(contents, images, inputs.builds, inputs.sboms)}, "a document")
    _add(files, {CONTENTS: contents_text(contents)}, "a document")
    statement = statement_text(
        contents, files, _materials(inputs, contents), _parameters(request), request.builder or BUILDER
    )
    _add(files, {PROVENANCE: envelope_text(signed(statement, signers))}, "a document")
    return files | {SUMS: sums_text(files)}


def _add(files: dict[str, bytes], more: Mapping[str, bytes], what: str) -> None:
    """Put further files next to the others; raises UsageProblem where a name is taken."""
    taken = {name.casefold() for name in files} | {SUMS.casefold()}
    if clash := [name for name in more if name.casefold() in taken]:
        raise UsageProblem(
            f"two files of the release would have one name, one of them {what}",
            found=clash[0],
            next_step="give the layout, its key or the document another name",
        )
    files |= more


def _layout_name(read: ReadLayout) -> str:
    name = read.name
    return name if name.endswith(".toml") and is_safe_name(name) else "layout.toml"


def _keys(read: ReadLayout, signers: Sequence[Signer]) -> tuple[list[ReleasedKey], dict[str, bytes]]:
    """The folder's public keys: the layout's where it names them, so that it can be used there, and the signers'."""
    from gemel.workflows.inputs.keys import public_keys

    named: dict[str, PublicKey] = {}
    plan = read.layout.seal
    for name in plan.trust if plan else ():
        if not is_safe_name(name):
            raise UsageProblem(
                "a key that the layout trusts has no place in a release folder",
                where=f"trust in [seal] of {read.file}",
                found=name,
                expected="a path inside the layout's folder, without \\ : * ? \" < > |",
                next_step="put the key next to the layout",
            )
        named[name] = public_keys([FilePath(read.file).parent / name], plain=True)[0]
    for key in sorted((signer.public_key for signer in signers), key=lambda each: each.fingerprint):
        if key not in named.values():
            named[f"keys/{key.fingerprint.hex()}.pem"] = key
    keys = [ReleasedKey(name, key.algorithm.name, key.fingerprint.hex()) for name, key in named.items()]
    return keys, {name: key.to_pem() for name, key in named.items()}


def _reports(result: CheckResult) -> dict[str, bytes]:
    from gemel.workflows.report_forms import FORMATS

    return {
        f"check{form.suffixes[0]}": result.rendered(form.name, everything=True).encode(
            "utf-8", "backslashreplace"
        )
        for form in FORMATS
        if form.suffixes
    }


def _rehearsed(rehearsal: Rehearsal | None, result: CheckResult) -> dict[str, bytes]:
    if rehearsal is None:
        return {}
    from gemel.workflows.rehearsal_forms import rehearsal_text

    forms = {"txt": "text", "json": "json", "svg": "svg"}
    return {
        f"rehearsal.{suffix}": rehearsal_text(rehearsal, result.inspection, form).encode(
            "utf-8", "backslashreplace"
        )
        for suffix, form in forms.items()
    }


def _notes(
    inputs: Inputs, joined: JoinResult, name: str, images: Mapping[str, bytes], trusted: Sequence[PublicKey]
) -> dict[str, bytes]:
    if inputs.previous is None:
        return {}
    from gemel.comparing.as_text import text_of
    from gemel.comparing.changes import FORMAT
    from gemel.text.as_json import form_text
    from gemel.workflows.comparing import compare

    file = ImageFile(len(images[name]), hashlib.sha256(images[name]).digest())
    new = replace(joined.image, file=name, read_from=file)
    comparison = compare(
        inputs.previous,
        new,
        inputs.read,
        old_builds=inputs.old_builds,
        new_builds=inputs.builds,
        trusted=trusted,
    )
    text = "".join(f"{line}\n" for line in text_of(comparison, 80, everything=True))
    data = form_text(FORMAT, comparison)
    return {"notes.txt": in_utf_8(text), "notes.json": data.encode()}


def _released_build(read: ReadLayout, name: str, inputs: Inputs) -> ReleasedBuild:
    build, file = inputs.builds[name], inputs.build_files[name]
    build_id = build.build_id.hex() if build.build_id else None
    return ReleasedBuild(
        name, read.layout.builds[name].core, build.file, hashlib.sha256(file.data).hexdigest(), build_id
    )


def _materials(inputs: Inputs, contents: ReleaseContents) -> list[Material]:
    digest = hashlib.sha256(inputs.layout_bytes).hexdigest()
    materials = [Material("layout", inputs.read.name, digest, (("layoutDigest", contents.layout_sha256),))]
    for build in contents.builds:
        known = (("core", build.core), *((("buildId", build.build_id),) if build.build_id else ()))
        materials.append(Material(f"build {build.name}", build.file, build.sha256, known))
    if inputs.previous and inputs.previous.read_from:
        digest = inputs.previous.read_from.sha256.hex()
        materials.append(Material("previous image", inputs.previous.file, digest))
    if inputs.policy:
        materials.append(Material("policy", inputs.policy.name, inputs.policy.sha256.hex()))
    for number, (_, name, data) in enumerate(inputs.sboms, 1):
        materials.append(Material(f"sbom {number}", name, hashlib.sha256(data).hexdigest()))
    for number, (vex, data) in enumerate(inputs.vex.items(), 1):
        name, notes = vex.file.partition("/")[2], (("form", vex.form),)
        materials.append(Material(f"vex {number}", name, hashlib.sha256(data).hexdigest(), notes))
    return materials


def _parameters(request: ReleaseRequest) -> dict[str, Any]:
    return {
        "formats": formats_of(request),
        "memoryFiles": request.memories,
        "rehearse": request.rehearse,
        "strict": request.strict,
        "date": request.date,
    }

"""What a result is about: which image, judged by which layout, builds, keys and options.

Every form of every result begins with it, so that a result that is filed says by itself what it judged.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Annotated, Literal, Protocol

from gemel.image.image import ImageFile
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.layout.model import SeverityChange, Waiver
from gemel.placement.placed import Version
from gemel.spans import Span, format_address
from gemel.structs import Struct
from gemel.version import __version__

if TYPE_CHECKING:
    from gemel.inspection.seal import SealUnderCheck
    from gemel.seals.seal import Verdict

NO_KEY = "no public key is given for it"
"""What is said of a signature where nobody gave a key, nor a layout that trusts one."""

NOT_HERE = "not done here; gemel check does it by the layout's keys"
"""What is said of one where the layout trusts keys, and the command does without them."""

SealState = Literal["sealed", "not sealed", "malformed", "no seal in the layout"]


class RecordedImage(Protocol):
    """What a record calls its image."""

    @property
    def product(self) -> str:
        """The product."""

    @property
    def version(self) -> Version | str:
        """The version."""

    @property
    def rollback(self) -> int:
        """The rollback counter."""


class Tool(Struct):
    """What made the result."""

    name: Annotated[Literal["gemel"], "its name"]
    version: Annotated[str, "its version"]


class JudgedImage(Struct):
    """The image that was judged."""

    name: Annotated[str, "the file's name; empty: it was in no file yet"]
    size: Annotated[int | None, "bytes of the file; null: it was in no file yet"]
    sha256: Annotated[str | None, "SHA-256 of the file's bytes, as sha256sum prints it; null: as for size"]
    content_sha256: Annotated[
        str,
        "content digest, the same in every format that holds the same bytes, erased ones included: over each run "
        "start and size as little-endian 32-bit words, then its bytes",
    ]
    spans: Annotated[tuple[Span, ...], "runs of bytes that it holds, ascending"]
    product: Annotated[str | None, "the product by its record; null: no sound record"]
    version: Annotated[str | None, "the version by its record; null: no sound record"]
    rollback: Annotated[int | None, "the rollback counter by its record; null: no sound record"]


class JudgedFile(Struct):
    """A file that the image was judged by."""

    name: Annotated[str, "its name"]
    sha256: Annotated[str, "SHA-256 of its bytes, in hexadecimal"]


class JudgedFolder(Struct):
    """A release folder that was judged as a whole."""

    name: Annotated[str, "its name"]
    sums_sha256: Annotated[str | None, "SHA-256 of its SHA256SUMS, in hexadecimal; null: it has none"]


class JudgedBuild(Struct):
    """A build of the layout, and how it is known."""

    name: Annotated[str, "its name in the layout"]
    core: Annotated[str, "the core that runs it"]
    file: Annotated[str | None, "its file's name; null: not given"]
    kind: Annotated[Literal["elf", "hex", "srec", "bin"] | None, "its file's format; null: not given"]
    build_id: Annotated[
        bytes | None, "GNU build id, by the record where the file is not given; null: none or not known"
    ]
    missing: Annotated[tuple[str, ...], "what its file does not show"]
    stored: Annotated[Span | None, "where its bytes are in the image; null: nowhere"]
    known_from: Annotated[Literal["build", "record", "layout"] | None, "what says so"]


class JudgedSigner(Struct):
    """A signer of the image's seal."""

    algorithm: Annotated[str, "the signature algorithm"]
    key: Annotated[str, "fingerprint of the key, in hexadecimal"]
    verified: Annotated[bool, "whether the signature was verified with a given key and holds"]
    counted: Annotated[bool, "whether it counts: verified, key trusted, algorithm allowed"]
    verdict: Annotated[str, "what became of it, in words"]


class Identity(Struct, kw_only=True):
    """What was judged, and by what."""

    tool: Annotated[Tool, "what made the result"]
    release: Annotated[JudgedFolder | None, "the release folder; null: the image alone was judged"] = None
    image: Annotated[JudgedImage, "the image"]
    layout: Annotated[JudgedFile | None, "the layout file; null: none was given"] = None
    layout_product: Annotated[str | None, "the product's name in the layout; null: none was given"] = None
    layout_digest: Annotated[
        bytes | None, "digest of what the layout says, as records keep it; null: none was given"
    ] = None
    builds: Annotated[tuple[JudgedBuild, ...], "every build of the layout, given or not"] = ()
    seal: Annotated[SealState, "whether there is a seal"]
    signers: Annotated[tuple[JudgedSigner, ...], "the seal's signers"]
    as_sealed: Annotated[
        bool | None,
        "whether the image holds the bytes that its record, which the seal is over, has the digests of; null: not "
        "sealed, or no sound record of this layout",
    ] = None
    seal_demanded_by: Annotated[str | None, "who demands a seal; null: nobody"] = None
    policy: Annotated[JudgedFile | None, "the receiver's policy; null: none"] = None
    options: Annotated[tuple[str, ...], "options that change the verdict"]
    waivers: Annotated[tuple[Waiver, ...], "the layout's waivers"] = ()
    severities: Annotated[tuple[SeverityChange, ...], "severities that the layout changes"] = ()


def identity_of(
    inspection: Inspection, image_name: str = "", options: Sequence[str] | None = None
) -> Identity:
    """What ``inspection`` judges; ``image_name`` (no path) is the image's where that of its file is not meant.

    ``options`` are those that change the result (None: those of ``inspection``).
    """
    read, policy, seal = inspection.read, inspection.receiver.policy, inspection.seal
    demanded = seal.demands.demanded_by if seal and seal.demands.required else ""
    state: SealState = "no seal in the layout"
    if seal:
        state = "sealed" if seal.seal else "not sealed" if seal.absent else "malformed"
    return Identity(
        tool=Tool("gemel", __version__),
        release=_release(inspection.image_file),
        image=image_of(inspection, image_name),
        layout=JudgedFile(read.name, read.file_sha256.hex()) if read.given else None,
        layout_product=read.layout.product if read.given else None,
        layout_digest=read.digest if read.given else None,
        builds=tuple(_build(inspection, name) for name in read.layout.builds),
        seal=state,
        signers=tuple(signers_of(inspection)),
        as_sealed=as_sealed(inspection) if seal and seal.seal else None,
        seal_demanded_by=demanded or None,
        policy=JudgedFile(policy.name, policy.sha256.hex()) if policy else None,
        options=tuple(
            _options(inspection) if options is None else [*_place(inspection.image_file), *options]
        ),
        waivers=read.layout.rules.waive,
        severities=read.layout.rules.severity,
    )


def identity_without_layout(
    image: SparseBytes,
    name: str,
    file: ImageFile | None,
    record: RecordedImage | None,
    seal: SealState,
    signers: tuple[JudgedSigner, ...],
    options: Sequence[str] = (),
    *,
    differs: bool = False,
) -> Identity:
    """What a file alone shows: ``record`` is its one sound record, if any, from which the image ``differs`` or not."""
    return Identity(
        tool=Tool("gemel", __version__),
        image=_image(image, name, file, record),
        seal=seal,
        signers=signers,
        as_sealed=False if signers and differs else None,
        options=(*_place(file), *options),
    )


def content_digest(image: SparseBytes) -> str:
    """SHA-256 over each held run: start and size as little-endian 32-bit words, then its bytes."""
    digest = hashlib.sha256()
    for span in image.spans():
        digest.update(span.start.to_bytes(4, "little") + (span.size & 0xFFFF_FFFF).to_bytes(4, "little"))
        for _, piece in image.pieces(span):
            digest.update(piece)
    return digest.hexdigest()


def _image(
    image: SparseBytes, name: str, file: ImageFile | None, record: RecordedImage | None
) -> JudgedImage:
    return JudgedImage(
        name=name,
        size=file.size if file else None,
        sha256=file.sha256.hex() if file else None,
        content_sha256=content_digest(image),
        spans=tuple(image.spans()),
        product=record.product if record else None,
        version=str(record.version) if record else None,
        rollback=record.rollback if record else None,
    )


def _release(file: ImageFile | None) -> JudgedFolder | None:
    folder = file.folder if file else None
    return JudgedFolder(folder.name, folder.sums_sha256) if folder else None


def _build(inspection: Inspection, name: str) -> JudgedBuild:
    build = inspection.builds.get(name)
    found = inspection.placed_with_origin.get(name)
    known = build or inspection.entry_of(name)
    return JudgedBuild(
        name=name,
        core=inspection.layout.builds[name].core,
        file=build.file if build else None,
        kind=build.kind if build else None,
        build_id=known.build_id or None if known else None,
        missing=tuple(build.missing) if build else ("everything: the build was not given",),
        stored=found[0].stored if found else None,
        known_from=found[1] if found else None,
    )


def as_sealed(inspection: Inspection) -> bool | None:
    """Whether the bytes are those that the record, which the seal is over, was made for; None: cannot be said."""
    from gemel.inspection.altered.unchanged import as_recorded  # few images that are shown have a seal

    return as_recorded(inspection)


def seal_unverified(inspection: Inspection) -> bool:
    """Whether the image has a seal of which no signature counts for its bytes."""
    seal = inspection.seal
    return bool(seal and seal.seal) and not (seal and seal.counted and as_sealed(inspection) is not False)


def image_of(inspection: Inspection, name: str = "") -> JudgedImage:
    """The image of ``inspection``; ``name`` (no path) is its own where that of its file is not meant."""
    return _image(inspection.image, name or inspection.file, inspection.image_file, inspection.record)


def signers_of(inspection: Inspection) -> Iterator[JudgedSigner]:
    """The signers of the image's seal, in their order."""
    seal = inspection.seal
    if seal is None:
        return
    counted = seal.counted
    for each in seal.verdicts:
        yield JudgedSigner(
            algorithm=each.signer.algorithm.name,
            key=each.signer.key_fingerprint.hex(),
            verified=each.good and inspection.record_bytes is not None,
            counted=each in counted,
            verdict=_verdict(inspection, seal, each),
        )


def _verdict(inspection: Inspection, seal: SealUnderCheck, signer: Verdict) -> str:
    if not inspection.record_bytes:
        return "no sound record that it could be over"
    if not (inspection.trusted or inspection.known):
        named = inspection.layout.seal and inspection.layout.seal.trust
        return NOT_HERE if named else f"{NO_KEY} (gemel check --trust)"
    if signer.good and signer.signer.algorithm not in seal.allowed:
        return "the algorithm is not allowed"
    if signer.good and signer.signer.key_fingerprint not in {key.fingerprint for key in inspection.trusted}:
        return "the key is known, and is not one of the trusted keys"
    return signer.outcome.value


def _options(inspection: Inspection) -> Iterator[str]:
    """What was requested that makes the verdict another, as the command line has it."""
    yield from _place(inspection.image_file)
    if inspection.options is not None:
        yield from inspection.options
        return
    for option, value in (
        ("--version", inspection.version),
        ("--rollback", inspection.rollback),
        ("--at-least", inspection.at_least),
        ("--previous", inspection.previous and inspection.previous.name),
        ("--date", inspection.judged_on),
        ("--policy", inspection.receiver.policy and inspection.receiver.policy.name),
    ):
        if value is not None:
            yield f"{option} {value}"
    if inspection.receiver.trusts_keys:
        yield "--trust"
    if not inspection.disassemble:
        yield "--no-disassemble"
    if inspection.rehearsal is not None:
        yield "--rehearse"
    if inspection.strict:
        yield "--strict" if inspection.strict == "warnings" else f"--strict={inspection.strict}"


def _place(file: ImageFile | None) -> Iterator[str]:
    """The address that was given for a raw binary."""
    if file and file.at is not None:
        yield f"--at {format_address(file.at)}"

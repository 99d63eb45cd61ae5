"""An image as a SUIT envelope, the IETF's format of updates for devices with unlike processors.

Written by draft-ietf-suit-manifest-37, which is no standard yet: a trial until it is one.  ``gemel explain release``
has a picture, with the draft's section of each element by its title, since the numbers still move.

    107({2: authentication (a digest of the manifest, one COSE_Sign1 a key), 3: manifest, 23 in it: text,
         "#NAME": the bytes of each component})

    component   [memory, address as 4 bytes big-endian]: first the primary's build, then the other builds, then every
                further run of the image's bytes, record and seal last
    common      vendor and class id, digest and size of each component
    install     the secondaries' builds, the primary's, the rest, the record, the seal: what starts first and what says
                that all is there are written last; each is fetched from the envelope and compared with its digest
    validate    every component's digest
    invoke      the primary's build alone: it releases the other cores itself

The sequence number is the record's rollback counter: an updater refuses one below that of what it has.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from typing import Any

from gemel.errors import Problem, UsageProblem
from gemel.inspection.inspection import Inspection
from gemel.layout.addresses import locate
from gemel.record.record import Record
from gemel.release.extras import library
from gemel.seals.cose import sig_structure
from gemel.seals.keys.keys import Signer
from gemel.spans import Span, without
from gemel.structs import NamedTuple

ENVELOPE = 107  # tag of an envelope
AUTHENTICATION, MANIFEST = 2, 3  # envelope's members
SIGN1 = 18  # tag of COSE_Sign1, RFC 9052 2
SHA_256 = -16  # digest algorithm, RFC 9054 2.1
VERSION, SEQUENCE, COMMON, VALIDATE, INVOKE, INSTALL, TEXT = 1, 2, 3, 7, 9, 20, 23  # manifest's members
COMPONENTS, SHARED = 2, 4  # common's members
IS_VENDOR, IS_CLASS, MATCHES = 1, 2, 3  # conditions
SET_COMPONENT, OVERRIDE, FETCH, START = 12, 20, 21, 23  # directives
VENDOR, CLASS, DIGEST, SIZE, URI = 1, 2, 3, 14, 21  # parameters
ALL, FAILURE = 15, 2  # reporting policy: every record; of a failure the record
DESCRIPTION, COMPONENT_DESCRIPTION, COMPONENT_VERSION = 1, 5, 6  # text


class Component(NamedTuple):
    """A part of the image: name, memory, span and bytes; ``build`` is None where it is no build's."""

    name: str
    memory: str
    span: Span
    data: bytes
    build: str | None
    words: str

    @property
    def identifier(self) -> list[bytes]:
        """Its component identifier."""
        return [self.memory.encode(), self.span.start.to_bytes(4, "big")]


def components_of(inspection: Inspection) -> list[Component]:
    """The parts of the image, the primary's build first, the seal last."""
    layout, record = inspection.layout, inspection.record
    builds = record.builds if record else ()
    order = sorted(builds, key=lambda each: each.role != "primary")
    started = ", ".join(f"build {entry.name}" for entry in order if entry.role != "primary")
    parts = []
    for entry in order:
        needs = f"; needs {started}, which it starts" if entry.role == "primary" and started else ""
        words = f"build {entry.name} for core {entry.core}{needs}"
        parts.append(_component(inspection, entry.name, entry.stored, entry.name, words))
    last = [layout.record.area if layout.record else "", layout.seal.area if layout.seal else ""]
    rest = without(inspection.image.spans(), [part.span for part in parts])
    named: list[Component] = []
    for span in rest:
        for area, piece in _by_area(inspection, span):
            name = (
                area
                if area not in [other.name for other in (*parts, *named)]
                else f"{area}-{piece.start:08x}"
            )
            named.append(_component(inspection, name, piece, None, f"area {area}"))
    named.sort(key=lambda part: last.index(part.name) + 1 if part.name in last else 0)
    return [*parts, *named]


def manifest_of(inspection: Inspection, parts: Sequence[Component]) -> bytes:
    """The manifest's bytes; raises UsageProblem where the record lacks what it needs."""
    record = _usable(inspection.record)
    primary = next(index for index, part in enumerate(parts) if _is_primary(record, part))
    vendor, kind = record.vendor_id, record.class_id
    identity = {VENDOR: vendor.bytes if vendor else b"", CLASS: kind.bytes if kind else b""}
    shared: list[Any] = []
    for index, part in enumerate(parts):
        digest = _encoded([SHA_256, hashlib.sha256(part.data).digest()])
        first: dict[int, bytes] = identity if index == 0 else {}
        shared += [SET_COMPONENT, index, OVERRIDE, {**first, DIGEST: digest, SIZE: len(part.data)}]
        shared += [IS_VENDOR, ALL, IS_CLASS, ALL] if index == 0 else []
    install: list[Any] = []
    for index in _install_order(record, parts):
        install += [
            SET_COMPONENT,
            index,
            OVERRIDE,
            {URI: f"#{parts[index].name}"},
            FETCH,
            FAILURE,
            MATCHES,
            ALL,
        ]
    validate = [word for index in range(len(parts)) for word in (SET_COMPONENT, index, MATCHES, ALL)]
    text: dict[Any, Any] = {DESCRIPTION: f"{record.product} {record.version}"}
    for part in parts:
        said = {COMPONENT_DESCRIPTION: part.words}
        if part.build:
            said[COMPONENT_VERSION] = record.version
        text[tuple(part.identifier)] = said
    return _encoded(
        {
            VERSION: 1,
            SEQUENCE: record.rollback,
            COMMON: _encoded({COMPONENTS: [part.identifier for part in parts], SHARED: _encoded(shared)}),
            VALIDATE: _encoded(validate),
            INVOKE: _encoded([SET_COMPONENT, primary, START, FAILURE]),
            INSTALL: _encoded(install),
            TEXT: _encoded({"en": text}),
        }
    )


def envelope_of(manifest: bytes, parts: Iterable[Component], signers: Sequence[Signer]) -> bytes:
    """The envelope: manifest, signatures by all ``signers`` and the components' bytes; raises what a signer raises."""
    cbor2 = library("cbor2", "writing a SUIT envelope")
    digest = _encoded([SHA_256, hashlib.sha256(_encoded(manifest)).digest()])
    blocks = [digest]
    for signer in sorted(signers, key=lambda each: each.public_key.fingerprint):
        header = _encoded({1: signer.algorithm.cose_id, 4: signer.public_key.fingerprint})
        signature = signer.sign(sig_structure("Signature1", (header,), digest))
        blocks.append(_encoded(cbor2.CBORTag(SIGN1, [header, {}, None, signature])))
    members: dict[int | str, bytes] = {AUTHENTICATION: _encoded(blocks), MANIFEST: manifest}
    for part in parts:
        members[f"#{part.name}"] = part.data
    return _encoded(cbor2.CBORTag(ENVELOPE, members))


def _encoded(value: Any) -> bytes:
    """Deterministic CBOR (RFC 8949 4.2.1)."""
    data: bytes = library("cbor2", "writing a SUIT envelope").dumps(value, canonical=True)
    return data


def _component(inspection: Inspection, name: str, span: Span, build: str | None, words: str) -> Component:
    located = locate(inspection.layout, span.start)
    memory = located.memory.name if located else "memory"
    return Component(name, memory, span, inspection.bytes_of(span), build, words)


def _by_area(inspection: Inspection, span: Span) -> list[tuple[str, Span]]:
    """``span`` cut at areas' bounds, each piece with its area's name; bytes in none by their address."""
    layout = inspection.layout
    areas = [(name, layout.span_of(name)) for name in layout.areas]
    found = [(name, span.intersection(area)) for name, area in areas if span.overlaps(area)]
    rest = without([span], [area for _, area in areas])
    return sorted(
        [*found, *((f"bytes-{piece.start:08x}", piece) for piece in rest)], key=lambda pair: pair[1]
    )


def _install_order(record: Record, parts: Sequence[Component]) -> list[int]:
    """Secondaries' builds, the primary's, the rest in their order."""
    builds = [index for index, part in enumerate(parts) if part.build]
    builds.sort(key=lambda index: _is_primary(record, parts[index]))
    return [*builds, *(index for index, part in enumerate(parts) if not part.build)]


def _is_primary(record: Record, part: Component) -> bool:
    return any(entry.name == part.build and entry.role == "primary" for entry in record.builds)


def _usable(record: Record | None) -> Record:
    """The record; raises UsageProblem where it is missing, or vendor or class id are."""
    problems = []
    if record is None:
        what, expected = "the image has no sound record", "a record: sequence number, vendor, class, builds"
        problems.append(
            Problem(what, where="SUIT manifest", expected=expected, next_step="add [record] to the layout")
        )
    elif record.vendor_id is None or record.class_id is None:
        lacking = [
            name
            for name, value in (("vendor", record.vendor_id), ("class", record.class_id))
            if value is None
        ]
        what, step = (
            "the record names no vendor or class",
            "give vendor and class in [record], and join again",
        )
        found = f"no {' and no '.join(lacking)}"
        problems.append(Problem(what, where="SUIT manifest", found=found, expected="both", next_step=step))
    elif not any(entry.role == "primary" for entry in record.builds):
        what = "the record names no build of the primary core: nothing could be invoked"
        problems.append(
            Problem(what, where="SUIT manifest", next_step="join with a build of the primary core")
        )
    if record is None or problems:
        raise UsageProblem(problems)
    return record

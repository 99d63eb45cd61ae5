"""What the second pair of eyes says, as rules of their own besides those of a check.

They are made for the files that were written, so they are not in the registry, and no layout can waive them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from gemel.checking.rule import Rule
from gemel.errors import ExtraMissing
from gemel.inspection.inspection import Inspection
from gemel.outcomes import Finding, Holds, Need, NotChecked, Outcome, Reason
from gemel.release.contents import LISTED
from gemel.release.extras import EXTRA
from gemel.release.read_back.readers import (
    LIBRARIES,
    READERS,
    BuildFile,
    ReadBackError,
    Runs,
    compare,
    first_difference,
    joined_runs,
)
from gemel.release.read_back.seals import record_of, verify
from gemel.spans import Span, format_address
from gemel.structs import NamedTuple, replace

AGAIN = "write the image again with another version of gemel, and report this: the fault is gemel's or the library's"


OTHER_FILE = ("build-ids-equal", "image-equals-builds")
"""Rules that say of a build that the file given is not the one in the image."""


class WrittenFile(NamedTuple):
    """A file as it was written, with its format's name.

    Of a raw binary also the address of its first byte, and whether it holds a memory whole.
    """

    data: bytes
    form: str
    start: int | None = None
    whole_memory: bool = False


def read_back_rules(
    files: Mapping[str, WrittenFile], builds: Mapping[str, BuildFile], remedy: str = AGAIN
) -> tuple[Rule, ...]:
    """The rules that hold written ``files`` (by name) and ``builds`` (by the layout's names) to the image."""
    return (
        Rule(
            "written-files-read-back",
            "error",
            "image",
            "Each written file, read by another library than gemel's own codec, holds the image byte by byte.",
            "A fault of the writer puts other bytes on the device than those that were checked.",
            remedy,
            "common practice",
            "no file was written",
            lambda inspection: _of_files(inspection, files),
        ),
        Rule(
            "builds-read-back",
            "error",
            "image",
            "The bytes of each build, read by another library, are in the image where they are to be loaded.",
            "A fault of the reader of builds puts other code on the device than the team delivered.",
            remedy,
            "gABI, program headers (PT_LOAD: p_paddr, p_filesz)",
            "no build was given",
            lambda inspection: _of_builds(inspection, builds),
        ),
        Rule(
            "seal-read-back",
            "error",
            "image",
            "The seal, decoded and verified by other libraries, holds over the record's bytes.",
            "A fault in the making of seals passes gemel's own check, and devices refuse the image.",
            remedy,
            "RFC 9052 4.1, 4.4",
            "the layout has no seal",
            _of_seal,
        ),
    )


def image_runs(inspection: Inspection) -> Runs:
    """The image's bytes by address."""
    return joined_runs(inspection.image.pieces())


def _of_files(inspection: Inspection, files: Mapping[str, WrittenFile]) -> Iterator[Outcome]:
    expected = image_runs(inspection)
    for name, file in files.items():
        read = _of_addressed if file.form in READERS else _of_raw
        try:
            found = read(name, file, inspection, expected)
            yield replace(found, follows_from=((LISTED, name),)) if isinstance(found, Finding) else found
        except ExtraMissing as error:
            yield _without_library(name, error)


def _of_addressed(name: str, file: WrittenFile, inspection: Inspection, expected: Runs) -> Outcome:
    library, read = READERS[file.form]
    try:
        found = read(file.data)
    except ReadBackError as error:
        return Finding(f"{library} cannot read {name}", (name,), where=name, found=str(error))
    if difference := first_difference(found.runs, expected):
        return _differs(name, library, difference.address, difference.found, difference.expected)
    if found.entry != inspection.entry:
        what = f"{library} finds another start address in {name}"
        return Finding(
            what, (name,), where=name, found=_address(found.entry), expected=_address(inspection.entry)
        )
    size = sum(len(data) for _, data in found.runs)
    return Holds(f"{name}: {size:,} bytes and the start address, read by {library}")


def _of_raw(name: str, file: WrittenFile, inspection: Inspection, expected: Runs) -> Outcome:
    """A raw binary: the image's bytes where it has some, and the erased byte everywhere else.

    That of one memory holds all of it, any other one the whole image.
    """
    library, place = "a comparison of bytes", Span(file.start or 0, len(file.data))
    memories = inspection.layout.memories.values()
    memory = next((each for each in memories if each.holds_image and each.span.holds(place.start)), None)
    if memory is None or (file.whole_memory and memory.span != place):
        found = f"{place.size:,} bytes from {format_address(place.start)} on"
        expected_words = "a whole memory" if file.whole_memory else "a start in a memory of the image"
        what = f"{name} is not what a raw binary is to hold"
        return Finding(what, (name,), where=name, found=found, expected=expected_words)
    wanted = bytearray((memory.erased_byte,)) * place.size
    for address, data in expected:
        inside = Span(address, len(data)).intersection(place)
        if inside.size < len(data) and not file.whole_memory:
            return _differs(name, library, address, "not all of this run", f"{len(data):,} bytes")
        if inside.size:
            piece = data[inside.start - address : inside.end - address]
            wanted[inside.start - place.start : inside.end - place.start] = piece
    if difference := first_difference(((place.start, file.data),), ((place.start, bytes(wanted)),)):
        return _differs(name, library, difference.address, difference.found, difference.expected)
    return Holds(
        f"{name}: {len(file.data):,} bytes from {format_address(place.start)} on, compared as they are"
    )


def _of_builds(inspection: Inspection, builds: Mapping[str, BuildFile]) -> Iterator[Outcome]:
    image = image_runs(inspection)
    later = list(inspection.patches.known.values())
    unknown = {each.build for each in inspection.patches.unknown}
    for name, build in builds.items():
        plan, library = inspection.layout.builds[name], LIBRARIES[build.kind]
        where = f"build {name} ({build.file})"
        if name in unknown:
            yield NotChecked(where, "the place of a stamp or checksum in it is not known")
            continue
        try:
            result = compare(inspection.layout, plan, build, image, later)
        except ExtraMissing as error:
            yield _without_library(where, error)
        except ReadBackError as error:
            yield Finding(f"{library} cannot read build {name}", (name,), where=where, found=str(error))
        else:
            if result.different is None:
                yield Holds(f"{where}: {result.size:,} bytes, read by {library}")
            else:
                found = _differs(where, library, result.different, result.found, result.expected, party=name)
                yield replace(found, follows_from=tuple((rule, name) for rule in OTHER_FILE))


def _of_seal(inspection: Inspection) -> Iterator[Outcome]:
    layout = inspection.layout
    if layout.seal is None or layout.record is None:
        return
    span = layout.span_of(layout.seal.area)
    where = f"area {layout.seal.area}, {span}"
    area = inspection.bytes_of(span)
    if area.count(layout.memory_of(layout.seal.area).erased_byte) == len(area):
        yield NotChecked(where, "the image is not sealed")
        return
    keys = [key.spki_der for key in (*inspection.trusted, *inspection.known)]
    try:
        record = record_of(inspection.bytes_of(layout.span_of(layout.record.area)))
        signers = verify(area, record, keys)
    except ExtraMissing as error:
        yield _without_library(where, error)
        return
    except ReadBackError as error:
        yield Finding(
            "another reader finds no sound seal", (layout.seal.area,), where=where, found=str(error)
        )
        return
    for number, signer in enumerate(signers, 1):
        at = f"signer {number}, key {signer.key.hex()[:16]}..."
        if signer.fault == "its key is not given":
            yield NotChecked(at, Reason("its public key is not given", Need("key")))
        elif signer.fault:
            what = "another library does not verify a signature of the seal"
            yield Finding(
                what, (layout.seal.area,), where=f"{where}, {at}", found=signer.fault, expected="it holds"
            )
        else:
            yield Holds(f"{at}: decoded by cbor2, verified by cryptography")


def _differs(
    where: str, library: str, address: int, found: str, expected: str, *, party: str = ""
) -> Finding:
    return Finding(
        f"{library} finds another byte than the image has",
        (party or where,),
        where=f"{where}, {format_address(address)}",
        found=found,
        expected=expected,
        span=Span(address, 1),
    )


def _without_library(where: str, error: ExtraMissing) -> NotChecked:
    return NotChecked(where, Reason(str(error.problems[0]), Need("extra", EXTRA)))


def _address(entry: int | None) -> str:
    return "none" if entry is None else format_address(entry)

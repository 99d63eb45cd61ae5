"""Records and seals as lines: what each says, and whether the image agrees."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.show.facts.contents import (
    BrokenRecord,
    Contents,
    Match,
    RecordBuild,
    RecordFacts,
    SealFacts,
    SealSignerFacts,
)
from gemel.spans import format_address
from gemel.text.numbers import counted
from gemel.text.styled import Line, Style, Styled, wrapped

LABEL_WIDTH = 14
DIGEST_DIGITS = 16
"""Digits of a SHA-256 that are printed; JSON has all."""


def record_lines(contents: Contents, width: int) -> list[list[Line]]:
    """One section a record, sound ones first."""
    sections = [list(_record(contents, record, width)) for record in contents.records]
    sections += [list(_broken(broken, width)) for broken in contents.broken_records]
    if not sections and contents.layout is None:
        sections.append([(Styled("record", "title"), Styled(": none found"))])
    return sections


def match_words(match: Match, of: str) -> Styled:
    """``matches the image`` or ``DIFFERS from the image``; the words alone say it."""
    if match == "matches":
        return Styled(f"matches {of}", "good")
    if match == "differs":
        return Styled(f"DIFFERS from {of}", "bad")
    return Styled(f"not compared with {of}", "dim")


def _field(label: str, *pieces: Styled, width: int, indent: int = 2) -> list[Line]:
    start = Styled(f"{'':{indent}}{label:<{LABEL_WIDTH - indent}}")
    return wrapped([start, *pieces], width, LABEL_WIDTH)


def _record(contents: Contents, record: RecordFacts, width: int) -> Iterator[Line]:
    title = [Styled("record", "title"), Styled(f" {record.span}, {counted(record.span.size, 'byte')}, sound")]
    if len(contents.records) > 1:  # of one alone the image's first line has it
        title += [Styled("; "), standing_of(contents, record)]
    yield from wrapped(title, width, 2)
    if record.in_its_area is False:
        yield (Styled("  NOT WHERE THE LAYOUT SAYS", "bad"),)
    yield from _field("product", Styled(record.product), width=width)
    yield from _field("version", Styled(f"{record.version}, rollback counter {record.rollback}"), width=width)
    yield from _field("vendor id", Styled(record.vendor_id or "none"), width=width)
    yield from _field("class id", Styled(record.class_id or "none"), width=width)
    layout = match_words(record.layout, "the layout given")
    if contents.layout is None:
        layout = Styled("no layout was given", "dim")
    yield from _field("layout", layout, Styled(f", digest {_digits(record.layout_sha256)}"), width=width)
    rest = match_words(record.rest, "the image")
    if record.rest == "not known":
        rest = Styled("needs the layout to compare", "dim")
    yield from _field("other flash", rest, Styled(f", SHA-256 {_digits(record.rest_sha256)}"), width=width)
    for build in record.builds:
        yield from _build(build, width)


def _digits(digest: bytes) -> str:
    return digest.hex()[:DIGEST_DIGITS]


def _build(build: RecordBuild, width: int) -> Iterator[Line]:
    yield (Styled("  build "), Styled(build.name, "name"), Styled(f" for core {build.core}, {build.role}"))
    stored = Styled(f"{build.stored}, {counted(build.stored.size, 'byte')}")
    yield from _field("stored", stored, width=width, indent=4)
    place = "in place" if build.run_start == build.stored.start else f"at {format_address(build.run_start)}"
    vectors = "no vectors" if build.vectors is None else f"vectors at {format_address(build.vectors)}"
    yield from _field("runs", Styled(f"{place}, {vectors}"), width=width, indent=4)
    build_id = Styled(build.build_id.hex() if build.build_id else "none")
    if build.build_id_of_file == "not known":
        yield from _field("build id", build_id, width=width, indent=4)
    else:
        of_file = match_words(build.build_id_of_file, "the ELF")
        yield from _field("build id", of_file, Styled(", "), build_id, width=width, indent=4)
    crc = Styled(f", 0x{build.crc32:08X}")
    yield from _field("CRC-32", match_words(build.crc32_of_image, "the image"), crc, width=width, indent=4)
    digest = Styled(f", {_digits(build.sha256)}")
    of_image = match_words(build.sha256_of_image, "the image")
    yield from _field("SHA-256", of_image, digest, width=width, indent=4)


def _broken(broken: BrokenRecord, width: int) -> Iterator[Line]:
    where = ", where the layout has it" if broken.expected else ""
    verdict = "MISSING" if broken.missing else "NOT SOUND"
    yield (Styled("record", "title"), Styled(f" {verdict} at {format_address(broken.start)}{where}", "bad"))
    for problem in broken.problems[:8]:
        yield from wrapped([Styled(f"  {problem}")], width, 4)
    if len(broken.problems) > 8:
        yield (Styled(f"  and {counted(len(broken.problems) - 8, 'more fault')}"),)


_STYLES: dict[str, Style] = {"holds": "good", "does not hold": "bad", "key unknown": "bad"}


def standing_of(contents: Contents, record: RecordFacts) -> Styled:
    """What anybody verified of a record: whose signature holds over it, and whether the image is as it says."""
    signers = contents.signers_of(record)
    if record.differs:
        return Styled("the image DIFFERS from its record", "bad")
    if signers:
        words = ", ".join(f"{signer.algorithm} key {signer.key_id.hex()[:16]}" for signer in signers)
        return Styled(f"signed by {words}", "good")
    return Styled("not verified", "dim")


def seal_lines(contents: Contents, width: int) -> list[list[Line]]:
    """One section a seal."""
    return [list(_seal(seal, width)) for seal in contents.seals]


def _seal(seal: SealFacts, width: int) -> Iterator[Line]:
    if seal.missing:
        yield (Styled("seal", "title"), Styled(f": none in its area, {seal.span}; not sealed"))
        return
    if seal.problem:
        words = f" NOT WELL FORMED at {format_address(seal.span.start)}: {seal.problem}"
        yield from wrapped([Styled("seal", "title"), Styled(words, "bad")], width, 2)
        return
    count = counted(len(seal.signers), "signer")
    yield (Styled("seal", "title"), Styled(f" {seal.span}, {counted(seal.span.size, 'byte')}, {count}"))
    if seal.in_its_area is False:
        yield (Styled("  NOT WHERE THE LAYOUT SAYS", "bad"),)
    for signer in seal.signers:
        yield from _signer(signer, seal, width)


def _signer(signer: SealSignerFacts, seal: SealFacts, width: int) -> Iterator[Line]:
    verdict = signer.verdict
    words = {
        "holds": f"holds for key {signer.key_id.hex()[:16]}",
        "does not hold": "DOES NOT HOLD over any record here",
        "key unknown": "KEY UNKNOWN: none of the given keys, not verified",
        "not verified": "no public key given: not verified",
    }[verdict]
    if verdict == "holds" and seal.record is not None:
        words += f", over the record at {format_address(seal.record)}"
    yield from wrapped(
        [Styled(f"  {signer.algorithm:<14}"), Styled(words, _STYLES.get(verdict, "dim"))], width, 16
    )
    yield (Styled(f"    key id {signer.key_id.hex()}"),)

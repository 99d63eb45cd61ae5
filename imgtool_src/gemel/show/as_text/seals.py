"""The seals as lines, and the word under which everything that a record says stands."""

from __future__ import annotations

from collections.abc import Iterator

from gemel.show.facts.contents import Contents, RecordFacts, SealFacts, SealSignerFacts
from gemel.spans import format_address
from gemel.text.numbers import counted
from gemel.text.styled import Line, Style, Styled, wrapped

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

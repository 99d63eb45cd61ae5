"""Seals found in an image without a layout: by the bytes that every seal begins with."""

from __future__ import annotations

from gemel.image.sparse import SparseBytes, places_in
from gemel.seals.cbor import ARRAY, NIL, TAG, CborError, encoded, encoded_map, head
from gemel.seals.cose import COSE_SIGN, decode
from gemel.seals.format import BODY_HEADER, Seal, SealError
from gemel.seals.reading import read_seal
from gemel.spans import ADDRESS_SPACE, Span, format_address
from gemel.structs import Struct

HEAD = head(TAG, COSE_SIGN) + head(ARRAY, 4) + encoded(BODY_HEADER) + encoded_map({}) + NIL
"""Every seal's bytes before the number of its signers."""

LARGEST_SEAL = 48 << 10
"""Bytes; eight of the largest signatures, with their headers, take less."""

MAX_PLACES = 16
"""Places that are looked at; an image has one seal, or one for each of its slots."""


class FoundSeal(Struct):
    """Bytes that begin as a seal does; ``seal`` is None where they are none, and ``problem`` says why."""

    span: Span
    seal: Seal | None
    problem: str = ""


def find_seals(image: SparseBytes) -> list[FoundSeal]:
    """The first MAX_PLACES places in ``image`` that begin as a seal does, by address."""
    found: list[FoundSeal] = []
    for start in places_in(image.pieces(), HEAD):
        found.append(_seal_at(image, start))
        if len(found) == MAX_PLACES:
            break
    return found


def _seal_at(image: SparseBytes, start: int) -> FoundSeal:
    window = Span(start, min(LARGEST_SEAL, ADDRESS_SPACE - start))
    data = image.read(window, 0xFF)
    try:
        _, size = decode(data)
        return FoundSeal(Span(start, size), read_seal(data[:size], 0xFF, format_address(start)))
    except CborError as error:
        return FoundSeal(Span(start, len(HEAD)), None, f"not one deterministic COSE_Sign: {error}")
    except SealError as error:
        return FoundSeal(Span(start, len(HEAD)), None, error.problems[0].what)

"""Images made from others, for tests: bytes changed, added or taken away."""

from __future__ import annotations

from collections.abc import Mapping

from gemel.image.sparse import SparseBytes
from gemel.spans import Span


def changed(image: SparseBytes, writes: Mapping[int, bytes], without: tuple[Span, ...] = ()) -> SparseBytes:
    """A copy of ``image`` less ``without``, with ``writes`` (bytes by address) over it."""
    result = image.copy()
    for span in without:
        result.erase(span)
    for address, data in writes.items():
        result.write(address, data)
    return result


def filled(image: SparseBytes, span: Span, byte: int = 0xFF) -> SparseBytes:
    """A copy of ``image`` that holds all of ``span``, with ``byte`` where nothing was, as a BIN does."""
    result = SparseBytes()
    result.write(span.start, image.read(span, byte))
    for run in image.spans():
        result.write(run.start, image.read(run, None))
    return result


def holding(writes: Mapping[int, bytes]) -> SparseBytes:
    """An image of these bytes by address and no others."""
    return changed(SparseBytes(), writes)

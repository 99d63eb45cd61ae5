"""Hypothesis strategies shared between test files."""

from __future__ import annotations

from hypothesis import strategies as st

from gemel.image.sparse import SparseBytes
from gemel.spans import ADDRESS_SPACE

SEAMS = (0, 1 << 16, 1 << 20, 1 << 24, 1 << 31, ADDRESS_SPACE)
"""Addresses around which formats change their mind: 64 KiB segments, address widths, the end."""


def addresses(limit: int = ADDRESS_SPACE) -> st.SearchStrategy[int]:
    """Addresses below ``limit``, half of them within 300 bytes of a seam."""
    near = [
        st.integers(max(0, seam - 300), min(limit - 1, seam + 300)) for seam in SEAMS if seam - 300 < limit
    ]
    return st.one_of(*near, st.integers(0, limit - 1))


@st.composite
def images(
    draw: st.DrawFn, limit: int = ADDRESS_SPACE, max_runs: int = 6, max_run: int = 700, min_runs: int = 0
) -> SparseBytes:
    """Images of a few runs of bytes, all below ``limit``; later runs overwrite earlier ones."""
    image = SparseBytes()
    for _ in range(draw(st.integers(min_runs, max_runs))):
        address = draw(addresses(limit))
        image.write(address, draw(st.binary(min_size=1, max_size=min(max_run, limit - address))))
    return image

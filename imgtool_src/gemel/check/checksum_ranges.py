"""What a checksum covers in the image under check, as far as it is known."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gemel.integrity.places import covered_spans
from gemel.layout.model import BuildRange, Checksum
from gemel.spans import Span

if TYPE_CHECKING:
    from gemel.check.subject import Subject


def known_coverage(subject: Subject, checksum: Checksum) -> list[Span] | str:
    """The spans that ``checksum`` covers, in their order, or why they are not known.

    The end of a build is told by its file or by the record, not by which bytes of its area are erased.
    """
    for item in (*checksum.over, *checksum.exceptions):
        if isinstance(item, BuildRange):
            found = subject.placed_with_origin.get(item.build)
            if found is None or found[1] == "layout":
                return (
                    f"where build {item.build} ends: needs {item.build}=FILE, or an image with a sound record"
                )
    covered = covered_spans(subject.layout, checksum, subject.placed)
    return covered or "its exceptions leave out all that it covers"

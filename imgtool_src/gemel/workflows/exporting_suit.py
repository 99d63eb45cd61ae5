"""An image as a SUIT envelope, checked before it is signed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gemel.errors import UsageProblem
from gemel.layout.reader import ReadLayout
from gemel.release.suit import components_of, envelope_of, manifest_of
from gemel.workflows.checking import CheckResult, check
from gemel.workflows.sealing import SignerSource

if TYPE_CHECKING:
    from gemel.image.image import Image


def suit_envelope(layout: ReadLayout, image: Image, keys: SignerSource) -> tuple[CheckResult, bytes]:
    """The check of ``image``, and its envelope signed with ``keys``; none where a rule is broken.

    Raises UsageProblem without keys, and where record, vendor or class are missing.
    """
    if not keys:
        what, expected = "a SUIT envelope is signed", "--key KEY"
        raise UsageProblem(what, where="export suit", found="no --key", expected=expected)
    result = check(layout, image, rehearsal=False)
    if not result.passes:
        return result, b""
    parts = components_of(result.inspection)
    manifest = manifest_of(result.inspection, parts)
    return result, envelope_of(manifest, parts, keys.open())

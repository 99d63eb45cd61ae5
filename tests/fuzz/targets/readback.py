"""Dumps of a device, compared with the versions that are known."""

from __future__ import annotations

from dumps import EDITS, NEW, OLD, dumped, version
from small_device import FLASH, layout

from gemel.errors import GemelError
from gemel.image.image import Image
from gemel.image.sparse import SparseBytes
from gemel.readback.versions import image_in
from gemel.workflows.reading_back import Dump, check_dump, known_version

REFUSALS = (GemelError,)
_LAYOUT = layout(EDITS)
_VERSIONS = [version(number) for number in (OLD, NEW)]
_KNOWN = [each for each in (known_version(Image(image), _LAYOUT) for image in _VERSIONS) if each]
SEEDS = [dumped(image) for image in _VERSIONS]


def decode(data: bytes) -> None:
    """Each dump is checked to the end."""
    whole = SparseBytes()
    whole.write(FLASH, data)
    image, aside = image_in(_LAYOUT.layout, whole)
    dump = Dump(Image(image, leaves_bytes_out=False), aside, ())
    check_dump(_LAYOUT, dump, known=_KNOWN, rehearsal=False, disassemble=False).to_json()

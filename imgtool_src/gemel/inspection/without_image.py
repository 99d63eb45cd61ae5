"""An inspection without its image: what is said of it without asking for the image is the same for every image."""

from __future__ import annotations

from typing import NoReturn

from gemel.inspection.inspection import Inspection
from gemel.structs import fields

OF_THE_IMAGE = ("image", "remarks", "file", "entry", "leaves_bytes_out", "image_file")
"""The fields of an inspection that differ between images that are checked alike."""


class ImageNeeded(BaseException):
    """What an inspection has no image for was requested; no rule catches this by accident."""


class WithoutImage(Inspection):
    """Layout, builds, keys and options; reading a field of ``OF_THE_IMAGE`` raises ImageNeeded."""

    @classmethod
    def of(cls, inspection: Inspection) -> WithoutImage:
        """``inspection`` but for its image."""
        return cls(*(getattr(inspection, name) for name in fields(inspection)))


def _withheld(_: WithoutImage) -> NoReturn:
    raise ImageNeeded


for _name in OF_THE_IMAGE:
    setattr(WithoutImage, _name, property(_withheld))

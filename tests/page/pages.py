"""Pages to test: of the small device sound and broken, of the tide gauge, with hostile names, and one very large."""

from __future__ import annotations

import random
from collections.abc import Sequence
from functools import cache

import small_device
from elf_writer import SegmentSpec, SymbolSpec, elf
from rehearsals import gauge
from shown_images import BIG_LAYOUT, KIB, SIXTY_FOUR_MIB, spoiled

from gemel.builds.build import Build
from gemel.builds.reader import read_build
from gemel.builds.source import BytesSource
from gemel.checking.runner import check
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.layout.reader import read_layout
from gemel.page.render import page_of_check, page_of_image
from gemel.show.facts.gather import contents_of, contents_of_file
from gemel.spans import Span

HOSTILE = (
    "</script><script>hacked=1</script>",
    '"><img src=x onerror=hacked=1>',
    "'-hacked-'",
    "<!--<script>",
    "]]><svg onload=hacked=1>",
    "{{ 7 * 7 }}{% raw %}",
    "\u202egnp.exe",
    "line\nend\x1b[31m\x00",
    "&lt;b&gt;",
    "__proto__",
    "x" * 9000,
)
"""Names that end a script, an attribute or a comment, that are a template, turn the direction of text, or are long."""


def inspection(
    *,
    symbols: Sequence[SymbolSpec] = (),
    broken: bool = False,
    with_builds: bool = True,
    file: str = "small.hex",
) -> Inspection:
    """The small device's image under check, with ``symbols`` more in the station's build."""
    read = small_device.layout()
    builds = small_device.builds(station=small_device.station_elf(symbols=tuple(symbols)))
    image = small_device.joined(read, builds).image
    if broken:
        spoiled(image)
    return Inspection(read, image, builds if with_builds else {}, file=file)


def checked(subject: Inspection) -> str:
    """The page of a check."""
    return page_of_check(check(subject, small_device.TODAY), subject)


def shown(subject: Inspection) -> str:
    """The page of what is in an image, with its layout."""
    return page_of_image(contents_of(subject, subject.file), subject.image, subject)


def alone(image: SparseBytes, file: str = "alone.hex") -> str:
    """The page of a file alone."""
    return page_of_image(contents_of_file(image, file), image)


def hostile() -> str:
    """The page of a check where symbols, file and findings have hostile names."""
    place = small_device.STATION + 0x90
    symbols = [SymbolSpec(name, place + 4 * at, 4, "object") for at, name in enumerate(HOSTILE)]
    return checked(inspection(symbols=symbols, broken=True, file=HOSTILE[0]))


@cache
def rehearsed() -> str:
    """The page of the tide gauge, checked and rehearsed."""
    case = gauge("in-place")
    subject = Inspection(case.read, case.image, case.builds, rehearsal=case.rehearse(), file="tide.hex")
    return checked(subject)


def large(symbol_count: int = 100_000) -> str:
    """The page of an image of 64 MiB, of which half is held, and of a build with very many symbols."""
    start = 0x6000_0000
    text = BIG_LAYOUT.format(start=start, size=64 << 20)
    image = SparseBytes()
    noise = random.Random("large").randbytes(64 * KIB)
    for name, offset, size, purpose, used in SIXTY_FOUR_MIB:
        text += f'[area.{name}]\nmemory = "flash"\noffset = {offset}\nsize = {size}\npurpose = "{purpose}"\n'
        image.write(start + offset, (noise * (used // len(noise) + 1))[:used])
    code = image.read(Span(start, 3_000_000), None)
    numbers = random.Random("names")
    symbols = [
        SymbolSpec(f"{numbers.choice(PARTS)}_{numbers.choice(PARTS)}_{at:05x}", start + 1 + 30 * at, 28)
        for at in range(symbol_count)
    ]
    return shown(
        Inspection(read_layout(text.encode(), "big.toml"), image, {"station": _build(code, start, symbols)})
    )


PARTS = (
    "pressure",
    "temperature",
    "level",
    "harbour",
    "filter",
    "frame",
    "serial",
    "queue",
    "store",
    "report",
)


def _build(code: bytes, start: int, symbols: Sequence[SymbolSpec]) -> Build:
    data = elf([SegmentSpec(start, code)], symbols=symbols, build_id=bytes(20), entry=start + 1)
    return read_build(BytesSource(data, "station.elf"), name="station", file="station.elf")

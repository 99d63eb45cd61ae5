"""Re-makes ``screenshots/*.png``: the top of pages on a telephone and a large screen, light and dark, made small.

    python tests/page/make_screenshots.py

Look at each picture that changes.  ``test_screenshots.py`` compares them with what the browser draws now.
"""

from __future__ import annotations

import base64
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

HERE = Path(__file__).parent
if str(HERE.parent) not in sys.path:  # run as a script; pytest has put the tests' folder there
    sys.path[:0] = [str(HERE.parent), str(HERE.parent / "support")]

from browser import Browser
from page.conftest import PAGES
from page.test_compare_page import PAGES as COMPARED

STORED = HERE / "screenshots"


class Shot(NamedTuple):
    """One picture: a page at a width in CSS pixels, its first ``height`` of them, made smaller."""

    page: str
    width: int
    scheme: str
    height: int
    scale: float

    @property
    def file(self) -> Path:
        """Where it is stored."""
        return STORED / f"{self.page}-{self.width}-{self.scheme}.png"


SHOTS = [
    Shot(page, width, scheme, height, scale)
    for page in ("broken", "rehearsed", "compared")
    for width, height, scale in ((380, 2400, 0.25), (1600, 2800, 0.16))
    for scheme in ("light", "dark")
]


def taken(browser: Browser, shot: Shot, folder: Path) -> bytes:
    """The picture as the browser draws it now, as PNG."""
    file = folder / f"{shot.page}.html"
    if not file.exists():
        file.write_text({**PAGES, **COMPARED}[shot.page](), encoding="utf-8")
    browser.open(file, width=shot.width, scheme=shot.scheme)
    clip = {"x": 0, "y": 0, "width": shot.width, "height": shot.height, "scale": shot.scale}
    asked = {"format": "png", "clip": clip, "captureBeyondViewport": True}
    return base64.b64decode(browser.driver.execute_cdp_cmd("Page.captureScreenshot", asked)["data"])


def all_taken(browser: Browser, folder: Path) -> Iterator[tuple[Shot, bytes]]:
    """Every picture."""
    for shot in SHOTS:
        yield shot, taken(browser, shot, folder)


if __name__ == "__main__":
    import tempfile

    made = Browser()
    STORED.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as name:
        for shot, data in all_taken(made, Path(name)):
            shot.file.write_bytes(data)
    made.close()

"""Pages look as they did when somebody looked at them; fonts may differ a little."""

from __future__ import annotations

import base64
from pathlib import Path

from browser import Browser
from page.make_screenshots import SHOTS, STORED, all_taken

MAX_DIFFERING = 0.03
"""Share of the pixels, of pictures made so small that text is grey, that may clearly differ."""

DIFFERENCE = """
const done = arguments[2];
const pixels = async (data) => {
  const image = new Image();
  image.src = "data:image/png;base64," + data;
  await image.decode();
  const canvas = new OffscreenCanvas(image.width, image.height), context = canvas.getContext("2d");
  context.drawImage(image, 0, 0);
  return [image.width, image.height, context.getImageData(0, 0, image.width, image.height).data];
};
(async () => {
  const [one, other] = [await pixels(arguments[0]), await pixels(arguments[1])];
  if (one[0] !== other[0] || one[1] !== other[1]) return 1;
  let differing = 0;
  for (let at = 0; at < one[2].length; at += 4)
    if ([0, 1, 2].some((channel) => Math.abs(one[2][at + channel] - other[2][at + channel]) > 64)) differing++;
  return differing / (one[2].length / 4);
})().then(done);
"""


def difference(browser: Browser, one: bytes, other: bytes) -> float:
    """The share of pixels in which two pictures clearly differ; 1 for another size."""
    texts = [base64.b64encode(each).decode() for each in (one, other)]
    browser.driver.get("about:blank")
    return float(browser.driver.execute_async_script(DIFFERENCE, *texts))


def test_pages_look_as_stored(browser: Browser, tmp_path: Path) -> None:
    """Each page at 380 and 1,600 pixels, light and dark; the comparison sees another page, and light from dark."""
    drawn = dict(all_taken(browser, tmp_path))
    found = {shot: difference(browser, data, shot.file.read_bytes()) for shot, data in drawn.items()}
    assert {shot.file.name: share for shot, share in found.items() if share > MAX_DIFFERING} == {}
    pictures = [drawn[shot] for shot in SHOTS if shot.width == 1600]
    assert difference(browser, pictures[0], pictures[1]) > 0.5
    assert difference(browser, pictures[0], pictures[2]) > MAX_DIFFERING
    assert {each.name for each in STORED.iterdir()} == {shot.file.name for shot in SHOTS}

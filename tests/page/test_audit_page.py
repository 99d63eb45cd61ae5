"""The page of an audit in a browser: it fits, asks for nothing, and keeps the rules of accessibility."""

from __future__ import annotations

from pathlib import Path

import pytest
from audited import page, result
from browser import Browser

from gemel.audit.result import ImageResult


@pytest.mark.parametrize(("width", "scheme"), [(380, "light"), (1600, "dark")])
def test_it_fits_and_is_accessible(browser: Browser, tmp_path: Path, width: int, scheme: str) -> None:
    """WCAG 2.1 A and AA as axe-core tests them."""
    sound = ImageResult(
        path="archive/b.hex", status="passes", product="tide-gauge", version="1.4.1", rollback=3
    )
    file = tmp_path / "audit.html"
    file.write_text(page([result("archive/a<b>.hex"), sound]), encoding="utf-8")
    browser.open(file, width=width, scheme=scheme)
    assert browser.violations() == []
    assert browser.run("return document.documentElement.scrollWidth") <= width
    assert browser.run("return performance.getEntriesByType('resource').length") == 0

"""One browser for all tests of pages in a process, and the pages as files."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

import pytest
from browser import Browser
from page import pages


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    """Headless Chromium."""
    made = Browser()
    yield made
    made.close()


@pytest.fixture
def browser(chromium: Browser) -> Iterator[Browser]:
    """The browser, on whose console no test leaves a complaint: no fault of a script, nothing that a page's policy
    stopped.
    """
    chromium.complaints()
    yield chromium
    assert chromium.complaints() == []


@pytest.fixture(scope="session")
def page(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    """The file of a page, by the name of what makes it."""
    folder = tmp_path_factory.mktemp("pages")

    @cache
    def file(name: str) -> Path:
        made = folder / f"{name}.html"
        made.write_text(PAGES[name](), encoding="utf-8")
        return made

    return file


PAGES: dict[str, Callable[[], str]] = {
    "sound": lambda: pages.checked(pages.inspection()),
    "broken": lambda: pages.checked(pages.inspection(broken=True)),
    "shown": lambda: pages.shown(pages.inspection()),
    "without-builds": lambda: pages.checked(pages.inspection(with_builds=False)),
    "alone": lambda: pages.alone(pages.inspection().image),
    "hostile": pages.hostile,
    "rehearsed": pages.rehearsed,
    "large": pages.large,
}

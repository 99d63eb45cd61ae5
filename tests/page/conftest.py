"""One browser for each test module of pages, and the pages as files."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

import pytest
from browser import Browser
from page import pages


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Headless Chromium."""
    made = Browser()
    yield made
    made.close()


@pytest.fixture(scope="module")
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

"""A headless browser that opens pages from files, and an accessibility checker to run in it."""

from __future__ import annotations

import base64
import time
from importlib.resources import files
from pathlib import Path
from typing import Any

from selenium.webdriver import Chrome, ChromeOptions
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.remote.webelement import WebElement
from tools import required_tool

RULES = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "best-practice")
"""What is asked of a page: Web Content Accessibility Guidelines 2.1, levels A and AA, as axe-core tests them."""

A4 = 718
"""CSS pixels between margins of 10 mm on paper of 210 mm, at 96 to the inch."""


class Browser:
    """Debian's Chromium without a window."""

    def __init__(self) -> None:
        options = ChromeOptions()
        options.binary_location = required_tool("chromium")
        for each in ("--headless=new", "--no-sandbox", "--disable-gpu", "--window-size=1600,1000"):
            options.add_argument(each)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
        self.driver = Chrome(options=options, service=Service(required_tool("chromedriver")))
        self._axe = files("axe_core_python").joinpath("axe.min.js").read_text(encoding="utf-8")

    def open(self, page: Path, *, width: int = 1600, scheme: str = "light", media: str = "screen") -> None:
        """Open a page at a width in CSS pixels."""
        size = {"width": width, "height": 1000, "deviceScaleFactor": 1, "mobile": False}
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
        features = [{"name": "prefers-color-scheme", "value": scheme}]
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": media, "features": features})
        self.driver.get(page.as_uri())

    def one(self, selector: str) -> WebElement:
        """The first element that a CSS selector finds."""
        return self.driver.find_element(By.CSS_SELECTOR, selector)

    def all(self, selector: str) -> list[WebElement]:
        """Every element that a CSS selector finds."""
        return self.driver.find_elements(By.CSS_SELECTOR, selector)

    def run(self, script: str, *arguments: Any) -> Any:
        """What a script returns."""
        return self.driver.execute_script(script, *arguments)

    def press(self, *keys: str) -> None:
        """Type to whatever has the focus."""
        for key in keys:
            self.driver.switch_to.active_element.send_keys(key)

    def until(self, script: str, *arguments: Any) -> Any:
        """What ``script`` returns once that is true; fails after 20 seconds."""
        end = time.monotonic() + 20
        while not (found := self.run(script, *arguments)):
            assert time.monotonic() < end, f"never true: {script}"
            time.sleep(0.02)
        return found

    def search(self, text: str) -> str:
        """Type into the search field; the words of what it offers."""
        field = self.one("#search")
        field.clear()
        self.run("document.getElementById('results').replaceChildren()")
        field.send_keys(text)
        return str(self.until("return document.getElementById('results').innerText"))

    def details(self) -> str:
        """The words of the details, once there are bytes in them."""
        return str(
            self.until(
                "return document.querySelector('#details .dump') && document.activeElement.id === "
                "'details-title' && document.getElementById('details').innerText"
            )
        )

    def complaints(self) -> list[str]:
        """What the console says, faults and broken policy among it, since it was last asked."""
        return [entry["message"] for entry in self.driver.get_log("browser")]

    def violations(self) -> list[str]:
        """What the accessibility checker finds: rule, and the first elements that break it."""
        self.run(self._axe)
        found = self.driver.execute_async_script(
            "const done = arguments[1]; axe.run({runOnly: arguments[0]}).then((all) => done(all.violations))",
            list(RULES),
        )
        return [
            f"{each['id']}: {node['html'][:100]} {node.get('failureSummary', '')[:200]}"
            for each in found
            for node in each["nodes"][:3]
        ]

    def printed(self) -> bytes:
        """The page as PDF."""
        return base64.b64decode(
            self.driver.execute_cdp_cmd("Page.printToPDF", {"printBackground": True})["data"]
        )

    def close(self) -> None:
        """End the browser."""
        self.driver.quit()


ENTER, TAB, SLASH = Keys.ENTER, Keys.TAB, "/"

"""The page that sums an audit up: its verdict, the broken rules, the versions, and the images that do not pass.

However many images there are it holds a bounded number: the other forms have all.
"""

from __future__ import annotations

from gemel.audit.as_text import Totals
from gemel.audit.result import ImageResult, ImageStatus
from gemel.page.templates import rendered

MAX_TROUBLES = 2000
"""Images that do not pass that are listed."""

MAX_PASSING = 500
"""Images that pass that are listed."""

MAX_VERSIONS = 1000


class AuditPage:
    """Keeps what the page shows, and makes it at the end."""

    def __init__(self) -> None:
        self._troubles: list[ImageResult] = []
        self._passing: list[ImageResult] = []
        self._versions: dict[tuple[str, str], dict[ImageStatus, int]] = {}

    def start(self) -> str:
        """Nothing: the verdict stands first."""
        return ""

    def line(self, result: ImageResult) -> str:
        """Nothing; the result is kept if it is shown."""
        shown, most = (
            (self._passing, MAX_PASSING) if result.status == "passes" else (self._troubles, MAX_TROUBLES)
        )
        if len(shown) < most:
            shown.append(result)
        key = (result.product or "no sound record", result.version or "")
        if key in self._versions or len(self._versions) < MAX_VERSIONS:
            counts = self._versions.setdefault(key, {"passes": 0, "broken": 0, "not judged": 0})
            counts[result.status] += 1
        return ""

    def end(self, totals: Totals) -> str:
        """The page."""
        return rendered(
            "audit.html",
            totals=totals,
            lines=list(totals.lines()),
            rules=sorted(totals.rules.items(), key=lambda pair: (-pair[1], pair[0])),
            versions=sorted(self._versions.items()),
            most_versions=MAX_VERSIONS,
            lists=[
                ("troubles", "Images that do not pass", self._troubles),
                ("passing", "Images that pass", self._passing),
            ],
            listed={
                "troubles": totals.images - totals.statuses["passes"],
                "passing": totals.statuses["passes"],
            },
        )

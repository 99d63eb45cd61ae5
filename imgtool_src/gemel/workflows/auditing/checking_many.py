"""Checking many images by one layout: what is the same for one and the next is not worked out again."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gemel.checking.rule import Rule
from gemel.checking.runner import Applied, apply_rule, check
from gemel.image.image import Image
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.inspection.watched import Watched
from gemel.layout.reader import ReadLayout
from gemel.workflows.checking import CheckResult, with_image
from gemel.workflows.trust import Trust

if TYPE_CHECKING:
    import datetime

MOST_BYTES, MOST_RUNS = 4 << 20, 1 << 10
"""Of an image from which anything is kept for the next one: what is compared takes several times its memory."""


class Checker:
    """Checks images without builds, each with the result of ``workflows.checking.check`` for the same options.

    Only the cause of a wrong checksum is not searched for: its finding has no lines and no next step.
    """

    def __init__(
        self,
        read: ReadLayout,
        trust: Trust,
        *,
        min_rollback: int | None,
        disassemble: bool,
        today: datetime.date,
    ) -> None:
        """Take what all the images are checked by."""
        self._fixed = Inspection(
            read,
            SparseBytes(),
            trusted=trust.trusted,
            known=trust.known,
            receiver=trust.receiver,
            at_least=min_rollback,
            disassemble=disassemble,
            judged_on=today,
            explains=False,
        )
        self._watched = Watched.of(self._fixed)
        self.read, self._today = read, today

    def check(self, image: Image) -> CheckResult:
        """What came of one image."""
        inspection = with_image(self._fixed, image)
        if image.data.size > MOST_BYTES or len(image.data.spans()) > MOST_RUNS:
            applied = check(inspection, self._today)
        else:
            applied = check(self._watched.over(inspection), self._today, apply=_kept)
            self._watched.settle()
        return CheckResult(applied.results, applied.idle_waivers, applied.strict, inspection)


def _kept(rule: Rule, inspection: Inspection, today: datetime.date) -> Applied:
    applied: Applied = inspection.kept(rule.name, lambda each: apply_rule(rule, each, today))
    return applied

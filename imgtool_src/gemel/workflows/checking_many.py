"""Checking many images by one layout: what is the same for each of them is worked out once."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gemel.checking.runner import check, same_for_all
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.inspection.without_image import WithoutImage
from gemel.workflows.checking import CheckResult, with_image

if TYPE_CHECKING:
    import datetime

    from gemel.image.image import Image
    from gemel.layout.reader import ReadLayout
    from gemel.workflows.trust import Trust


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
        """Apply the rules that do not depend on the image."""
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
        without = WithoutImage.of(self._fixed)
        self.read, self._today = read, today
        self._known = same_for_all(without, today)
        self._worked_out = vars(without)

    def check(self, image: Image) -> CheckResult:
        """What came of one image."""
        inspection = with_image(self._fixed, image)
        vars(inspection).update(self._worked_out)
        applied = check(inspection, self._today, known=self._known)
        return CheckResult(applied.results, applied.idle_waivers, applied.strict, inspection)

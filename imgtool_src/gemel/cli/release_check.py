"""``gemel check --release``: a release folder in place of layout and image."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import datetime

    from gemel.inspection.inspection import Strict
    from gemel.workflows.checking import CheckResult


def result_of_folder(
    folder: Path,
    words: Iterable[str],
    reports: Sequence[Path],
    trust: Sequence[Path],
    policy: Path | None,
    others: dict[str, object],
    *,
    at_least: int | None,
    disassemble: bool,
    strict: Strict,
    date: datetime.date | None,
) -> CheckResult:
    """The check of a release folder; ``words`` are builds, ``others`` are options that a folder has no use for.

    Raises UsageProblem for words that are no builds, for options given and for reports inside the folder.
    """
    from gemel.errors import Problem, UsageProblem
    from gemel.workflows.checking_release import check_release
    from gemel.workflows.trust import load_policy

    builds = list(words)
    given = [word for word in builds if "=" not in word]
    given += [name for name, value in others.items() if value is not None]
    if given:
        what, step = "--release reads layout, image and version from the folder", "leave it out"
        raise UsageProblem(
            Problem(what, found=" ".join(given), expected="--release FOLDER [NAME=BUILD]...", next_step=step)
        )
    inside = [str(report) for report in reports if folder.resolve() in report.resolve().parents]
    if inside:
        what, step = "a report would change the folder that is checked", "write it elsewhere"
        raise UsageProblem(Problem(what, where="--report", found=", ".join(inside), next_step=step))
    return check_release(
        folder,
        builds,
        trust=trust,
        policy=load_policy(policy) if policy else None,
        at_least=at_least,
        disassemble=disassemble,
        strict=strict,
        today=date,
    )

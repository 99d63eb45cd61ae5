"""Many images judged: those that the index knows are taken from there, the others by a pool of processes."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

from gemel.audit.index import Index, IndexedBlock, KnownFile, stamp_of
from gemel.audit.pool import Pool, TaskAnswer
from gemel.audit.result import ImageResult, result_of
from gemel.errors import UsageProblem
from gemel.files.paths import FilePath
from gemel.structs import NamedTuple, replace
from gemel.workflows.auditing.plan import Options, Plan, plan_for_folder, plan_for_layout
from gemel.workflows.auditing.worker import CODE, why_not_read

if TYPE_CHECKING:
    from pathlib import Path

MAX_JOBS = 256
"""Processes that judge at most."""

MAX_MISSING = 10_000
"""Files that are not there, each of which is a result; more are those of a list made in another folder."""


class _File(NamedTuple):
    """A file of the audit: how it looks, what the index has of it if that still holds, or why it cannot be read."""

    path: str
    stamp: str
    known: KnownFile | None
    problem: str = ""


def audit(
    paths: Iterable[str], plan: Plan, index: Index, *, jobs: int = 0, again: bool = False
) -> Iterator[ImageResult]:
    """The result of each file of ``paths``, in their order, kept in ``index``.

    A file is judged again unless the index has a verdict of it by the same layout, keys and options and it looks
    the same (with ``again``: in any case).  ``jobs`` is the number of processes (0: one a core).  A file that was
    there before in this audit is left out.  Raises UsageProblem for more than MAX_MISSING files that are not there.
    """
    files = _asked_all((path for path in paths if index.is_new(path)), plan, index, again)
    tasks = (
        (each, None if each.known or each.problem else json.dumps(index.absolute(each.path)))
        for each in files
    )
    with Pool(CODE, plan.as_line(), jobs or cores()) as pool:
        for file, answer in pool.answers(tasks):
            yield _kept(file, answer, plan, index)


def audit_images(
    paths: Iterable[str | Path],
    *,
    layout: str | Path | None = None,
    layouts: str | Path | None = None,
    index: str | Path | None = None,
    jobs: int = 0,
    again: bool = False,
    trust: Sequence[str | Path] = (),
    policy: str | Path | None = None,
    at_least: int | None = None,
    blocks: bool = False,
) -> Iterator[ImageResult]:
    """The result of each image of ``paths``, files and folders, by one layout or by a folder of ``layouts``.

    ``index`` keeps the results and has unchanged files skipped, with ``blocks`` the erase blocks of images that pass
    too; ``jobs`` is the number of processes (0: one a core).
    Raises UsageProblem unless one of ``layout`` and ``layouts`` is given, and what reading layouts, keys, policy and
    index raises; a file that cannot be read is a result.
    """
    from contextlib import closing

    from gemel.audit.listing import files_under
    from gemel.workflows.checking import date_of_today

    if (layout is None) == (layouts is None):
        raise UsageProblem(
            "an audit needs a layout or a folder of layouts",
            expected="one of the two",
            next_step="give LAYOUT, or --layouts FOLDER",
        )
    if not 0 <= jobs <= MAX_JOBS:
        raise UsageProblem("not a number of processes", found=f"jobs {jobs}", expected=f"0 to {MAX_JOBS}")
    options = Options(
        trust=tuple(map(str, trust)),
        policy=str(policy) if policy else None,
        at_least=at_least,
        blocks=blocks,
        date=date_of_today(),
    )
    plan = (
        plan_for_layout(FilePath(layout), options)
        if layout
        else plan_for_folder(FilePath(layouts or ""), options)
    )
    with closing(Index(FilePath(index) if index else None)) as opened:
        yield from audit(files_under(map(str, paths)), plan, opened, jobs=jobs, again=again)


def cores() -> int:
    """The processor cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _asked_all(paths: Iterable[str], plan: Plan, index: Index, again: bool) -> Iterator[_File]:
    missing = 0
    for path in paths:
        yield (file := _asked(path, plan, index, again))
        missing += bool(file.problem)
        if missing > MAX_MISSING:
            what, step = (
                f"more than {MAX_MISSING:,} files cannot be read",
                "run it where the paths lead to files",
            )
            raise UsageProblem(what, found=file.path[:200], expected="paths of images", next_step=step)


def _asked(path: str, plan: Plan, index: Index, again: bool) -> _File:
    stamp = stamp_of(path)
    if not stamp:
        return _File(path, "", None, why_not_read(path))
    known = None if again else index.known(path)
    if known:
        layout = plan.layout_for(known.result.layout_digest)
        if known.stamp != stamp or layout is None or known.judged_by != layout.judged_by:
            known = None
    return _File(path, stamp, known)


def _kept(file: _File, answer: TaskAnswer | None, plan: Plan, index: Index) -> ImageResult:
    """The result of a file, kept in the index."""
    if file.problem:
        return ImageResult(path=file.path, status="not judged", problem=file.problem)
    if file.known:
        result = replace(file.known.result, path=file.path, unchanged=True)
        index.keep(result)
    else:
        result, blocks, line = _result(file.path, answer)
        layout = plan.layout_for(result.layout_digest)
        judged = layout.judged_by if layout and result.status != "not judged" else ""
        index.put(result, file.stamp, judged, blocks, line)
    first = index.first_with(result)
    return replace(result, duplicate_of=first) if first else result


def _result(path: str, answer: TaskAnswer | None) -> tuple[ImageResult, list[IndexedBlock], str]:
    """The result that a process answered, the blocks, if any, and the result's line."""
    if answer and answer.line:
        line, _, blocks = answer.line.rstrip("\n").partition("\t")
        try:
            found = [IndexedBlock(*each) for each in json.loads(blocks or "[]")]
            return replace(result_of(line), path=path), found, line
        except (ValueError, TypeError) as error:
            answer = TaskAnswer("", f"its answer makes no sense: {error}")
    how = answer.ended if answer else "there is no answer"
    problem = f"the process that judged it ended: {how}"
    return ImageResult(path=path, status="not judged", problem=problem), [], ""

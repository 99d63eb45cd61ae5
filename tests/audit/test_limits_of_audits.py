"""The limits of an audit, tried at both sides."""

from __future__ import annotations

import sqlite3
from types import SimpleNamespace

import pytest
from audited import plan_of_layout
from both_sides import Limits, assert_both_sides
from small_device import builds, joined, layout

import gemel
from gemel.audit.index import MAX_RUNS, MAX_VALUE, MIN_SIZE, Index, IndexedBlock
from gemel.audit.result import ImageResult
from gemel.errors import UsageProblem
from gemel.image.image import Image
from gemel.workflows.auditing.worker import MAX_FILE, Judge, result_of_check


def test_the_largest_file(tmp_path):
    """A file of MAX_FILE bytes is read, one byte more is not; both are sparse and no image."""
    judge = Judge(plan_of_layout(tmp_path))
    for size, refused in ((MAX_FILE, False), (MAX_FILE + 1, True)):
        with (tmp_path / "large.hex").open("wb") as file:
            file.truncate(size)
        problem = judge.result(str(tmp_path / "large.hex")).problem
        assert problem
        assert ("too large for an audit" in problem) == refused


def test_the_longest_value_and_the_most_runs(tmp_path):
    """A value over MAX_VALUE is refused by SQLite itself; an index of MAX_RUNS audits takes no other."""
    file = tmp_path / "i.sqlite"
    index = Index(file)
    index.put(ImageResult(path="a", status="passes"), "s", "b")
    with pytest.raises(UsageProblem):
        index.put(ImageResult(path="b", status="passes", problem="x" * MAX_VALUE), "s", "b")
    index.close()
    for run, sound in ((MAX_RUNS - 1, True), (MAX_RUNS, False)):
        connection = sqlite3.connect(file)
        connection.execute("UPDATE images SET run = ?", (run,))
        connection.commit()
        connection.close()
        if sound:
            Index(file).close()
        else:
            with pytest.raises(UsageProblem):
                Index(file)


def _sizes(count: int) -> bool:
    """Whether all of ``count`` sizes of blocks are given."""
    index = Index(None)
    blocks = [IndexedBlock(number, MIN_SIZE + number, "ab" * 32, True) for number in range(count)]
    index.put(ImageResult(path="a", status="passes", content_sha256="cd" * 32), "s", "b", blocks)
    return len(index.block_sizes()) == count


def _findings(count: int) -> bool:
    """Whether all of ``count`` findings are kept."""
    checked = gemel.check(layout(), Image(joined().image), builds())
    finding = SimpleNamespace(
        rule=SimpleNamespace(name="checksums-match"),
        severity="error",
        waiver=None,
        finding=SimpleNamespace(what="it differs", where="here"),
    )
    found = SimpleNamespace(
        inspection=checked.inspection,
        findings=[finding] * count,
        results=(),
        passes=False,
        count=checked.count,
    )
    result = result_of_check("a.hex", found)
    assert len(result.findings) + result.findings_left_out == count
    return not result.findings_left_out


LIMITS: Limits = {
    "audit.index.MAX_SIZES": (3, _sizes),
    "workflows.auditing.worker.MAX_FINDINGS": (3, _findings),
}


@pytest.mark.parametrize("name", LIMITS)
def test_both_sides(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a limit allows is kept, and one more is left out and counted."""
    assert_both_sides(monkeypatch, LIMITS, name)


def test_the_smallest_blocks() -> None:
    """Blocks smaller than the least are not looked for."""
    index = Index(None)
    sizes = (MIN_SIZE - 1, MIN_SIZE)
    blocks = [IndexedBlock(size, size, "ab" * 32, True) for size in sizes]
    index.put(ImageResult(path="a", status="passes", content_sha256="cd" * 32), "s", "b", blocks)
    assert index.block_sizes() == [MIN_SIZE]

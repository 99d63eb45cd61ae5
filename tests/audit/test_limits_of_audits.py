"""The limits of an audit, tried at both sides."""

from __future__ import annotations

import sqlite3

import pytest
from audit.audited import plan_of_layout

from gemel.audit.index import LONGEST, MOST_RUNS, Index
from gemel.audit.result import ImageResult
from gemel.errors import UsageProblem
from gemel.workflows.audit_worker import LARGEST_FILE, Judge


def test_the_largest_file(tmp_path):
    """A file of LARGEST_FILE bytes is read, one byte more is not; both are sparse and no image."""
    judge = Judge(plan_of_layout(tmp_path))
    for size, refused in ((LARGEST_FILE, False), (LARGEST_FILE + 1, True)):
        with (tmp_path / "large.hex").open("wb") as file:
            file.truncate(size)
        problem = judge.result(str(tmp_path / "large.hex")).problem
        assert problem
        assert ("too large for an audit" in problem) == refused


def test_the_longest_value_and_the_most_runs(tmp_path):
    """A value over LONGEST is refused by SQLite itself; an index of MOST_RUNS audits takes no other."""
    file = tmp_path / "i.sqlite"
    index = Index(file)
    index.put(ImageResult(path="a", status="passes"), "s", "b")
    with pytest.raises(UsageProblem):
        index.put(ImageResult(path="b", status="passes", problem="x" * LONGEST), "s", "b")
    index.close()
    for run, sound in ((MOST_RUNS - 1, True), (MOST_RUNS, False)):
        connection = sqlite3.connect(file)
        connection.execute("UPDATE images SET run = ?", (run,))
        connection.commit()
        connection.close()
        if sound:
            Index(file).close()
        else:
            with pytest.raises(UsageProblem):
                Index(file)

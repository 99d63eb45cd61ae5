"""The pool: answers in order, whatever becomes of its processes, and nothing from the working folder imported."""

from __future__ import annotations

import os
import time

import pytest

from gemel.audit.pool import TASKS_AHEAD, Pool, TaskAnswer

ECHO = """
import os, time
setup = sys.stdin.readline().rstrip("\\n")
for line in sys.stdin:
    word = line.strip()
    if word == "die": os._exit(7)
    if word == "crash": os.kill(os.getpid(), 9)
    if word == "hang": time.sleep(60)
    if word == "half": sys.stdout.write("half"); sys.stdout.flush(); os._exit(0)
    if word.startswith("slow"): time.sleep(0.2)
    sys.stdout.write(("!" if word == "last" else "") + setup + word + "\\n"); sys.stdout.flush()
    if word == "last": sys.exit(0)
"""
CODE = f"exec({ECHO!r})"


def answers(*tasks: str | None, jobs: int = 2, seconds: float = 60) -> list[TaskAnswer | None]:
    """What a pool answers to tasks."""
    with Pool(CODE, "> ", jobs, seconds) as pool:
        return [answer for _, answer in pool.answers((task, task) for task in tasks)]


def lines(*tasks: str | None, jobs: int = 2) -> list[str | None]:
    """The same, as text."""
    return [answer and (answer.line.strip() or answer.ended) for answer in answers(*tasks, jobs=jobs)]


def test_answers_come_in_the_order_of_tasks():
    """A slow one holds back those after it."""
    tasks = ["slow 1", *map(str, range(40)), "slow 2", "end"]
    assert lines(*tasks) == [f"> {task}" for task in tasks]


def test_what_is_no_task_keeps_its_place():
    """Keys without a task come back in place, before, between and after tasks, and where there are no tasks at all."""
    assert lines(None, "a", None, None, "b", None) == [None, "> a", None, None, "> b", None]
    assert lines(*[None] * 1000) == [None] * 1000
    assert lines() == []


@pytest.mark.parametrize(
    ("word", "how"),
    [("die", "it ended with 7"), ("crash", "it crashed (SIGKILL)"), ("half", "it ended with 0")],
)
def test_a_process_that_ends_costs_its_task_alone(word, how):
    """The next task has a new process, with the setup; several in a row too."""
    assert lines("a", word, "b", word, word, "c", jobs=1) == ["> a", how, "> b", how, how, "> c"]


def test_a_process_may_end_after_its_answer():
    """Its answer counts, and the next task has another process."""
    assert lines("last", "last", "a", jobs=1) == ["> last", "> last", "> a"]


def test_a_process_that_hangs_is_stopped():
    """It costs its task, with a reason."""
    started = time.monotonic()
    hung, other = answers("hang", "a", jobs=1, seconds=1)
    assert hung
    assert hung.ended.startswith("no answer after 1 seconds")
    assert other
    assert other.line == "> a\n"
    assert time.monotonic() - started < 50


def test_a_process_that_cannot_be_started():
    """Code that fails at once: every task says so, none hangs."""
    with Pool("sys.exit(3)", "", 2) as pool:
        found = [answer for _, answer in pool.answers((word, word) for word in "abc")]
    assert all(each and each.ended for each in found)


def test_tasks_are_taken_only_so_far_ahead():
    """However many there are, the pool takes a bounded number before it gives answers."""
    taken = 0

    def tasks():
        nonlocal taken
        for number in range(10_000):
            taken += 1
            yield number, str(number)

    with Pool(CODE, "> ", 2) as pool:
        given = pool.answers(tasks())
        for _ in range(10):
            next(given)
        assert taken <= 10 + 2 * TASKS_AHEAD


def test_nothing_of_the_working_folder_is_imported(tmp_path, monkeypatch):
    """Modules that lie there, or where PYTHONPATH says, under names of the standard library and of ours."""
    for name in ("json", "queue", "gemel", "sitecustomize", "usercustomize"):
        (tmp_path / f"{name}.py").write_text(
            f"import os; open({str(tmp_path / 'ran')!r}, 'w'); os._exit(1)\n"
        )
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    monkeypatch.setenv("PYTHONSTARTUP", str(tmp_path / "json.py"))
    code = "import json, queue, gemel.version; sys.stdin.readline()\n"
    code += "for line in sys.stdin: print(line.strip(), flush=True)"
    with Pool(f"exec({code!r})", "", 1) as pool:
        assert [answer for _, answer in pool.answers([(1, "a")])] == [TaskAnswer("a\n")]
    assert not (tmp_path / "ran").exists()


def test_no_process_is_left():
    """When the pool is left, before its end too, its processes have ended."""
    code = "sys.stdin.readline()\nimport os\nfor line in sys.stdin: print(os.getpid(), flush=True)"
    with Pool(f"exec({code!r})", "", 2) as pool:
        given = pool.answers((number, "x") for number in range(1000))
        pids = {int(answer.line) for _, answer in (next(given) for _ in range(50)) if answer}
    assert pids
    for pid in pids:
        with pytest.raises(ProcessLookupError):
            os.kill(pid, 0)

"""A pool of processes that each answer one task after another, a line of text each way.

What they are sent and what they answer cannot do more than be wrong.  A process that crashes, or takes too long,
costs the task that it was at; the next task starts another.
"""

from __future__ import annotations

import contextlib
import queue
import subprocess
import threading
import time
from collections import deque
from collections.abc import Iterable, Iterator
from typing import TypeVar

from gemel.isolated import how_it_ended, isolated
from gemel.structs import NamedTuple

TaskKey = TypeVar("TaskKey")

TASKS_AHEAD = 16
"""Tasks a process that may be handed out or wait for an earlier one's answer: what bounds the memory."""

SECONDS_A_TASK = 300.0
"""After which a process that has not answered is stopped; an image takes milliseconds."""

LAST = "!"
"""What begins the answer of a process that ends after it."""

_SECONDS_BETWEEN_LOOKS = 0.5


class TaskAnswer(NamedTuple):
    """What came of a task: the line that a process answered; else how that ended."""

    line: str
    ended: str = ""


class Pool:
    """``jobs`` processes that run ``code`` and read ``setup``, a line, first; a context manager that stops them."""

    def __init__(self, code: str, setup: str, jobs: int, seconds: float = SECONDS_A_TASK) -> None:
        self._processes = [_Process(code, setup) for _ in range(jobs)]
        self._tasks: queue.SimpleQueue[tuple[int, str] | None] = queue.SimpleQueue()
        self._answers: queue.SimpleQueue[tuple[int, TaskAnswer]] = queue.SimpleQueue()
        self._seconds = seconds

    def __enter__(self) -> Pool:
        for process in self._processes:
            threading.Thread(target=self._serve, args=(process,), daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        for _each in self._processes:
            self._tasks.put(None)
        for process in self._processes:
            process.stop(for_good=True)

    def answers(
        self, tasks: Iterable[tuple[TaskKey, str | None]]
    ) -> Iterator[tuple[TaskKey, TaskAnswer | None]]:
        """The answer to each task with its key, in their order; None to what is no task.

        Only so many are taken ahead.
        """
        source, ahead = enumerate(tasks), TASKS_AHEAD * len(self._processes)
        arrived: dict[int, TaskAnswer] = {}
        keys: deque[tuple[TaskKey, bool]] = deque()
        given = 0
        while True:
            while len(keys) < ahead and (taken := next(source, None)):
                number, (key, task) = taken
                keys.append((key, task is not None))
                if task is not None:
                    self._tasks.put((number, task))
            if not keys:
                return
            key, is_task = keys.popleft()
            while is_task and given not in arrived:
                number, answer = self._next()
                arrived[number] = answer
            yield key, arrived.pop(given, None)
            given += 1

    def _next(self) -> tuple[int, TaskAnswer]:
        """The next answer of any; processes that take too long are stopped meanwhile, which is an answer too."""
        while True:
            with contextlib.suppress(queue.Empty):
                return self._answers.get(timeout=_SECONDS_BETWEEN_LOOKS)
            for process in self._processes:
                process.stop_if_over(self._seconds)

    def _serve(self, process: _Process) -> None:
        while task := self._tasks.get():
            number, words = task
            self._answers.put((number, process.answer(words)))


class _Process:
    """One process, started when it is first needed.  One thread has it work; any may stop it."""

    def __init__(self, code: str, setup: str) -> None:
        self._code, self._setup = code, setup
        self._child: subprocess.Popen[str] | None = None
        self._lock = threading.Lock()
        self._closed = False
        self._since: float | None = None
        self._over = 0.0

    def answer(self, task: str) -> TaskAnswer:
        """Have a task done; an answer in any case."""
        self._over, self._since = 0.0, time.monotonic()
        line = ""
        try:
            child = self._child or self._started()
            if child and child.stdin and child.stdout:
                child.stdin.write(f"{task}\n")
                child.stdin.flush()
                line = child.stdout.readline()
        except (OSError, ValueError) as error:
            line, reason = "", str(error)
        else:
            reason = "it was stopped"
        self._since = None
        if line.endswith("\n") and not line.startswith(LAST):
            return TaskAnswer(line)
        how = f"no answer after {self._over:,.0f} seconds" if self._over else self._how_it_ended() or reason
        self.stop()
        return TaskAnswer(line.removeprefix(LAST)) if line.endswith("\n") else TaskAnswer("", how)

    def stop_if_over(self, seconds: float) -> None:
        """Stop it if it has been at its task for longer."""
        since = self._since
        if since is not None and time.monotonic() - since > seconds:
            self._over = seconds
            self._kill()

    def stop(self, *, for_good: bool = False) -> None:
        """End it now; ``for_good``: no other takes its place."""
        with self._lock:
            self._closed |= for_good
            child, self._child = self._child, None
        if child is None:
            return
        child.kill()
        child.wait()
        for stream in (child.stdin, child.stdout):
            # Another thread may be reading it: closing waits for that, which the end of the process ends.
            with contextlib.suppress(OSError, ValueError):
                if stream:
                    stream.close()

    def _kill(self) -> None:
        with self._lock:
            if self._child:
                self._child.kill()

    def _started(self) -> subprocess.Popen[str] | None:
        with self._lock:
            if self._closed:
                return None
            self._child = subprocess.Popen(
                **isolated(self._code),
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                encoding="ascii",
                errors="backslashreplace",
            )
        if self._child.stdin:
            self._child.stdin.write(f"{self._setup}\n")
        return self._child

    def _how_it_ended(self) -> str:
        child = self._child
        if child is None:
            return ""
        try:
            code = child.wait(1)
        except subprocess.TimeoutExpired:
            return "its answer makes no sense"
        return how_it_ended(code)

"""Run every program of the differential suite on the board and in rehearsal; print a table by class.

``PYTHONPATH=tests/support:tests python -m rehearse.differential.run_all [--only TEXT] [--sample N] [--details]``
"""

from __future__ import annotations

import argparse
import hashlib
import json
import multiprocessing
import re
import sys
import tempfile
import time
import traceback
from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import asdict
from multiprocessing.connection import Connection
from pathlib import Path

from built import keep_in
from rehearsals import Case as Product

from .board import BoardRun, run_on_board
from .building import Builder
from .cases import Case
from .judge import (
    Rehearsed,
    board_disagreements,
    expected_texts,
    image_bytes,
    product_of,
    rehearsal_disagreements,
    rehearsed,
)
from .suite import all_cases, disagreements_known, sample


class RehearsalEnded(Exception):
    """A rehearsal that gave no result."""


def rehearsed_apart(product: Product, seconds: int = 30) -> Rehearsed:
    """The rehearsal in a process of its own, ended after some seconds; raises RehearsalEnded without a result."""
    receiving, sending = multiprocessing.Pipe(duplex=False)
    process = multiprocessing.get_context("fork").Process(target=_send_rehearsal, args=(product, sending))
    process.start()
    sending.close()
    try:
        if not receiving.poll(seconds):
            raise RehearsalEnded(f"no verdict after {seconds} s")
        result: Rehearsed | str = receiving.recv()
    except EOFError as error:
        process.join()
        raise RehearsalEnded(f"the process ended with {process.exitcode}") from error
    finally:
        process.kill()
        process.join()
    if isinstance(result, str):
        raise RehearsalEnded(result)
    return result


def _send_rehearsal(product: Product, pipe: Connection) -> None:
    try:
        pipe.send(rehearsed(product))
    except Exception:
        pipe.send(traceback.format_exc().strip().splitlines()[-1])


def board_run(
    case: Case, image: Path, elves: Mapping[str, bytes], kept: Path | None
) -> tuple[BoardRun, list[str]]:
    """The board's run of an image and what is wrong with it; a run that an earlier one has kept is not run again."""
    finishes = case.fails is None
    file = kept / f"{hashlib.sha256(image.read_bytes()).hexdigest()}.run" if kept else None
    if file is not None and file.exists():
        run = BoardRun(**json.loads(file.read_text(encoding="utf-8")))
        return run, [] if case.loose else board_disagreements(case, run, elves)
    run = run_on_board(image, image.parent, case.board, finishes=finishes)
    wrong = [] if case.loose else board_disagreements(case, run, elves)
    if wrong:
        again = run_on_board(image, image.parent, case.board, at_once=True, finishes=finishes)
        if not board_disagreements(case, again, elves):
            run, wrong = again, []
    if file is not None and not wrong:
        file.write_text(json.dumps(asdict(run)), encoding="utf-8")
    return run, wrong


def run_case(
    case: Case,
    builder: Builder,
    folder: Path,
    times: dict[str, float] | None = None,
    *,
    isolate: bool = False,
    board_only: bool = False,
    kept: Path | None = None,
) -> tuple[list[str], list[str]]:
    """What is wrong with the board's run of a case, and with the rehearsal's."""
    times = times if times is not None else defaultdict(float)
    t = time.perf_counter()
    elves = builder.build(case)
    product = product_of(case, elves)
    times["build"] += time.perf_counter() - t
    image = folder / "image.bin"
    image.write_bytes(image_bytes(product))
    t = time.perf_counter()
    try:
        run, board = board_run(case, image, elves, kept)
    except RuntimeError as error:
        return [str(error)], ["not compared with the board"]
    times["board"] += time.perf_counter() - t
    if board_only:
        return board, []
    t = time.perf_counter()
    try:
        result = rehearsed_apart(product) if isolate else rehearsed(product)
        found = rehearsal_disagreements(case, expected_texts(case, run), result)
    except RehearsalEnded as error:
        found = [f"no result: {error}"]
    times["rehearsal"] += time.perf_counter() - t
    return board, found


def main() -> int:
    """Run what was asked for; exit code 1 where anything disagrees."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", default="", help="cases whose names match this expression")
    parser.add_argument("--sample", type=int, default=0, help="the sample that CI runs, of this size")
    parser.add_argument("--details", action="store_true", help="print every disagreement")
    parser.add_argument(
        "--board-only", action="store_true", help="run the board, compare with the architecture"
    )
    parser.add_argument("--without-goals", action="store_true", help="with no goals in the layouts")
    parser.add_argument("--keep", type=Path, help="a folder that keeps builds and runs of the board")
    parser.add_argument("--list", action="store_true", help="print the names")
    arguments = parser.parse_args()
    cases = [case for case in all_cases() if re.search(arguments.only, case.name)]
    if arguments.sample:
        cases = sample(cases, arguments.sample)
    if arguments.without_goals:
        cases = [case.without_goals() for case in cases]
    if arguments.list:
        print("\n".join(f"{case.name:60} {case.fails or 'sound'} {case.loose}" for case in cases))
        return 0
    total, agreed, odd = Counter[str](), Counter[str](), Counter[str]()
    times: dict[str, float] = defaultdict(float)
    known = disagreements_known()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        builder = Builder(folder)
        if arguments.keep:
            arguments.keep.mkdir(parents=True, exist_ok=True)
            keep_in(arguments.keep)
        for case in cases:
            board, found = run_case(
                case,
                builder,
                folder,
                times,
                isolate=True,
                board_only=arguments.board_only,
                kept=arguments.keep,
            )
            total[case.group] += 1
            odd[case.group] += bool(board)
            agreed[case.group] += not found or case.name in known
            if arguments.details:
                for line in board:
                    print(f"BOARD     {case.name}: {line}", flush=True)
                for line in found:
                    print(
                        f"{'KNOWN' if case.name in known else 'REHEARSAL':9} {case.name}: {line}", flush=True
                    )
    print(f"{'class':20} {'programs':>9} {'sound':>6} {'agree':>6} {'board odd':>10}")
    for group in total:
        sound = sum(case.fails is None for case in cases if case.group == group)
        print(f"{group:20} {total[group]:9} {sound:6} {agreed[group]:6} {odd[group]:10}")
    sound = sum(case.fails is None for case in cases)
    print(f"{'all':20} {total.total():9} {sound:6} {agreed.total():6} {odd.total():10}")
    print("seconds: " + ", ".join(f"{what} {seconds:.1f}" for what, seconds in times.items()))
    return 0 if agreed.total() == total.total() and not odd.total() else 1


if __name__ == "__main__":
    sys.exit(main())

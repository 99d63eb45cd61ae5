"""The process that judges images of an audit: the plan as its first line, then a path a line, each answered by one."""

from __future__ import annotations

import gc
import json
import os
import stat
import sys
from functools import lru_cache
from typing import TYPE_CHECKING, TextIO

from gemel.audit.index import IndexedBlock
from gemel.audit.pool import LAST
from gemel.audit.result import MAX_FINDINGS, AuditedBuild, AuditedFinding, AuditedSigner, ImageResult, line_of
from gemel.checking.identity import as_sealed, content_digest, image_of, signers_of
from gemel.checking.rule import Rule
from gemel.checking.runner import Applied, apply_rule, check
from gemel.errors import GemelError, Problem
from gemel.files.paths import FilePath
from gemel.image.formats import FORMATS
from gemel.image.image import Image
from gemel.image.sparse import SparseBytes
from gemel.inspection.inspection import Inspection
from gemel.inspection.watched import Watched
from gemel.layout.reader import ReadLayout
from gemel.outcomes import Consequence
from gemel.record.record import Record, sound_records
from gemel.structs import replace
from gemel.workflows.auditing.plan import LayoutOfAudit, Plan, plan_of, trust_by
from gemel.workflows.checking import CheckResult, with_image
from gemel.workflows.inputs.images import read_image
from gemel.workflows.inputs.layouts import load_layout
from gemel.workflows.trust import Trust

if TYPE_CHECKING:
    import datetime


CODE = (
    "import signal; signal.signal(signal.SIGINT, signal.SIG_IGN); "
    "from gemel.workflows.auditing.worker import main; sys.exit(main())"
)
"""What the process executes.  Ctrl-C goes to all processes of a terminal; who started this one stops it."""

MAX_FILE = 64 << 20
"""Bytes of an image file that an audit reads, 64 MiB."""

MAX_MEMORY = 768 << 20
"""Bytes of memory that a process may take; an image of a few hundred KiB takes some 60 MiB, the modules included."""

OBJECTS_A_COLLECTION = 10_000
"""New objects after which the garbage collector looks for cycles; gemel's rules leave none after an image."""

LAYOUTS_KEPT = 32


def main() -> int:
    """Answer until there are no more paths."""
    _limit_memory()
    answers = _private_stdout()
    judge = Judge(plan_of(sys.stdin.readline()))
    for line in sys.stdin:
        try:
            answer = judge.answer(json.loads(line))
        except MemoryError:
            judge.forget()
            answer = LAST + line_of(
                ImageResult(path="", status="not judged", problem="it takes too much memory")
            )
        answers.write(f"{answer}\n")
        answers.flush()
        if answer.startswith(LAST):
            return 0
    return 0


def _private_stdout() -> TextIO:
    """Where the answers go; what else is printed, by rules of installed packages, goes nowhere."""
    answers = os.fdopen(os.dup(1), "w", encoding="ascii")
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.close(nowhere)
    return answers


def _limit_memory() -> None:
    try:
        import resource
    except ImportError:  # Windows
        return
    _, most = resource.getrlimit(resource.RLIMIT_DATA)
    limit = MAX_MEMORY if most == resource.RLIM_INFINITY else min(most, MAX_MEMORY)
    resource.setrlimit(resource.RLIMIT_DATA, (limit, most))


class Judge:
    """Judges images by a plan; layouts, keys and rules are loaded once."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._loaded = lru_cache(LAYOUTS_KEPT)(self._load)
        self._frozen = False
        self._blocks: list[IndexedBlock] = []

    def forget(self) -> None:
        """Let go of all layouts."""
        self._loaded.cache_clear()

    def answer(self, path: str) -> str:
        """The result of one file as a line, and after a tab its blocks where they are requested."""
        self._blocks = []
        line = line_of(self.result(path))
        return f"{line}\t{json.dumps(self._blocks)}" if self._blocks else line

    def result(self, path: str) -> ImageResult:
        """What came of one file; never an exception but for lack of memory."""
        try:
            return self._result(path)
        except MemoryError:
            raise
        except GemelError as error:
            count = len(error.problems) - 1
            more = f"; {count} more problem{'s' if count > 1 else ''}" if count else ""
            return _not_judged(path, f"{_words(error.problems[0], path)}{more}")
        except Exception as error:  # one file never ends the audit
            return _not_judged(path, f"this is a fault in gemel: {type(error).__name__}: {error}")

    def _result(self, path: str) -> ImageResult:
        if why := why_not_read(path):
            return _not_judged(path, why)
        image: Image | None = None
        chosen = self._plan.only
        if chosen is None:
            image = read_image(path, at=self._start_of(path, 0))
            found, chosen = self._choice(image)
            if chosen is None:
                return _without_layout(path, image, found)
        checker = self._loaded(chosen)
        if image is None or not image.leaves_bytes_out:
            image = read_image(path, layout=checker.read, at=self._start_of(path, None))
        checked = checker.check(image)
        result = result_of_check(path, checked)
        if self._plan.options.blocks and checked.passes:
            self._blocks = indexed_blocks(checked.inspection)
        if not self._frozen:
            self._frozen = True
            gc.collect()
            gc.freeze()
            gc.set_threshold(OBJECTS_A_COLLECTION)
        return result

    def _start_of(self, path: str, default: int | None) -> int | None:
        """Where a raw binary goes; None for what is none by its suffix."""
        if FilePath(path).suffix.lower() not in FORMATS[0].suffixes:
            return None
        return default if self._plan.options.at is None else self._plan.options.at

    def _load(self, layout: LayoutOfAudit) -> Checker:
        options = self._plan.options
        read = load_layout(layout.file, paths_outside=options.paths_outside)
        if read.file_sha256.hex() != layout.sha256:
            raise GemelError(f"{read.name} changed during the audit", next_step="run the audit again")
        return Checker(
            read,
            trust_by(self._plan, read),
            min_rollback=options.at_least,
            disassemble=options.disassemble,
            today=options.date,
        )

    def _choice(self, image: Image) -> tuple[Record | None, LayoutOfAudit | None]:
        """The record that says what the image is, and the layout of its digest.

        Of several records the first counts whose layout is known and has it in its record's area, else the
        first whose layout is known, else the first.
        """
        records = list(sound_records(image.data))
        known = [
            (start, record, layout)
            for start, record in records
            if (layout := self._plan.layout_for(record.layout_sha256.hex()))
        ]
        for start, record, layout in known:
            if self._has_record_at(layout, start, image):
                return record, layout
        if known:
            return known[0][1], known[0][2]
        return (records[0][1] if records else None), None

    def _has_record_at(self, layout: LayoutOfAudit, start: int, image: Image) -> bool:
        read = self._loaded(layout).read.layout
        if read.record is None:
            return False
        base = 0
        if not image.leaves_bytes_out and self._plan.options.at is None:
            base = read.flash_start or 0
        return read.span_of(read.record.area).start == base + start


def why_not_read(path: str) -> str:
    """Why a file is not read at all; empty if it is."""
    try:
        status = os.stat(path)
    except (OSError, ValueError) as error:
        return f"the file cannot be read; found {getattr(error, 'strerror', None) or error}"
    if stat.S_ISDIR(status.st_mode):
        return "the folder cannot be read"
    if not stat.S_ISREG(status.st_mode):
        return "this is no file; an audit reads no pipes and devices"
    if status.st_size > MAX_FILE:
        return f"the file is too large for an audit; found {status.st_size:,} bytes, expected at most {MAX_FILE:,}"
    return ""


def _not_judged(path: str, problem: str) -> ImageResult:
    return ImageResult(path=path, status="not judged", problem=problem)


def _words(problem: Problem, path: str) -> str:
    """A problem in one sentence, without the file's path, which is next to it, and the next step of a check."""
    place = problem.where.removeprefix(path).removeprefix(FilePath(path).name).lstrip(":, ")
    if place.isdigit():
        place = f"line {place}"
    return str(replace(problem, where=place, next_step=""))


def _without_layout(path: str, image: Image, record: Record | None) -> ImageResult:
    """An image that no layout is there for: what its record says of it."""
    problem = "none of the layouts has the digest that its record names"
    if record is None:
        problem = "it has no sound record, which would say by which layout it is judged"
    file = image.read_from
    return ImageResult(
        path=path,
        status="not judged",
        problem=problem,
        size=file.size if file else None,
        sha256=file.sha256.hex() if file else None,
        content_sha256=content_digest(image.data),
        product=record.product if record else None,
        version=record.version if record else None,
        rollback=record.rollback if record else None,
        layout_digest=record.layout_sha256.hex() if record else None,
        builds=_builds_of(record),
    )


def _builds_of(record: Record | None) -> tuple[AuditedBuild, ...]:
    entries = record.builds if record else ()
    return tuple(AuditedBuild(each.name, each.build_id.hex() or None) for each in entries)


def result_of_check(path: str, checked: CheckResult) -> ImageResult:
    """What an audit says of a checked image."""
    inspection = checked.inspection
    image, record = image_of(inspection), inspection.record
    found = [
        AuditedFinding(each.rule.name, each.severity, each.finding.what, each.finding.where)
        for each in checked.findings
        if each.waiver is None
    ]
    return ImageResult(
        path=path,
        status="passes" if checked.passes else "broken",
        size=image.size,
        sha256=image.sha256,
        content_sha256=image.content_sha256,
        product=image.product,
        version=image.version,
        rollback=image.rollback,
        layout=inspection.read.name,
        layout_digest=record.layout_sha256.hex() if record else None,
        builds=_builds_of(record),
        signers=tuple(
            AuditedSigner(each.algorithm, each.key, each.counted and as_sealed(inspection) is not False)
            for each in signers_of(inspection)
        ),
        findings=tuple(sorted(found, key=_by_severity)[:MAX_FINDINGS]),
        findings_left_out=max(0, len(found) - MAX_FINDINGS),
        led_to=tuple(
            each.rule.name
            for each in checked.results
            if not each.findings and any(isinstance(missing, Consequence) for missing in each.not_checked)
        ),
        rules_not_checked=checked.count("not checked"),
    )


def indexed_blocks(inspection: Inspection) -> list[IndexedBlock]:
    """The erase blocks of an image as an index keeps them; none without a sound record."""
    from gemel.readback.versions import blocks_of

    if inspection.record is None:
        return []
    stored = [each.stored for each in inspection.record.builds]
    found = blocks_of(inspection.layout, inspection.image, stored)
    return [
        IndexedBlock(span.start, span.size, each.sha256, each.holds_build) for span, each in found.items()
    ]


def _by_severity(finding: AuditedFinding) -> int:
    return ("error", "warning", "note").index(finding.severity)


MAX_BYTES, MAX_RUNS = 4 << 20, 1 << 10
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
        if image.data.size > MAX_BYTES or len(image.data.spans()) > MAX_RUNS:
            applied = check(inspection, self._today)
        else:
            applied = check(self._watched.over(inspection), self._today, apply=_kept)
            self._watched.settle()
        return CheckResult(applied.results, applied.idle_waivers, applied.strict, inspection)


def _kept(rule: Rule, inspection: Inspection, today: datetime.date) -> Applied:
    applied: Applied = inspection.kept(rule.name, lambda each: apply_rule(rule, each, today))
    return applied

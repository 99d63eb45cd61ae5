"""The index of an audit: an SQLite file that knows each image by its path, and finds images by what is in them.

    images   a row for each file: how it looked when it was read, what it was judged by, its result as a JSON line;
             and one for each content that was released
    terms    what it can be found by: pairs of a field (version, build-id, ...) and a value
    blocks   of what was released, or audited for them: each erase block that is not erased, by content digest

The file may come from anywhere: its tables must be these, to the letter, and what it holds is checked when it is
read.  Anyone who can write it can change what it says; it is kept as reports are.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from typing import TYPE_CHECKING, Any, NoReturn
from urllib.parse import quote

from gemel.audit.result import ImageResult, line_of, result_of
from gemel.audit.terms import Term, terms_of
from gemel.errors import OutputError, Problem, UsageProblem
from gemel.files.output_targets import refuse_targets
from gemel.files.paths import FilePath
from gemel.structs import NamedTuple, replace

if TYPE_CHECKING:
    import sqlite3

APPLICATION = 0x474D4C41
"""The application id in the file's header (SQLite file format, section 1.3.14): "GMLA"."""

VERSION = 2
TABLES = (
    "CREATE TABLE images (id INTEGER PRIMARY KEY, path BLOB NOT NULL UNIQUE, named BLOB NOT NULL, stamp TEXT NOT NULL, "
    "judged_by TEXT NOT NULL, run INTEGER NOT NULL, place INTEGER NOT NULL, content TEXT, result TEXT NOT NULL)",
    "CREATE INDEX images_by_content ON images (content, run, place)",
    "CREATE TABLE terms (field TEXT NOT NULL, value TEXT NOT NULL, image INTEGER NOT NULL, "
    "PRIMARY KEY (field, value, image)) WITHOUT ROWID",
    "CREATE INDEX terms_by_image ON terms (image)",
    "CREATE TABLE blocks (content TEXT NOT NULL, start INTEGER NOT NULL, size INTEGER NOT NULL, sha256 TEXT NOT NULL, "
    "holds_build INTEGER NOT NULL, PRIMARY KEY (content, start)) WITHOUT ROWID",
    "CREATE INDEX blocks_by_digest ON blocks (sha256)",
)
PUT = (
    "INSERT INTO images (path, named, stamp, judged_by, run, place, content, result) VALUES (?,?,?,?,?,?,?,?) "
    "ON CONFLICT (path) DO UPDATE SET named=excluded.named, stamp=excluded.stamp, judged_by=excluded.judged_by, "
    "run=excluded.run, place=excluded.place, content=excluded.content, result=excluded.result RETURNING id"
)
MAX_VALUE = 1 << 20
"""Bytes of the longest value that is read; a result takes some kilobytes."""

ROWS_A_COMMIT = 256
MAX_RUNS = 1 << 40
MAX_SIZES, MIN_SIZE = 64, 256
"""Of blocks of images."""

RELEASED = b"release:"
"""What stands before a content digest in place of a path, for what was released: no absolute path begins with it."""


class IndexedBlock(NamedTuple):
    """An erase block of an image: SHA-256 of its bytes, and whether a build is stored in it."""

    start: int
    size: int
    sha256: str
    holds_build: bool


class KnownFile(NamedTuple):
    """What the index has of a file."""

    stamp: str
    judged_by: str
    run: int
    result: ImageResult


class Index:
    """An open index; ``run`` is the number of this audit.  Raises UsageProblem and OutputError throughout."""

    def __init__(self, file: FilePath | None, *, write: bool = True) -> None:
        """Open ``file``, made if it is not there and ``write``; None: one of its own that ends with the process."""
        self._file, self._waiting, self._place = file, 0, 0
        self._terms: list[tuple[str, str, int]] = []
        self._here = ""
        self._connection = self._opened(write)
        try:
            self._prepare(write)
        except BaseException:
            self._connection.close()
            raise

    def _opened(self, write: bool) -> sqlite3.Connection:
        import sqlite3

        # An error whose text quotes damaged bytes is one of decoding.
        self._errors = (sqlite3.Error, UnicodeDecodeError)
        try:
            if self._file is None:
                return sqlite3.connect("", isolation_level=None)
            _refuse_no_file(self._file, write)
            name = f"file:{quote(os.fsencode(os.path.abspath(self._file)))}?mode={'rwc' if write else 'rw'}"
            return sqlite3.connect(name, uri=True, isolation_level=None, timeout=1)
        except self._errors as error:
            self._refuse(error)

    def _prepare(self, write: bool) -> None:
        import sqlite3

        connection = self._connection
        connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, MAX_VALUE)
        for setting in ("trusted_schema=OFF", "cell_size_check=ON", "mmap_size=0", "synchronous=NORMAL"):
            self._do(f"PRAGMA {setting}")
        if write:
            self._do("PRAGMA locking_mode=EXCLUSIVE")
            self._do("BEGIN IMMEDIATE")
        found = [row[0] for row in self._rows("SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL")]
        identity = [self._one(f"PRAGMA {name}")[0] for name in ("application_id", "user_version")]
        if write and not found and identity == [0, 0]:
            for table in TABLES:
                self._do(table)
            self._do(f"PRAGMA application_id={APPLICATION}")
            self._do(f"PRAGMA user_version={VERSION}")
        elif identity != [APPLICATION, VERSION] or sorted(found) != sorted(TABLES):
            what = "an SQLite file of something else, or of another version of gemel"
            raise UsageProblem(_no_index(self._file, what))
        last = self._one("SELECT max(run) FROM images")[0] or 0
        if not isinstance(last, int) or not 0 <= last < MAX_RUNS:
            raise UsageProblem(_no_index(self._file, f"the number {last} of an audit"))
        self.run = 1 + last
        self._do("CREATE TEMP TABLE visited (path BLOB PRIMARY KEY) WITHOUT ROWID")

    def absolute(self, path: str) -> str:
        """A path from the working folder as it was when the first one was requested."""
        if os.path.isabs(path):
            return os.path.normpath(path)
        self._here = self._here or os.getcwd()
        return os.path.normpath(os.path.join(self._here, path))

    def _stored(self, path: str) -> bytes:
        """The absolute path as the index has it, in the bytes that the system takes."""
        return os.fsencode(self.absolute(path))

    def is_new(self, path: str) -> bool:
        """Note that this audit has come to a file; false if it has before."""
        words = "INSERT INTO visited VALUES (?) ON CONFLICT DO NOTHING RETURNING 1"
        return bool(self._one(words, (self._stored(path),)))

    def known(self, path: str) -> KnownFile | None:
        """What the index has of a file; None if it has nothing, or nothing that can be read."""
        row = self.run > 1 and self._one(
            "SELECT stamp, judged_by, run, result FROM images WHERE path = ?", (self._stored(path),)
        )
        with suppress(ValueError, TypeError):
            if row and isinstance(row[2], int):
                return KnownFile(str(row[0]), str(row[1]), row[2], result_of(row[3]))
        return None

    def put(
        self,
        result: ImageResult,
        stamp: str,
        judged_by: str,
        blocks: Sequence[IndexedBlock] = (),
        line: str = "",
    ) -> None:
        """Keep what was found in a file; ``stamp`` is how the file looked, ``judged_by`` by what it was judged.

        ``line`` is the result as ``line_of`` writes it, whatever path it names, if that is known.
        """
        self._put(self._stored(result.path), result, (stamp, judged_by), terms_of(result), line)
        if blocks:
            self._put_blocks(result.content_sha256 or "", blocks)
        self._written()

    def put_release(
        self, result: ImageResult, digests: Iterable[str], blocks: Iterable[IndexedBlock]
    ) -> list[str]:
        """Keep what was released: ``result`` of its first image, SHA-256 of all its images, its blocks.

        Other versions stay, whatever folder they were in.  The files of another content of the same product and
        version are given back.
        """
        content = result.content_sha256 or ""
        others = [
            each.path
            for each in self.find(
                [Term("product", result.product or ""), Term("version", result.version or "")]
            )
            if each.content_sha256 != content
        ]
        terms = [*terms_of(result), *(Term("digest", each) for each in digests)]
        self._put(RELEASED + content.encode(), result, ("", ""), terms)
        self._put_blocks(content, blocks)
        return others

    def _put_blocks(self, content: str, blocks: Iterable[IndexedBlock]) -> None:
        self._do("DELETE FROM blocks WHERE content = ?", (content,))
        self._do_many("INSERT INTO blocks VALUES (?,?,?,?,?)", [(content, *each) for each in blocks])

    def _put(
        self, path: bytes, result: ImageResult, judged: tuple[str, str], terms: Iterable[Term], line: str = ""
    ) -> None:
        self._place += 1
        row = (path, os.fsencode(result.path), *judged, self.run, self._place, result.content_sha256)
        image: int = self._one(PUT, (*row, line or line_of(result)))[0]
        if self.run > 1:
            self._do("DELETE FROM terms WHERE image = ?", (image,))
        self._terms += [(*term, image) for term in terms]

    def keep(self, result: ImageResult) -> None:
        """Note that a file was seen again, unchanged."""
        self._place += 1
        values = (self.run, self._place, os.fsencode(result.path), self._stored(result.path))
        self._do("UPDATE images SET run = ?, place = ?, named = ? WHERE path = ?", values)
        self._written()

    def first_with(self, result: ImageResult) -> str | None:
        """The first other file of this audit with the same content."""
        if result.content_sha256 is None:
            return None
        row = self._one(
            "SELECT named FROM images WHERE content = ? AND run = ? AND path != ? ORDER BY place LIMIT 1",
            (result.content_sha256, self.run, self._stored(result.path)),
        )
        return os.fsdecode(row[0]) if row else None

    def find(self, terms: Iterable[Term]) -> Iterator[ImageResult]:
        """The images that fit every term, by path; a value of hexadecimal digits may be the beginning."""
        wanted = [each.condition for each in terms]
        images = [f"SELECT image FROM terms WHERE {words}" for words, _ in wanted]  # noqa: S608 (our words)
        condition = " INTERSECT ".join(images)
        values = [value for _, values in wanted for value in values]
        yield from self._results(f"id IN ({condition})", values)

    def of_content(self, content: str) -> Iterator[ImageResult]:
        """The images with a content digest, by path."""
        yield from self._results("content = ?", [content])

    def _results(self, condition: str, values: Iterable[Any]) -> Iterator[ImageResult]:
        self._put_terms()
        for path, named, line in self._rows(
            f"SELECT path, named, result FROM images WHERE {condition} ORDER BY path",  # noqa: S608 (our words)
            values,
        ):
            is_file = not (isinstance(path, bytes) and path.startswith(RELEASED))
            gone = is_file and isinstance(path, bytes) and not os.path.lexists(path)
            try:
                yield replace(result_of(line), path=shown_path(path if is_file else named), gone=gone)
            except (ValueError, TypeError) as error:
                raise UsageProblem(_no_index(self._file, f"a row that is no result: {error}")) from error

    def blocks_of(self, content: str) -> list[IndexedBlock]:
        """The blocks that are kept of a content digest."""
        found = self._rows(
            "SELECT start, size, sha256, holds_build FROM blocks WHERE content = ?", (content,)
        )
        blocks = [IndexedBlock(*row) for row in found]
        for each in blocks:
            if [type(value) for value in each] != [int, int, str, int] or not 0 < each.size <= 1 << 32:
                raise UsageProblem(_no_index(self._file, f"a block that is none: {each!r:.100}"))
        return blocks

    def block_sizes(self) -> list[int]:
        """The sizes of the blocks; no more than some dozens."""
        rows = self._rows("SELECT DISTINCT size FROM blocks ORDER BY size LIMIT ?", (MAX_SIZES,))
        found = [row[0] for row in rows]
        return [size for size in found if isinstance(size, int) and MIN_SIZE <= size <= 1 << 32]

    def contents_with(self, sha256: str) -> list[str]:
        """The content digests of the images with such a block."""
        rows = self._rows("SELECT DISTINCT content FROM blocks WHERE sha256 = ?", (sha256,))
        return [str(row[0]) for row in rows]

    def close(self) -> None:
        """Write what was not written yet, and close."""
        if self._connection.in_transaction:
            self._put_terms()
            self._do("COMMIT")
        self._connection.close()

    def abandon(self) -> None:
        """Close without what was not written yet."""
        if self._connection.in_transaction:
            self._connection.rollback()
        self._connection.close()

    def _written(self) -> None:
        self._waiting += 1
        if self._waiting >= ROWS_A_COMMIT:
            self._waiting = 0
            self._put_terms()
            self._do("COMMIT")
            self._do("BEGIN IMMEDIATE")

    def _put_terms(self) -> None:
        terms, self._terms = self._terms, []
        self._do_many("INSERT OR IGNORE INTO terms VALUES (?,?,?)", terms)

    def _do(self, statement: str, values: Iterable[Any] = ()) -> None:
        for _ in self._rows(statement, values):
            pass

    def _one(self, statement: str, values: Iterable[Any] = ()) -> tuple[Any, ...]:
        """The first row; empty if there is none."""
        return next(iter(list(self._rows(statement, values))), ())

    def _rows(self, statement: str, values: Iterable[Any] = ()) -> Iterator[tuple[Any, ...]]:
        try:
            # Mapped, since a cursor would be closed after its connection where the reader of the rows has gone.
            yield from map(tuple, self._connection.execute(statement, tuple(values)))
        except self._errors as error:
            self._refuse(error)

    def _do_many(self, statement: str, rows: list[tuple[Any, ...]]) -> None:
        try:
            self._connection.executemany(statement, rows)
        except self._errors as error:
            self._refuse(error)

    def _refuse(self, error: Exception) -> NoReturn:
        """Raise what an error of SQLite means: OutputError for a file in use or a full disk, else UsageProblem."""
        import sqlite3

        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        where = str(self._file or "the index of this run")
        if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            step = "wait for it, or name another file"
            problem = Problem("another run is writing this index", where=where, next_step=step)
            raise OutputError(problem) from error
        if code == sqlite3.SQLITE_CANTOPEN:
            step = "name a file in a folder that you may write to"
            problem = Problem("the index cannot be opened", where=where, found=str(error), next_step=step)
            raise OutputError(problem) from error
        if code in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_READONLY):
            step = "what was judged before is kept; make room or name another file, then run it again"
            problem = Problem("the index cannot be written", where=where, found=str(error), next_step=step)
            raise OutputError(problem) from error
        raise UsageProblem(_no_index(self._file, str(error))) from error


def _refuse_no_file(file: FilePath, write: bool) -> None:
    """Raise UsageProblem unless ``file`` can be an index: a plain file, or with ``write`` one that can be made."""
    if write:
        refuse_targets([file])
    elif not os.path.isfile(file):
        step = "make it first: gemel audit --index FILE PATH"
        raise UsageProblem("there is no index here", where=str(file), expected="an index", next_step=step)


def shown_path(path: object) -> str:
    """A stored path for people: from the working folder on where it is in there."""
    text = os.fsdecode(path) if isinstance(path, bytes) else str(path)
    here = os.path.join(os.getcwd(), "")
    return text.removeprefix(here)


def stamp_of(path: str) -> str:
    """How a file looks without reading it: device, number, size and times; empty if it cannot be asked."""
    try:
        status = os.stat(path)
    except (OSError, ValueError):
        return ""
    parts = (status.st_dev, status.st_ino, status.st_size, status.st_mtime_ns, status.st_ctime_ns)
    return ":".join(map(str, parts))


def _no_index(file: FilePath | None, found: str) -> Problem:
    return Problem(
        "this is no index of an audit, or it is damaged",
        where=str(file or "the index of this run"),
        found=found,
        expected="what gemel audit or gemel release wrote with --index",
        next_step="name another file, or remove this one to have all images read again",
    )

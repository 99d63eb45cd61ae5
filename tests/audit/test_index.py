"""The index: found by what is in an image, and refused where it is not ours."""

from __future__ import annotations

import datetime
import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from seconds import within

from gemel.audit.as_text import text_line
from gemel.audit.index import Index
from gemel.audit.pool import Pool, TaskAnswer
from gemel.audit.result import AuditedBuild, AuditedFinding, AuditedSigner, ImageResult, line_of, result_of
from gemel.audit.terms import FIELDS, term_in
from gemel.errors import OutputError, UsageProblem
from gemel.structs import replace
from gemel.workflows.auditing.many_images import audit
from gemel.workflows.auditing.plan import Options, Plan

ONE = ImageResult(
    path="a.hex",
    status="broken",
    size=9,
    sha256="ab" * 32,
    content_sha256="cd" * 32,
    product="small-device",
    version="1.2.3",
    rollback=7,
    layout="small.toml",
    layout_digest="ef" * 32,
    builds=(AuditedBuild("station", "0011223344"), AuditedBuild("sampler", None)),
    signers=(AuditedSigner("Ed25519", "99" * 32, True),),
    findings=(AuditedFinding("checksums-match", "error", "it differs", "here"),),
)
TWO = ImageResult(
    path="b.hex", status="passes", product="small-device", version="1.2.4", content_sha256="cd" * 32
)


def filled(path: Path | None) -> Index:
    """An index that knows two images."""
    index = Index(path)
    for each in (ONE, TWO):
        index.put(each, "stamp", "by")
    return index


def found(index: Index, *texts: str) -> list[str]:
    """The files that are found."""
    return [Path(each.path).name for each in index.find([term_in(text) for text in texts])]


@pytest.mark.parametrize(
    ("texts", "files"),
    [
        (["version=1.2.3"], ["a.hex"]),
        (["version=1.2"], []),
        (["product=small-device"], ["a.hex", "b.hex"]),
        (["build-id=0011"], ["a.hex"]),
        (["build-id=0011223344"], ["a.hex"]),
        (["build-id=00112233445"], []),
        (["build-id=1122"], []),
        (["key=9999"], ["a.hex"]),
        (["digest=ABAB"], ["a.hex"]),
        (["digest=0xcdcd"], ["a.hex", "b.hex"]),
        (["finding=checksums-match"], ["a.hex"]),
        (["finding=' OR 1=1 --"], []),
        (["digest=cdcd", "version=1.2.4"], ["b.hex"]),
        (["digest=abab", "version=1.2.4"], []),
    ],
)
def test_find(texts, files):
    """By every field; of digits the first will do; several must all fit."""
    index = filled(None)
    assert found(index, *texts) == files
    index.close()


def test_a_new_result_replaces_what_the_file_is_found_by(tmp_path):
    """Once corrected, an image is not found by its old findings any more."""
    filled(tmp_path / "index").close()
    index = Index(tmp_path / "index")
    index.put(_renamed(TWO, "a.hex"), "s", "b")
    assert found(index, "finding=checksums-match") == []
    assert found(index, "version=1.2.4") == ["a.hex", "b.hex"]
    index.close()


def test_an_audit_asks_for_a_file_once(tmp_path, monkeypatch):
    """The attack: 20,000 lines of a list that name one file took a judgement each, and 50 seconds."""
    asked = []

    class Counting(Pool):
        def answers(self, tasks):
            for key, task in tasks:
                asked.append(task)
                yield key, TaskAnswer(line_of(ONE))

    monkeypatch.setattr("gemel.workflows.auditing.many_images.Pool", Counting)
    for name in ("a.hex", "b.hex"):
        (tmp_path / name).touch()
    named = ["a.hex", "./a.hex", f"../{tmp_path.name}/a.hex", "b.hex"] * 1000
    monkeypatch.chdir(tmp_path)
    plan = Plan({}, None, Options(date=datetime.date(2026, 11, 24)))
    for times in (1, 2):
        with closing(Index(tmp_path / "index")) as index, within(2):
            results = list(audit(named, plan, index, jobs=1, again=True))
        assert [each.path for each in results] == ["a.hex", "b.hex"]
        assert len(asked) == 2 * times


def test_a_file_that_is_gone_is_said_so(tmp_path):
    """What was moved away since is found, with a word of it in each form."""
    (tmp_path / "there.hex").touch()
    index = Index(None)
    for name in ("there.hex", "moved.hex"):
        index.put(_renamed(ONE, str(tmp_path / name)), "s", "b")
    results = {Path(each.path).name: each for each in index.find([term_in("version=1.2.3")])}
    index.close()
    assert {name: each.gone for name, each in results.items()} == {"there.hex": False, "moved.hex": True}
    assert "no longer there" in text_line(results["moved.hex"])
    assert "no longer there" not in text_line(results["there.hex"])


def _renamed(result: ImageResult, path: str) -> ImageResult:
    return replace(result, path=path)


@pytest.mark.parametrize(
    "text", ["", "version", "version=", "biuld-id=1234", "=x", "digest=12", "key=xyzw", "digest=12g4"]
)
def test_what_asks_for_nothing_is_refused(text):
    """A field that is none, no value, too few digits, no digits."""
    with pytest.raises(UsageProblem):
        term_in(text)


def test_the_nearest_field_is_named():
    """A slip in a field's name."""
    with pytest.raises(UsageProblem, match="build-id"):
        term_in("biuld-id=1234")


def test_results_are_read_back():
    """The JSON line of a result is that result."""
    assert result_of(line_of(ONE)) == ONE


NO_RESULTS = [
    "",
    "[]",
    "null",
    '"x"',
    "{}",
    line_of(ONE).replace('"format":1', '"format":2'),
    line_of(ONE).replace('"broken"', '"fine"'),
    line_of(ONE).replace('"size":9', '"size":"9"'),
    line_of(ONE).replace('"counted":true', '"counted":"yes"'),
    line_of(ONE).replace('"name":"station"', '"name":5'),
    line_of(ONE).replace('"builds":[', '"builds":[[],'),
    "[" * 100_000,
]


@pytest.mark.parametrize("line", NO_RESULTS)
def test_what_is_no_result_is_refused(line):
    """JSON of something else, of other types, or nested without end."""
    with pytest.raises(ValueError, match=r"not a result|another|Expecting"):
        result_of(line)


def test_a_second_audit_of_one_index_is_refused(tmp_path):
    """While one writes, another says so and ends."""
    first = filled(tmp_path / "index.sqlite")
    with pytest.raises(OutputError, match="another run is writing"):
        Index(tmp_path / "index.sqlite")
    first.close()
    assert Index(tmp_path / "index.sqlite").run == 2


HOSTILE = {
    "a text": b"not a database, not at all" * 100,
    "an ELF file": b"\x7fELF" + bytes(4096),
    "an empty SQLite header": b"SQLite format 3\0" + bytes(4080),
}


@pytest.mark.parametrize("write", [True, False])
@pytest.mark.parametrize("kind", HOSTILE)
def test_a_file_of_something_else_is_refused_and_kept(tmp_path, kind, write):
    """What is no index is not written over."""
    file = tmp_path / "index.sqlite"
    file.write_bytes(HOSTILE[kind])
    with pytest.raises(UsageProblem):
        Index(file, write=write)
    assert file.read_bytes() == HOSTILE[kind]


def _database(file: Path, *statements: str) -> None:
    connection = sqlite3.connect(file)
    for statement in statements:
        connection.execute(statement)
    connection.commit()
    connection.close()


STATEMENTS = {
    "another program's": ["CREATE TABLE notes (text)"],
    "another id": ["PRAGMA application_id=7"],
    "another version": ["PRAGMA user_version=9"],
    "a trigger": ["CREATE TRIGGER t AFTER UPDATE ON images BEGIN DELETE FROM terms; END"],
    "a view": ["CREATE VIEW v AS SELECT * FROM images"],
    "a table of that name": ["DROP TABLE terms", "CREATE TABLE terms (field, value, image)"],
    "a run that is no number": ["UPDATE images SET run = 'x'"],
    "a run beyond all": [f"UPDATE images SET run = {2**63 - 1}"],
}


@pytest.mark.parametrize("write", [True, False])
@pytest.mark.parametrize("kind", STATEMENTS)
def test_an_index_that_was_tampered_with_is_refused(tmp_path, kind, write):
    """Other tables, triggers and views, another program's file."""
    file = tmp_path / "index.sqlite"
    filled(file).close()
    _database(file, *STATEMENTS[kind])
    with pytest.raises(UsageProblem, match="no index of an audit"):
        Index(file, write=write)


def test_a_row_that_is_no_result(tmp_path):
    """It is judged again by the next audit, and is an error where it is found."""
    file = tmp_path / "index.sqlite"
    filled(file).close()
    _database(file, "UPDATE images SET result = '{}'")
    index = Index(file)
    assert index.known("a.hex") is None
    with pytest.raises(UsageProblem, match="no result"):
        found(index, "version=1.2.3")
    index.close()


def test_damage_anywhere_is_no_traceback(tmp_path):
    """Bytes of an index overwritten at many places: it is refused or read, nothing else."""
    file = tmp_path / "index.sqlite"
    filled(file).close()
    sound = file.read_bytes()
    refused = 0
    for offset in range(0, len(sound), 389):
        file.write_bytes(sound[:offset] + b"\xff" * 16 + sound[offset + 16 :])
        try:
            with closing(Index(file)) as index:
                for field in FIELDS:
                    found(index, f"{field}=0011")
                index.known("a.hex")
                index.put(ONE, "s", "b")
        except (UsageProblem, OutputError):
            refused += 1
    assert refused


def test_no_folder_device_or_missing_file(tmp_path):
    """A folder is no index, and only an audit makes one."""
    for write in (True, False):
        with pytest.raises(UsageProblem):
            Index(tmp_path, write=write)
    with pytest.raises(UsageProblem, match="no index here"):
        Index(tmp_path / "missing.sqlite", write=False)
    assert not list(tmp_path.iterdir())


def test_file_names_that_are_no_text_or_url(tmp_path):
    """Bytes that are no text, and characters that mean something in a URL, in the names of images and of the index."""
    file = tmp_path / "in?mode=ro#%41.sqlite"
    index = Index(file)
    path = os.fsdecode(b"\xff\n?.hex")
    index.put(_renamed(ONE, path), "s", "b")
    assert [each.path for each in index.find([term_in("version=1.2.3")])] == [path]
    index.close()
    assert file.is_file()


def test_what_was_written_before_a_kill_is_kept(tmp_path):
    """A process that is killed leaves an index that opens, with the rows of its last commit."""
    file = tmp_path / "index.sqlite"
    code = (
        "import os, sys\nfrom pathlib import Path\nfrom gemel.audit.index import Index\n"
        "from gemel.audit.result import ImageResult\nindex = Index(Path(sys.argv[1]))\n"
        "for n in range(700): index.put(ImageResult(path=f'{n}.hex', status='passes', version='1.0.0'), 's', 'b')\n"
        "os._exit(9)\n"
    )
    subprocess.run([sys.executable, "-c", code, str(file)], check=False)
    index = Index(file)
    count = sum(1 for _ in index.find([term_in("version=1.0.0")]))
    assert count == 512
    index.close()

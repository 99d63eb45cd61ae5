"""``gemel audit`` as a user runs it."""

from __future__ import annotations

import csv
import io
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import jsonschema
import pytest
from audited import write_image, write_layout
from in_process import run_here
from runs import environment, one_error, run
from schemas import exported_schema
from seconds import within

from gemel.text.as_json import json_text
from gemel.workflows.auditing import many_images as auditing


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    """A folder with a layout and, below it, a sound image, a copy of it, a broken one and no image."""
    write_layout(tmp_path / "small.toml")
    write_image(tmp_path / "in/a.hex")
    write_image(tmp_path / "in/b.srec")
    write_image(tmp_path / "in/c.hex", broken=True)
    (tmp_path / "in/d.hex").write_text("no image\n")
    return tmp_path


def test_one_line_an_image_and_the_worst_exit_code(archive):
    """Every image has its line and the end counts them; the code is the highest that one check ends with."""
    done = run_here("audit", "small.toml", "in", cwd=archive)
    assert done.returncode == 2, done.stderr
    lines = done.stdout.splitlines()
    assert [line.split(":")[0] for line in lines[:4]] == [
        "PASS in/a.hex",
        "PASS in/b.srec",
        "FAIL in/c.hex",
        "---- in/d.hex",
    ]
    assert "duplicate of in/a.hex" in lines[1]
    assert "not sealed" in lines[0]
    assert lines[-1] == "FAIL: 4 images: 2 pass, 1 broken, 1 not judged."
    assert run_here("audit", "small.toml", "in/a.hex", "in/c.hex", cwd=archive).returncode == 1
    assert run_here("audit", "--layout", "small.toml", "in/a.hex", cwd=archive).returncode == 0


def test_forms_reports_and_lists(archive):
    """CSV on stdout, JSON lines and text in files, paths from a list; all name the same images."""
    (archive / "list").write_text("in/a.hex\nin/c.hex\n")
    words = ("--list", "list", "--format", "csv", "--report", "r.jsonl", "--report", "r.txt")
    done = run_here("audit", "small.toml", *words, cwd=archive)
    assert done.returncode == 1, done.stderr
    rows = list(csv.DictReader(io.StringIO(done.stdout)))
    data = [json.loads(line) for line in (archive / "r.jsonl").read_text().splitlines()]
    assert [row["path"] for row in rows] == [each["path"] for each in data] == ["in/a.hex", "in/c.hex"]
    assert data[1]["status"] == rows[1]["status"] == "broken"
    assert (archive / "r.txt").read_text().splitlines()[-1].startswith("FAIL: 2 images")
    assert "wrote r.jsonl, r.txt" in done.stderr


def test_one_document_of_json(archive):
    """``--format json`` is one document by its schema, written as every other one, whatever --find finds too."""
    done = run_here("audit", "small.toml", "in", "--format", "json", "--index", "i.sqlite", cwd=archive)
    assert done.returncode == 2, done.stderr
    lines = run_here("audit", "small.toml", "in", "--report", "r.jsonl", "--report", "r.json", cwd=archive)
    assert lines.returncode == 2
    assert (archive / "r.json").read_text() == done.stdout
    data = json.loads(done.stdout)
    jsonschema.validate(data, exported_schema("audit-schema"))
    assert json_text(data) == done.stdout
    assert data["counts"] == {"passes": 2, "broken": 1, "not judged": 1}
    each_line = [json.loads(line) for line in (archive / "r.jsonl").read_text().splitlines()]
    assert [{"format": 1, **image} for image in data["images"]] == each_line
    for version, count in (("1.2.3", 3), ("9.9.9", 0)):
        words = ("--index", "i.sqlite", "--find", f"version={version}", "--format", "json")
        found = run_here("audit", *words, cwd=archive)
        assert found.returncode == (0 if count else 1)
        jsonschema.validate(json.loads(found.stdout), exported_schema("audit-schema"))
        assert json_text(json.loads(found.stdout)) == found.stdout
        assert len(json.loads(found.stdout)["images"]) == count


def test_what_split_writes_is_no_layout_to_speak_of(archive):
    """NAME.part.toml in a folder of layouts is passed over; a layout of such a name, and other files, are not."""
    builds = [each.removesuffix(".elf") for each in ("station.elf", "sampler.elf")]
    for name in builds:
        text = f'format = 1\nsha256 = "{"ab" * 32}"\nbuild_id = "ab"\nentry = 0x1000\n[symbols]\n'
        (archive / f"{name}.part.toml").write_text(text)
    done = run_here("audit", "--layouts", ".", "in/a.hex", cwd=archive)
    assert (done.returncode, done.stderr) == (0, "")
    (archive / "small.toml").rename(archive / "small.part.toml")
    assert run_here("audit", "--layouts", ".", "in/a.hex", cwd=archive).returncode == 0
    (archive / "other.toml").write_bytes((archive / "station.part.toml").read_bytes())
    done = run_here("audit", "--layouts", ".", "in/a.hex", cwd=archive)
    assert done.returncode == 0
    assert done.stderr.count("remark: ") == done.stderr.count("remark: this is not a layout") == 1


def test_a_policy_among_the_layouts_is_no_remark(archive):
    """Receivers keep their policies next to the layouts; a file of neither kind is still said to be no layout."""
    (archive / "own.toml").write_text('format = 1\nproduct = "small"\nwaiver_days = 30\n')
    done = run_here("audit", "--layouts", ".", "in/a.hex", cwd=archive)
    assert (done.returncode, done.stderr) == (0, "")
    (archive / "own.toml").write_text("[tool.linter]\nwidth = 80\n")
    done = run_here("audit", "--layouts", ".", "in/a.hex", cwd=archive)
    assert (done.returncode, done.stderr.count("remark: this is not a layout")) == (0, 1)


@pytest.mark.parametrize("line", ["f{}.hex", "./in/../f{}.hex"])
def test_a_list_of_files_that_are_not_there_ends_in_time(archive, line):
    """The attack: each of 100,000 paths had a result of its own, 8 MB of lines in 6 s."""
    (archive / "list").write_text("".join(f"{line.format(number)}\n" for number in range(60_000)))
    with within(2):
        done = run_here("audit", "small.toml", "--list", "list", cwd=archive)
    assert done.returncode == 2
    assert "more than 10,000 files cannot be read" in done.stderr
    assert "run it where the paths lead to files" in done.stderr


def test_files_that_are_not_there_are_results_up_to_a_limit(archive, monkeypatch):
    """As many as MAX_MISSING have a line each, and what is there is judged; one more is an error."""
    (archive / "list").write_text("in/a.hex\nx.hex\ny.hex\n")
    monkeypatch.setattr(auditing, "MAX_MISSING", 2)
    done = run_here("audit", "small.toml", "--list", "list", cwd=archive)
    assert done.stdout.splitlines()[-1] == "FAIL: 3 images: 1 pass, 0 broken, 2 not judged."
    monkeypatch.setattr(auditing, "MAX_MISSING", 1)
    assert "more than 1 files" in run_here("audit", "small.toml", "--list", "list", cwd=archive).stderr


def test_an_index_answers(archive):
    """By version and finding, from the index alone, after the images are gone; 1 where nothing fits."""
    run_here("audit", "small.toml", "in", "--index", "i.sqlite", cwd=archive)
    again = run_here("audit", "small.toml", "in", "--index", "i.sqlite", cwd=archive)
    assert "not read again, as the index knows them: 3" in again.stdout
    (archive / "in/a.hex").unlink()
    done = run_here("audit", "--index", "i.sqlite", "--find", "version=1.2.3", cwd=archive)
    assert done.returncode == 0
    assert [line.split(":")[0] for line in done.stdout.splitlines()] == [
        "PASS in/a.hex",
        "PASS in/b.srec",
        "FAIL in/c.hex",
    ]
    both = ("--find", "version=1.2.3", "--find", "finding=record-digests-match")
    assert run_here("audit", "--index", "i.sqlite", *both, cwd=archive).stdout.startswith("FAIL in/c.hex")
    none = run_here("audit", "--index", "i.sqlite", "--find", "version=9.9.9", cwd=archive)
    assert (none.returncode, none.stdout) == (1, "")


def test_what_a_finding_leads_to_is_found_too(archive):
    """By the rule that is the cause and by those that follow; where nothing fits, stderr says so, with a rule."""
    run_here("audit", "small.toml", "in", "--index", "i.sqlite", cwd=archive)
    (archive / "i.sqlite").chmod(0o444)  # which an index that is only searched may be
    for rule in ("record-digests-match", "checksums-match"):
        found = run_here("audit", "--index", "i.sqlite", "--find", f"finding={rule}", cwd=archive)
        assert found.returncode == 0, found.stderr
        (line,) = found.stdout.splitlines()
        assert line.startswith("FAIL in/c.hex")
        assert "broken record-digests-match" in line
    none = run_here("audit", "--index", "i.sqlite", "--find", "finding=checksum-match", cwd=archive)
    assert (none.returncode, none.stdout) == (1, "")
    assert 'nothing fits finding=checksum-match; did you mean "checksums-match"?' in none.stderr


def test_the_folders_own_layout(archive):
    """gemel.toml in the folder is the layout where none is named."""
    (archive / "small.toml").rename(archive / "gemel.toml")
    assert run_here("audit", "in/a.hex", cwd=archive).returncode == 0


WRONG = {
    "no images": ("small.toml",),
    "no layout": ("in",),
    "two layouts": ("small.toml", "--layouts", ".", "in"),
    "two layouts by words": ("small.toml", "--layout", "small.toml", "in"),
    "a missing layout": ("none.toml", "in"),
    "a folder without layouts": ("--layouts", "in", "in"),
    "a report of no form": ("small.toml", "in", "--report", "r.pdf"),
    "a report over the layout": ("small.toml", "in", "--layout", "small.toml", "--report", "small.toml"),
    "a find without an index": ("--find", "version=1.2.3"),
    "a find with images": ("--index", "i.sqlite", "--find", "version=1.2.3", "in"),
    "a find in no index": ("--index", "small.toml", "--find", "version=1.2.3"),
    "a find of nothing": ("--index", "i.sqlite", "--find", "colour=red"),
    "blocks without an index": ("small.toml", "in", "--blocks"),
    "an image as index": ("small.toml", "in", "--index", "in/a.hex"),
    "a missing list": ("small.toml", "--list", "none"),
    "a key that is none": ("small.toml", "in", "--trust", "small.toml"),
}


@pytest.mark.parametrize("name", WRONG)
def test_wrong_usage(archive, name):
    """One error in plain words, exit code 2, and no file is made or changed."""
    before = {path: path.read_bytes() for path in archive.rglob("*") if path.is_file()}
    one_error(run_here("audit", *WRONG[name], cwd=archive))
    assert {path: path.read_bytes() for path in archive.rglob("*") if path.is_file()} == before


HOSTILE = (
    "=cmd.hex",
    "-x.hex",
    "a\nPASS b.hex",
    "\x1b[31mred.hex",
    "\u202egnp.hex",
    os.fsdecode(b"\xff.hex"),
)


def test_hostile_file_names(archive):
    """Names with line ends, colours, formulas and bytes that are no text: one line each, judged all the same."""
    for name in HOSTILE:
        write_image(archive / "hostile" / name)
    for form in ("text", "csv", "jsonl"):
        done = run_here("audit", "small.toml", "hostile", "--format", form, cwd=archive)
        assert done.returncode == 0, done.stderr
        assert len([line for line in done.stdout.split("\n") if "hostile/" in line]) == len(HOSTILE)
        assert "\x1b" not in done.stdout


def test_a_pipe_in_a_list_does_not_hang(archive):
    """What is no file is not opened."""
    os.mkfifo(archive / "pipe.hex")
    done = run("audit", "small.toml", "pipe.hex", "in/a.hex", cwd=archive)
    assert "this is no file" in done.stdout
    assert "PASS in/a.hex" in done.stdout


def test_ctrl_c_ends_at_once_and_keeps_what_was_judged(archive):
    """The run ends with 130 and no traceback, its processes too; the next run goes on from the index."""
    names = ["in/a.hex"] + [f"in/x{number}.hex" for number in range(400)]
    data = (archive / "in/a.hex").read_bytes()
    for name in names:
        (archive / name).write_bytes(data)
    words = ("audit", "small.toml", *names, "--index", "i.sqlite", "--jobs", "2")
    child = subprocess.Popen(
        [sys.executable, "-m", "gemel", *words],
        cwd=archive,
        env=environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        encoding="utf-8",
        start_new_session=True,
    )
    assert child.stdout
    for _ in range(5):
        assert child.stdout.readline().startswith("PASS")
    os.killpg(child.pid, signal.SIGINT)
    started = time.monotonic()
    said = child.communicate(timeout=60)[1]
    assert time.monotonic() - started < 30
    assert child.returncode == 130
    assert "Traceback" not in said
    with pytest.raises(ProcessLookupError):
        os.killpg(child.pid, 0)
    again = run_here(*words, cwd=archive)
    assert again.returncode == 0
    assert "not read again, as the index knows them" in again.stdout


def test_nothing_in_the_working_folder_is_imported(archive):
    """Modules that lie beside the images are not run by the processes that judge."""
    for name in ("json", "struct", "sqlite3", "gemel"):
        (archive / f"{name}.py").write_text("open('ran', 'w')\n")
    code = "import sys; sys.path.remove(''); from gemel.cli.entry import run; run()"
    done = subprocess.run(
        [sys.executable, "-c", code, "audit", "small.toml", "in/a.hex"],
        cwd=archive,
        env=environment(),
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert not (archive / "ran").exists()


def test_memory_does_not_grow_with_the_number_of_images(archive):
    """The peak of the whole process, and of each that judges, is the same for 40 and for 400 images, but for 4 MiB."""
    data = (archive / "in/a.hex").read_bytes()
    (archive / "many").mkdir()
    for number in range(400):
        (archive / "many" / f"{number:04}.hex").write_bytes(data)
    code = (
        "import sys, resource\nfrom gemel.cli.main import exit_code\ncode = exit_code(sys.argv[1:])\n"
        "own, children = (resource.getrusage(who).ru_maxrss for who in "
        "(resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))\n"
        "sys.stderr.write(f'{own} {children}')\nsys.exit(code)\n"
    )
    peaks = {}
    for count in (40, 400):
        names = [f"many/{number:04}.hex" for number in range(count)]
        done = subprocess.run(
            # A process's peak begins with that of the one it was forked from: a small one stands between.
            [
                "sh",
                "-c",
                '"$@"; exit $?',
                "sh",
                sys.executable,
                "-c",
                code,
                "audit",
                "small.toml",
                *names,
                "--jobs",
                "1",
            ],
            cwd=archive,
            env=environment(),
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, done.stderr
        peaks[count] = [int(number) for number in done.stderr.split()]
    for few, many in zip(peaks[40], peaks[400], strict=True):
        assert many - few < 4096
        assert many < 150 * 1024

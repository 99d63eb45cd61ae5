"""Which files an audit looks at."""

from __future__ import annotations

import os

import pytest

from gemel.audit.listing import MAX_NAME, files_under, listed
from gemel.errors import UsageProblem


def names(folder, paths):
    """What is found, relative to the folder."""
    return [os.path.relpath(each, folder) for each in files_under(map(str, paths))]


def test_images_of_a_folder_and_below(tmp_path):
    """By suffix in upper or lower case, sorted, files before folders; our own temporary files are left out."""
    for name in (
        "b.hex",
        "a.BIN",
        "c.txt",
        "sub/d.srec",
        "sub/deep/e.s37",
        ".gemel-1234-x.hex",
        "a.hex/f.mot",
    ):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(b"")
    assert names(tmp_path, [tmp_path]) == ["a.BIN", "b.hex", "a.hex/f.mot", "sub/d.srec", "sub/deep/e.s37"]


def test_what_is_named_is_looked_at_whatever_its_name(tmp_path):
    """Files that are not there, or of other suffixes: the audit says what is wrong with them."""
    assert names(tmp_path, [tmp_path / "x.txt", tmp_path / "y"]) == ["x.txt", "y"]


def test_a_folder_is_looked_into_once(tmp_path):
    """The attack: a list of 300,000 times the same folder; by another name, a link and from above, too."""
    (tmp_path / "sub").mkdir()
    (tmp_path / "sub" / "a.hex").write_bytes(b"")
    (tmp_path / "b.hex").write_bytes(b"")
    (tmp_path / "link").symlink_to(tmp_path / "sub")
    sub = tmp_path / "sub"
    assert names(tmp_path, [sub, f"{sub}/", tmp_path / "link", f"{sub}/.", tmp_path, tmp_path]) == [
        "sub/a.hex",
        "b.hex",
    ]


@pytest.mark.parametrize(("between", "again"), [(2, False), (3, True)])
def test_a_name_that_comes_again_is_passed_over(tmp_path, monkeypatch, between, again):
    """As long as no more than REMEMBERED names came in between: the memory that this takes has a limit."""
    monkeypatch.setattr("gemel.audit.listing.REMEMBERED", 3)
    others = [f"{number}.hex" for number in range(between)]
    found = list(files_under(["x.hex", *others, "x.hex"]))
    assert found == ["x.hex", *others, *(["x.hex"] if again else [])]


def test_links_that_lead_in_circles(tmp_path):
    """A link to a folder is not followed, one to a file is; one to itself is given, so that reading it says why."""
    (tmp_path / "a.hex").write_bytes(b"")
    (tmp_path / "loop").symlink_to(tmp_path)
    (tmp_path / "b.hex").symlink_to(tmp_path / "a.hex")
    (tmp_path / "self.hex").symlink_to("self.hex")
    assert names(tmp_path, [tmp_path]) == ["a.hex", "b.hex", "self.hex"]


@pytest.mark.parametrize(
    ("text", "found"),
    [
        (b"a.hex\nb.hex\n", ["a.hex", "b.hex"]),
        (b"a.hex\r\n\r\nb.hex", ["a.hex", "b.hex"]),
        (b"a\n1.hex\0b.hex\0", ["a\n1.hex", "b.hex"]),
        (b"one.hex", ["one.hex"]),
        (b"", []),
        (b"\xff.hex\n", [os.fsdecode(b"\xff.hex")]),
        (b"  spaces .hex\n", ["  spaces .hex"]),
        (b"x.hex\n" * 30_000, ["x.hex"] * 30_000),
    ],
)
def test_lists(tmp_path, text, found):
    """Names by lines or ended by zero bytes, of any length together."""
    (tmp_path / "list").write_bytes(text)
    assert list(listed(tmp_path / "list")) == found


@pytest.mark.parametrize(
    "text", [b"x" * (MAX_NAME + 1), b"a\n" + b"x" * (3 * MAX_NAME), b"a\0" + b"\n" * (2 * MAX_NAME)]
)
def test_a_list_that_is_none(tmp_path, text):
    """A file without line ends is refused before it fills the memory."""
    (tmp_path / "list").write_bytes(text)
    with pytest.raises(UsageProblem, match="no file's name"):
        list(listed(tmp_path / "list"))


def test_a_list_that_is_not_there(tmp_path):
    """Said with the system's reason."""
    with pytest.raises(UsageProblem, match="No such file"):
        list(listed(tmp_path / "missing"))

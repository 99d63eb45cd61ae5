"""Names that drive terminals, turn text around or end strings: every command on a terminal, every form by a parser.

Escape sequences are those of ECMA-48, direction controls those of Unicode Standard Annex 9.
"""

from __future__ import annotations

import json
import tomllib
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest
from image_edits import changed
from runs import run
from small_device import SPARE, joined, layout_text, sampler_elf, station_elf
from terminal import on_terminal

from gemel.cli.echo import coloured, echo
from gemel.image.intel_hex import encode

CONTROLS = {*map(chr, [*range(32), *range(0x7F, 0xA0), 0x200E, 0x200F, 0x061C])} - {"\n"}
CONTROLS |= {*map(chr, [*range(0x202A, 0x202F), *range(0x2066, 0x206A), 0x2028, 0x2029, 0xFEFF])}
SYMBOL = "r\x1b[31m\u202eabc\x07".encode()
"""As long as ``reset_handler``, whose place it takes."""
NAME = "\x1b]0;t\x07\u202e\"'<&>{0}"
REASON = r"""\u001b[31m\u202e<&>\"'\u0007\u2067{0}]]>"""
RULES = f"""
[rules]
waive = [{{ rule = "reserved-areas-untouched", where = "spare", reason = "{REASON}", until = 2027-06-30 }}]
severity = [{{ rule = "build-ids-equal", severity = "warning", reason = "{REASON}" }}]
"""


def hostile(data: bytes) -> bytes:
    """An ELF file whose handlers have names that no terminal should get."""
    return data.replace(b"reset_handler", SYMBOL).replace(b"other_handler", SYMBOL[:-1] + b"d")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small device with hostile names of files, symbols, reasons, and a broken rule."""
    folder = tmp_path_factory.mktemp("names")
    for name in (f"{NAME}.toml", "plain.toml"):
        (folder / name).write_text(layout_text(add=RULES), encoding="utf-8")
    station = hostile(station_elf(words={4: 0x1000_00A2}))
    for name in (f"{NAME}.elf", "station.elf"):
        (folder / name).write_bytes(station)
    (folder / "sampler.elf").write_bytes(hostile(sampler_elf()))
    image = b"".join(encode(changed(joined().image, {SPARE: b"settings"})))
    for name in (f"{NAME}.hex", "plain.hex"):
        (folder / name).write_bytes(image)
    return folder


LAYOUT, IMAGE = f"{NAME}.toml", f"{NAME}.hex"
GIVEN = (f"station={NAME}.elf", "sampler=sampler.elf")
COMMANDS = (
    ("join", LAYOUT, *GIVEN, "-o", "new.hex"),
    ("check", LAYOUT, IMAGE, *GIVEN, "--all", "--rehearse"),
    ("check", LAYOUT, IMAGE),
    ("show", IMAGE, "--layout", LAYOUT, *GIVEN),
    ("show", IMAGE),
    ("rehearse", LAYOUT, IMAGE, *GIVEN),
    ("compare", LAYOUT, "plain.hex", IMAGE, *GIVEN),
    ("where", LAYOUT, *GIVEN, "0x10000081"),
    ("where", LAYOUT, *GIVEN, NAME),
    ("split", LAYOUT, IMAGE, "-o", "parts"),
    ("draft", *GIVEN),
    ("sign", LAYOUT, IMAGE, "--key", NAME, "-o", "x.hex"),
    ("keys", "show", NAME),
    ("keys", "show", f"pkcs11:token={NAME}"),
    ("check", LAYOUT, f"no{IMAGE}"),
    ("check", LAYOUT, IMAGE, "--policy", f"no{NAME}"),
    ("check", LAYOUT, IMAGE, f"{NAME}={NAME}"),
    ("check", f"--{NAME}"),
    (NAME,),
    ("explain", NAME),
    ("export", NAME),
    ("show", f"{NAME}.tbs"),
)


@pytest.mark.parametrize("words", COMMANDS, ids=lambda words: words[0].strip(NAME) or "no command")
def test_no_name_drives_the_terminal(
    folder: Path, words: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing but text and line ends reaches a terminal, with the causes that -v shows too."""
    monkeypatch.setenv("TERM", "dumb")  # no colour, and no bar on a slow machine
    _, screen = on_terminal(folder, ("-v", *words), ())
    assert screen.strip()
    assert CONTROLS.isdisjoint(screen), repr([line for line in screen.splitlines() if CONTROLS & {*line}])
    assert "fault in gemel" not in screen


def test_every_form_of_a_check_parses(folder: Path) -> None:
    """Text, JSON, SARIF and JUnit of the same check: parsers read them, and no control character is in them."""
    forms = ("r.txt", "r.json", "r.sarif", "r.xml")
    reports = [word for name in forms for word in ("--report", name)]
    assert run("check", LAYOUT, IMAGE, *GIVEN, *reports, cwd=folder).returncode == 1
    texts = {name: (folder / name).read_text("utf-8") for name in forms}
    for name, text in texts.items():
        assert CONTROLS.isdisjoint(text), name
    assert json.loads(texts["r.json"])["identity"]["image"]["name"] == IMAGE
    assert json.loads(texts["r.sarif"])["runs"]
    root = ElementTree.fromstring(texts["r.xml"])
    assert any("]]>" in value for each in root.iter() for value in each.attrib.values())


def test_every_form_of_the_other_results_parses(folder: Path) -> None:
    """The JSON of show, rehearse and compare, the SVG of rehearse and the TOML of draft."""
    for words in (
        ("show", IMAGE, "--layout", LAYOUT, *GIVEN),
        ("rehearse", LAYOUT, IMAGE, *GIVEN),
        ("compare", LAYOUT, "plain.hex", IMAGE, *GIVEN),
    ):
        text = run(*words, "--format", "json", cwd=folder).stdout
        assert CONTROLS.isdisjoint(text), words
        assert json.loads(text)
    picture = run("rehearse", LAYOUT, IMAGE, *GIVEN, "--format", "svg", cwd=folder).stdout
    assert CONTROLS.isdisjoint(picture)
    assert ElementTree.fromstring(picture).tag.endswith("svg")
    draft = run("draft", *GIVEN, cwd=folder).stdout
    assert CONTROLS.isdisjoint(draft)
    assert tomllib.loads(draft)["build"]


def test_what_was_not_escaped_before_is_escaped_where_it_is_printed(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The printing layer lets its own colours through, and of a name nothing that is no text."""
    echo(f"{coloured('a', fg='red')}\n\x1b[41m\x1b]0;t\x07\u202e\udc80")
    assert capsys.readouterr().out == "\x1b[31ma\x1b[0m\n\\x1b[41m\\x1b]0;t\\x07\\u202e\\x80\n"

"""Text from elsewhere, written into a terminal, TOML, XML: each judged by a reader that is not ours."""

from __future__ import annotations

import os
import subprocess
import tomllib
import unicodedata
from xml.etree import ElementTree

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from gemel.text.escaping import in_shell, in_toml, on_one_line, toml_string, xml_characters, xml_text

ANYTHING = st.text(st.characters())
"""Every code point, surrogates too."""

TURNING = {"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}
BIDIRECTIONAL = [
    *"\u200e\u200f\u061c",
    *(char for char in map(chr, range(0x11_0000)) if unicodedata.bidirectional(char) in TURNING),
]
"""Characters that turn the direction of text: Unicode Standard Annex 9, section 2, by the standard library."""


@given(ANYTHING)
@example("".join(BIDIRECTIONAL))
def test_a_terminal_gets_printable_characters(text: str) -> None:
    """No line end, control sequence or change of direction is left; printable text stays as it is."""
    shown = on_one_line(text)
    assert shown.isprintable()
    assert not set(shown) & set(BIDIRECTIONAL)
    assert shown == text or not text.isprintable()
    assert on_one_line(text, only_ascii=True).isascii()


def test_every_bidirectional_control_is_escaped() -> None:
    """All twelve of them, for each kind of output."""
    assert len(BIDIRECTIONAL) == 12
    for char in BIDIRECTIONAL:
        for shown in (
            on_one_line(char),
            in_toml(char),
            toml_string(char),
            xml_text(char),
            xml_characters(char),
        ):
            assert shown.isascii()


@given(st.text())
def test_toml_reads_strings_back(text: str) -> None:
    """The standard library's TOML parser reads the text from its basic string."""
    assert tomllib.loads(f"key = {toml_string(text)}") == {"key": text}
    assert toml_string(text).isprintable()


def test_what_is_no_text_is_no_string() -> None:
    """A lone surrogate has no form in TOML."""
    with pytest.raises(ValueError, match="surrogates"):
        toml_string("\udcff")


@pytest.mark.parametrize(("length", "shown"), [(60, "x" * 60), (61, "x" * 57 + "...")])
def test_long_text_is_cut(length: int, shown: str) -> None:
    """60 characters are shown whole, one more is cut."""
    assert in_toml("x" * length) == shown


@given(ANYTHING)
@example("\"'<&>]]>")
@example("\r\n\t\x00\x85\ufffe\ud800\u202e")
def test_xml_parsers_read_text_and_attributes(text: str) -> None:
    """A parser takes whatever the text is, in content and in either kind of quotes, and reads one value."""
    one = xml_text(text)
    element = ElementTree.fromstring(f"<a b=\"{one}\" c='{one}'>{one}</a>")
    assert element.get("b") == element.get("c") == (element.text or "")
    assert (element.text or "").isprintable()
    assert element.text == text or not text.isprintable() or not text


@given(ANYTHING)
def test_xml_writers_take_characters(text: str) -> None:
    """The standard library's writer makes XML that parses of what is left, markup and all."""
    element = ElementTree.Element("a", b=xml_characters(text))
    element.text = xml_characters(text, kept="\t\n")
    read = ElementTree.fromstring(ElementTree.tostring(element))
    assert read.get("b") == element.get("b")
    assert (read.text or "") == element.text


NAMES = [
    "tide.hex",
    "station=build/station.elf",
    "my image.hex",
    "it's.hex",
    'a"b.hex',
    "$HOME/`id`.hex",
    "a;b&c|d.hex",
    "~/a*?[b].hex",
    "name=my build.elf",
    "#a.hex",
    "gr\u00fc\u00df.hex",
    "a\\b.hex",
    "",
]


@pytest.mark.skipif(os.name != "posix", reason="a POSIX shell reads the words back")
def test_words_for_a_shell_are_read_back_by_one() -> None:
    """Each word comes back as it was, and one that needs no quotes has none."""
    line = f"printf '%s\\n' {in_shell(*NAMES)}"
    done = subprocess.run(["sh", "-c", line], capture_output=True, check=True)
    assert done.stdout.decode().splitlines() == NAMES
    assert in_shell("tide.hex", "-o", "a/b_1.hex") == "tide.hex -o a/b_1.hex"


@given(ANYTHING)
def test_words_for_a_shell_are_one_printable_line(text: str) -> None:
    """No name forges a line or a colour in a command either."""
    assert in_shell(text).isprintable()

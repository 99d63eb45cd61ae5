"""Text from elsewhere, made harmless for where it is written: one function for each kind of output.

Names in builds, layouts and images may hold anything: line ends, control sequences of terminals (ECMA-48),
characters that turn the direction of what follows (Unicode Standard Annex 9), bytes that are no text
(surrogates, as PEP 383 has them).  What is neither printable nor a plain space is shown as an escape.
JSON needs no function of its own: `gemel.text.as_json` writes nothing but ASCII.
"""

from __future__ import annotations

from collections.abc import Callable

_LINE_ENDS = {"\n": "\\n", "\r": "\\r", "\t": "\\t"}
_MARKUP = str.maketrans({"&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;", "'": "&#39;"})


def on_one_line(text: str, *, only_ascii: bool = False) -> str:
    """``text`` for a line of a terminal or a log: no name can forge a line or a colour of its own.

    Bytes of a file's name that are no text (PEP 383) show as ``\\xff``; ``only_ascii`` escapes all but ASCII.
    """
    if text.isprintable() and (text.isascii() or not only_ascii):
        return text
    return "".join(
        char if char.isprintable() and (char.isascii() or not only_ascii) else _as_in_python(char)
        for char in text
    )


def in_utf_8(text: str) -> bytes:
    """``text`` as the bytes of a file or of a form for programs; what is no text in escapes."""
    return text.encode("utf-8", "backslashreplace")


def in_shell(*words: object) -> str:
    """``words`` for a command that is printed for copying: each is one word of a POSIX shell (2.2, "Quoting")."""
    import shlex

    return on_one_line(shlex.join(map(str, words)))


def in_toml(text: str, longest: int = 60) -> str:
    """``text`` for a message about a TOML file: escaped as TOML does, cut to ``longest`` characters."""
    return _escaped(text if len(text) <= longest else text[: longest - 3] + "...", _as_in_toml)


def toml_string(text: str) -> str:
    """``text`` as a basic string of TOML 1.0, with its quotes; raises ValueError for what is no text."""
    text.encode("utf-8")
    return '"' + _escaped(text.replace("\\", "\\\\").replace('"', '\\"'), _as_in_toml) + '"'


def xml_characters(text: str, kept: str = "\t\n\r") -> str:
    """``text`` with only characters that XML 1.0 (section 2.2) allows and people can see; markup stays.

    For a writer that escapes markup itself.  Escapes are those of TOML, since XML has none for these.
    """
    return _escaped(text, _as_in_toml, kept)


def xml_text(text: str) -> str:
    """``text`` for the content or an attribute's value of XML, SVG or HTML: markup as references."""
    return xml_characters(text, "").translate(_MARKUP)


def _escaped(text: str, escape: Callable[[str], str], kept: str = "") -> str:
    if text.isprintable():
        return text
    return "".join(char if char.isprintable() or char in kept else escape(char) for char in text)


def _as_in_python(char: str) -> str:
    if char in _LINE_ENDS:
        return _LINE_ENDS[char]
    code = ord(char)
    if 0xDC80 <= code <= 0xDCFF:
        code -= 0xDC00
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x1_0000 else f"\\U{code:08x}"


def _as_in_toml(char: str) -> str:
    return f"\\u{ord(char):04X}" if ord(char) <= 0xFFFF else f"\\U{ord(char):08X}"

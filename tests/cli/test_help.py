"""Every command's help: required options in the usage, options under headings, one metavar a kind, kinds listed."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from click.testing import CliRunner

from gemel.cli.catalogue import COMMANDS, TOPICS, loaded
from gemel.cli.declared import Choice, Command, Converted, FileName, Input, InputWord, IntRange, Parameter
from gemel.cli.with_click import GROUPS, gemel, group_of
from gemel.seals.keys.algorithms import algorithm_names
from gemel.workflows.exports import EXPORTS


def declared() -> Iterator[tuple[tuple[str, ...], Command]]:
    """Every command that takes options, with its words."""
    for name in COMMANDS:
        command = loaded(name)
        if command.below is None:
            yield (name,), command
        for below, each in (command.below or {}).items():
            yield (name, below), each


ALL = dict(declared())
OPTIONS = [
    (words, each)
    for words, command in ALL.items()
    for each in command.parameters
    if each.words and not each.is_flag
]


def help_of(*words: str) -> str:
    """The help at 80 columns."""
    return CliRunner().invoke(gemel, [*words, "--help"], terminal_width=80).output


@pytest.mark.parametrize("words", ALL, ids=" ".join)
def test_usage_and_headings(words: tuple[str, ...]) -> None:
    """Required options are in the usage, and each option stands once, under its heading."""
    text = help_of(*words)
    usage = " ".join(text.partition("\n\n")[0].split())
    heading, found = "", {}
    for line in text.splitlines():
        heading = line[:-1] if line[:1].strip() and line.endswith(":") else heading
        if heading in GROUPS and line.startswith("  -"):
            found[line.split("  ")[1].strip()] = heading
    for each in ALL[words].parameters:
        if not each.words:
            continue
        if each.required:
            assert f"{each.words[0]} {each.metavar}" in usage
        (row,) = [row for row in found if set(row.replace(",", " ").split()) & set(each.words)]
        assert found[row] == group_of(each.words)
    assert usage.endswith("[OPTIONS]")


def test_every_heading_is_used_and_every_option_has_one() -> None:
    """The table of headings names what there is, each option once."""
    listed = [word for words in GROUPS.values() for word in words]
    given = {
        max(each.words, key=len) for command in ALL.values() for each in command.parameters if each.words
    }
    assert sorted(listed) == sorted({*given, "--help"})


def kind_of(option: Parameter) -> str:
    """What an option takes, by its kind and by what the help says of it."""
    return type(option.kind).__name__


METAVARS = {
    "FileName": {"FILE", "FOLDER", "IMAGE", "KEY", "LAYOUT", "PUBKEY"},
    "Input": {"FILE", "IMAGE", "LAYOUT", "PUBKEY"},
    "InputWord": {"KEY", "[NAME=]FILE"},
    "IntRange": {"N"},
    "Converted": {"ADDRESS"},
    "Choice": {None, "[=inputs]"},
    "Kind": {
        *("KEY", "NAME", "CORE", "URI", "X.Y.Z", "YYYY-MM-DD"),
        *("NAME=FILE", "[NAME=]FILE", "[NAME=]ID", "FIELD=VALUE"),
    },
}
"""Each kind of value with the names that it goes by in every help."""


def test_one_metavar_a_kind() -> None:
    """A kind of value has one name, and an option the same name in every command (-o: that of what it writes)."""
    assert {FileName, Input, InputWord, IntRange, Converted, Choice} == {
        type(each.kind) for _, each in OPTIONS if kind_of(each) != "Kind"
    }
    for words, each in OPTIONS:
        assert each.metavar in METAVARS[kind_of(each)], (words, each.words)
    for word in {max(each.words, key=len) for _, each in OPTIONS} - {"--output"}:
        assert len({each.metavar for _, each in OPTIONS if word in each.words}) == 1, word


MEANINGS: dict[str, tuple[str, ...]] = {
    "--output": (
        *("Write the result here, not to stdout", "Image to write, by suffix .hex, .srec or .bin, or -"),
        *("Folder for the parts.", "New folder to make, whole or not at all."),
        *("File for the private key.", "File for the public part."),
    ),
    "--version": (
        *("Version of the image; else the layout's.", "Version that the image must hold"),
        "Take the builds of this version from --symbols, by --index.",
    ),
    "--rollback": (
        "Rollback counter of the image; else the layout's.",
        "Rollback counter that the image must hold",
    ),
    "--key": (
        "Seal with this private key, a file or a pkcs11: URI",
        "Sign the SUIT envelope with this private key",
    ),
    "--format": ("Form of the result on stdout.", "Form of the image; may be repeated."),
    "--report": ("Write the result to this file too, by suffix",),
    "--all": ("In text, list ",),
    "--public": ("Public key file of a --to-be-signed or --signature", "File for the public part."),
    "--trust": ("Require a seal by this public key",),
    "--index": ("Index of gemel audit or gemel release: ",),
    "--core": ("Core whose view it is; else ",),
    "--at": ("Where a raw binary goes",),
    "--disassemble": ("Read the code instruction by instruction for those that its core lacks; ",),
    "--rehearse": ("Run the reset code of all cores in an emulated device too (gemel rehearse)",),
    "--previous": ("Older image: the rollback counter must be at least its counter",),
}
"""What the help of an option that several commands have begins with; all others have one help everywhere."""


def test_an_option_means_the_same_in_every_command() -> None:
    """Same words, same kind of value and same help; where more must be said it comes after the same beginning.

    A file that one command reads and another one writes, such as an index, is of one kind.
    """
    shared: dict[str, list[Parameter]] = {}
    for command in ALL.values():
        for each in command.parameters:
            if each.words:
                shared.setdefault(max(each.words, key=len), []).append(each)
    for word, several in shared.items():
        assert len({each.words for each in several}) == 1, word
        kinds = [FileName if isinstance(each.kind, FileName) else type(each.kind) for each in several]
        assert len(set(kinds)) == 1, word
        assert len({(each.is_flag, each.off_words) for each in several}) == 1, word
        helps = {str(each.help) for each in several}
        if word not in MEANINGS:
            assert len(helps) == 1, word
        else:
            assert len(helps) > 1, f"{word} needs no line in the table"
            beginnings = MEANINGS[word]
            assert [text for text in helps if not text.startswith(beginnings)] == [], word
            used = {each for each in beginnings for text in helps if text.startswith(each)}
            assert used == set(beginnings), word


EXITS = {
    "audit": "0 all images pass; 1 a rule is broken, or --find finds nothing",
    "compare": "0 the images are the same; 1 they differ",
    "demo": "0 every step ended as expected; 1 one did not",
    "draft": "0 all holds; 1 the draft does not join, or a rule is broken",
    "export": "0 done; 1 a rule is broken (suit)",
    "rehearse": "0 the rehearsal passes; 1 it fails",
    "show": "0 done; 1 the seal does not hold (--trust)",
    **dict.fromkeys(("explain", "keys", "split", "where"), "0 done"),
    **dict.fromkeys(("check", "join", "release", "sign"), "0 all holds; 1 a rule is broken"),
}
"""What the help of each command ends with; the tests of the commands hold the codes to it."""


@pytest.mark.parametrize("words", ALL, ids=" ".join)
def test_exit_codes(words: tuple[str, ...]) -> None:
    """Each help ends with the exit codes, and 2 is the same everywhere."""
    text = " ".join(help_of(*words).split())
    assert text.endswith(f" Exit codes: {EXITS[words[0]]}; 2 the work could not be done.")


def test_kinds_are_listed() -> None:
    """keys, export and explain list what they take, and no help is wider than the terminal but for typed commands."""
    for words, names in (
        (("keys",), algorithm_names()),
        (("keys", "new"), algorithm_names()),
        (("export",), [each.name for each in EXPORTS]),
        (("explain",), TOPICS),
    ):
        text = help_of(*words)
        assert [name for name in names if name not in text.replace("-\n  ", "-")] == []
    for words in ALL:
        lines = help_of(*words).splitlines()
        assert [
            line for line in lines if len(line) > 80 and not line.startswith(("Usage", "    gemel"))
        ] == []

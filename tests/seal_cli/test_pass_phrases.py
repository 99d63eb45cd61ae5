"""Pass phrases: asked on the terminal, unseen, or from a file or the environment, and never an argument."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest
from sealed_device import JOIN, Run, seal_of, write_key
from terminal import on_terminal

from gemel.cli.commands.join import command as join_command
from gemel.cli.commands.keys import command as keys_command
from gemel.cli.commands.sign import command as sign_command
from gemel.seals.keys.files import is_encrypted, load_private_key

PHRASE = "Zwölf Boxkämpfer & 12 %s"
OTHER = "not the same phrase"
NEW = ("keys", "new", "Ed25519", "-o", "key.pem")
ENCRYPTED = ("--key", "key.pem")


@pytest.fixture
def locked(device: Path) -> Path:
    """The device's folder with a key under a pass phrase."""
    write_key(device / "key.pem", "Ed25519", PHRASE.encode())
    return device


def test_asked_twice_for_a_new_key(device: Path) -> None:
    """On a terminal a new key's pass phrase is asked for twice, unseen, and opens the key."""
    answers = [("pass phrase of the new key: ", PHRASE), ("the same again: ", PHRASE)]
    code, screen = on_terminal(device, NEW, answers)
    assert code == 0, screen
    assert PHRASE not in screen
    load_private_key(Path("key.pem").read_bytes(), "key.pem", PHRASE.encode())


def test_two_that_differ(device: Path) -> None:
    """Two different answers make no key."""
    answers = [("pass phrase of the new key: ", PHRASE), ("the same again: ", OTHER)]
    code, screen = on_terminal(device, NEW, answers)
    assert (code, "the two pass phrases differ" in screen) == (2, True)
    assert PHRASE not in screen
    assert OTHER not in screen
    assert not Path("key.pem").exists()


def test_nothing_typed(device: Path) -> None:
    """An empty answer is no pass phrase."""
    code, screen = on_terminal(device, NEW, [("pass phrase of the new key: ", "")])
    assert code == 2
    assert "was typed" in screen
    assert not Path("key.pem").exists()


def test_asked_once_to_sign(locked: Path) -> None:
    """To seal with an encrypted key its pass phrase is asked for by the key's name, once, unseen."""
    words = (*JOIN, "-o", "tide.hex", *ENCRYPTED)
    code, screen = on_terminal(locked, words, [("pass phrase of key.pem: ", PHRASE)])
    assert code == 0, screen
    assert screen.count("pass phrase of") == 1
    assert PHRASE not in screen
    assert len(seal_of(locked / "tide.hex").signers) == 1


def test_a_wrong_one(locked: Path) -> None:
    """A wrong pass phrase is told, without it, and nothing is written."""
    words = ("-v", *JOIN, "-o", "tide.hex", *ENCRYPTED)
    code, screen = on_terminal(locked, words, [("pass phrase of key.pem: ", OTHER)])
    assert code == 2
    assert "the pass phrase does not open the key" in screen
    assert OTHER not in screen
    assert not Path("tide.hex").exists()


def test_stopped_while_asked(locked: Path) -> None:
    """Ctrl-C at the question ends the command with 130 and no output."""
    words = (*JOIN, "-o", "tide.hex", *ENCRYPTED)
    code, screen = on_terminal(locked, words, [("pass phrase of key.pem: ", "half of it\x03")])
    assert code in (130, -signal.SIGINT)
    assert "Traceback" not in screen
    assert not Path("tide.hex").exists()


def test_nobody_to_ask(locked: Path, gemel: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a terminal or an option the error names both options; nothing is read from stdin."""
    with open(os.devnull) as nothing:
        monkeypatch.setattr("sys.stdin", nothing)
        done = gemel(*JOIN, "-o", "tide.hex", *ENCRYPTED)
        made = gemel("keys", "new", "Ed25519", "-o", "new.pem")
    for ended in (done, made):
        assert ended.code == 2
        assert "no terminal" in ended.err
        assert "--pass-phrase-file" in ended.err
        assert "--pass-phrase-env" in ended.err
    assert not Path("new.pem").exists()


@pytest.mark.parametrize("ending", ["", "\n", "\r\n"])
def test_from_a_file(locked: Path, gemel: Run, ending: str) -> None:
    """A file with the pass phrase opens the key, whatever its line ends with."""
    Path("phrase").write_bytes((PHRASE + ending).encode())
    done = gemel(*JOIN, "-o", "tide.hex", *ENCRYPTED, "--pass-phrase-file", "phrase")
    assert done.code == 0, done.err
    assert PHRASE not in done.everything


def test_from_the_environment(locked: Path, gemel: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """A variable of the environment opens the key."""
    monkeypatch.setenv("RELEASE_PHRASE", PHRASE)
    done = gemel(*JOIN, "-o", "tide.hex", *ENCRYPTED, "--pass-phrase-env", "RELEASE_PHRASE")
    assert done.code == 0, done.err
    assert PHRASE not in done.everything


def test_of_a_new_key_from_a_file(device: Path, gemel: Run) -> None:
    """A new key's pass phrase from a file is not asked for again; the key is encrypted with it."""
    Path("phrase").write_text(PHRASE, encoding="utf-8")
    assert gemel(*NEW, "--pass-phrase-file", "phrase").code == 0
    assert is_encrypted(Path("key.pem").read_bytes())
    load_private_key(Path("key.pem").read_bytes(), "key.pem", PHRASE.encode())


def test_one_for_all_or_one_for_each(device: Path, gemel: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """One pass phrase serves all keys; several go to the keys in order; another number is an error."""
    for name, phrase in (("a", "first"), ("b", "second"), ("c", "first")):
        write_key(device / f"{name}.pem", "Ed25519", phrase.encode())
        monkeypatch.setenv(name.upper(), phrase)
    write_key(device / "plain.pem")

    def join(keys: str, names: str) -> tuple[int, str]:
        words = [word for key in keys.split() for word in ("--key", f"{key}.pem")]
        words += [word for name in names.split() for word in ("--pass-phrase-env", name)]
        done = gemel(*JOIN, "-o", "tide.hex", *words)
        return done.code, done.err

    assert join("a c", "A") == (0, "")
    assert join("a plain b", "A B") == (0, "")
    assert join("a b", "B A")[0] == 2
    code, said = join("a b c", "A B")
    assert (code, "3: one for each" in said) == (2, True)


FAULTS = {
    "a file that is not there": (("--pass-phrase-file", "hunter2"), "cannot be read"),
    "a folder": (("--pass-phrase-file", "."), "cannot be read"),
    "an empty file": (("--pass-phrase-file", "empty"), "nothing"),
    "several lines": (("--pass-phrase-file", "lines"), "several lines"),
    "a variable that is not set": (("--pass-phrase-env", "hunter2"), "not set"),
    "an empty variable": (("--pass-phrase-env", "EMPTY"), "empty"),
    "both": (("--pass-phrase-env", "HOME", "--pass-phrase-file", "lines"), "--pass-phrase-file or"),
}


@pytest.mark.parametrize("name", FAULTS)
def test_what_cannot_be_had(locked: Path, gemel: Run, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """Each way of not having a pass phrase is one error that repeats nothing of what was typed there."""
    Path("empty").touch()
    Path("lines").write_text("hunter2\nhunter2\n")
    monkeypatch.setenv("EMPTY", "")
    words, said = FAULTS[name]
    done = gemel("-v", *JOIN, "-o", "tide.hex", *ENCRYPTED, *words)
    assert (done.code, done.err.count("error: ")) == (2, 1)
    assert said in done.err
    assert "hunter2" not in done.everything


def test_a_pass_phrase_for_a_key_that_has_none(device: Path, gemel: Run) -> None:
    """A pass phrase that no key needs is an error: somebody believes that the key is protected."""
    write_key(device / "key.pem")
    Path("phrase").write_text(PHRASE, encoding="utf-8")
    done = gemel(*JOIN, "-o", "tide.hex", *ENCRYPTED, "--pass-phrase-file", "phrase")
    assert (done.code, "no key needs one" in done.err) == (2, True)
    assert gemel("keys", "show", "key-pub.pem", "--pass-phrase-file", "phrase").code == 2
    both = gemel(*NEW[:-1], "new.pem", "--pass-phrase-file", "phrase", "--no-pass-phrase")
    assert (both.code, Path("new.pem").exists()) == (2, False)


def test_no_option_takes_a_pass_phrase_itself() -> None:
    """Of all options of the commands with keys, those about pass phrases name a file or variable."""
    commands = [join_command, sign_command, *(keys_command.below or {}).values()]
    names = {name for command in commands for option in command.parameters for name in option.words}
    about = {name for name in names if any(word in name for word in ("phrase", "pass", "pin", "secret"))}
    assert about == {"--pass-phrase-file", "--pass-phrase-env", "--no-pass-phrase", "--weak-pass-phrase"}

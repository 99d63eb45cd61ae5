"""Completion in bash, zsh and fish: builds, rules, topics, algorithms, and files by suffix."""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from in_process import run_here
from runs import environment, write_device
from terminal import program_on_terminal
from tools import required_tool

SHELLS = ("bash", "zsh", "fish")


@pytest.fixture(scope="module")
def device(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small device as files, with an image, a key and a folder."""
    folder = write_device(tmp_path_factory.mktemp("device"))
    (folder / "tide.hex").write_text(":00000001FF\n")
    (folder / "last.sarif").write_text("{}")
    (folder / "note.txt").write_text("not for an image")
    (folder / "release.pem").write_text("")
    (folder / "builds").mkdir()
    (folder / "builds" / "sampler.elf").write_bytes(b"\x7fELF")
    return folder


def offered(shell: str, device: Path, *words: str) -> set[str]:
    """What the shell is told for the last of ``words``, by the protocol of click's script for it."""
    line = " ".join(("gemel", *words))
    variables = {"_GEMEL_COMPLETE": f"{shell}_complete", "COMP_WORDS": line, "COMP_CWORD": str(len(words))}
    if shell == "fish":
        variables["COMP_CWORD"] = words[-1]
    done = run_here(cwd=device, changes=variables)
    assert done.stderr == ""
    lines = done.stdout.splitlines()
    if shell == "zsh":
        return set(lines[1::3])
    values = {line.partition(",")[2].partition("\t")[0] for line in lines}
    return {" ".join(shlex.split(value)) for value in values} if shell == "bash" else values


CASES = {
    "layouts, images and builds": (
        ("check", "small.toml", ""),
        {"tide.hex", "station=", "sampler=", "builds/"},
    ),
    "builds that are not given yet": (
        ("check", "small.toml", "tide.hex", "station=station.elf", "sa"),
        {"sampler="},
    ),
    "files of a build": (("join", "small.toml", "station=s"), {"station=station.elf", "station=sampler.elf"}),
    "files in a folder": (("join", "small.toml", "sampler=builds/"), {"sampler=builds/sampler.elf"}),
    "layouts": (("check", "sm"), {"small.toml"}),
    "folders of a release": (("check", "--release", ""), {"builds/"}),
    "topics and rules": (("explain", "re"), {"record", "rehearsal", "record-sound", "reset-handler-in-code"}),
    "cores of the layout": (("where", "small.toml", "tide.hex", "--core", "s"), {"station", "sampler"}),
    "the core to export for": (("export", "linker", "small.toml", "--core", "sta"), {"station"}),
    "the core to export for, after =": (("export", "linker", "small.toml", "--core=sta"), {"--core=station"}),
    "keys": (("check", "--trust", "rel"), {"release.pem"}),
    "algorithms": (("keys", "new", "Ed"), {"Ed25519"}),
    "forms": (("check", "--format", "s"), {"sarif"}),
    "what an index is searched by": (("audit", "--find", "pro"), {"product="}),
    "rules that an index is searched by": (("audit", "--find", "finding=seal-p"), {"finding=seal-present"}),
    "commands": (("re",), {"rehearse"}),
}


@pytest.mark.parametrize("shell", SHELLS)
@pytest.mark.parametrize("case", CASES)
def test_what_is_offered(device: Path, shell: str, case: str) -> None:
    """Each shell is told what fits, and no file of another kind."""
    words, due = CASES[case]
    found = offered(shell, device, *words)
    assert due <= found
    assert "note.txt" not in found
    assert all(each.startswith((words[-1], words[-1].partition("=")[2])) for each in found)


def test_a_layout_that_cannot_be_read_offers_no_builds(device: Path) -> None:
    """Completion never fails over a layout with faults."""
    (device / "broken.toml").write_text("format = ")
    assert "station=" not in offered("bash", device, "check", "broken.toml", "")


@pytest.mark.parametrize("shell", SHELLS)
def test_names_that_a_terminal_obeys_are_not_offered(tmp_path: Path, shell: str) -> None:
    """The attack: a file called after an escape sequence, which the shell shows as it is; or after two lines."""
    for name in ("\x1b]0;x\x07.hex", "\x9b2J.hex", "a\u202eb.hex", "a\nb.hex", "größe 1.hex"):
        (tmp_path / name).touch()
    (tmp_path / "\x1b[2J").mkdir()
    assert offered(shell, tmp_path, "check", "") == {"größe 1.hex"}


@pytest.mark.parametrize("shell", SHELLS)
def test_the_script_is_sound_for_its_shell(device: Path, shell: str) -> None:
    """The shell itself reads the script without an error, where it is installed."""
    program = shutil.which(shell)
    if program is None:
        pytest.skip(f"{shell} is not installed")
    variables = {**environment(), "_GEMEL_COMPLETE": f"{shell}_source"}
    start = [
        sys.executable,
        "-c",
        "import sys; sys.argv[0] = 'gemel'; from gemel.cli.entry import run; run()",
    ]
    script = subprocess.run(start, env=variables, capture_output=True, text=True, check=False).stdout
    assert "_GEMEL_COMPLETE" in script
    read = subprocess.run([program, "-n"], input=script, capture_output=True, text=True, check=False)
    assert (read.returncode, read.stderr) == (0, "")


LIVE = {
    "bash": (("--norc", "--noprofile", "-i"), 'eval "$(_GEMEL_COMPLETE=bash_source gemel)"'),
    "zsh": (
        ("-f", "-i"),
        'autoload -Uz compinit; compinit -u -D; bindkey -e; eval "$(_GEMEL_COMPLETE=zsh_source gemel)"',
    ),
    "fish": (("--no-config", "-i"), "_GEMEL_COMPLETE=fish_source gemel | source"),
}
"""How each shell is started without files of its user, and the line of the README that switches completion on."""

TO_START, TAB = "\x01", "\t"


def _shell(
    shell: str, home: Path, typed: list[tuple[str, str]]
) -> tuple[list[str], list[tuple[str, str]], dict[str, str]]:
    """The shell's command, what is typed after completion is switched on, and its environment."""
    program = required_tool(shell)
    shim = home / "gemel"
    shim.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m gemel "$@"\n', encoding="utf-8")
    shim.chmod(0o755)
    variables = {
        **environment(),
        "PATH": f"{home}:{os.environ['PATH']}",
        "TERM": "dumb",
        "HOME": str(home),
    }
    words, switch_on = LIVE[shell]
    return [program, *words], [("", f"{switch_on}\necho rea''dy\n"), *typed], variables


@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are POSIX")
@pytest.mark.parametrize("shell", LIVE)
def test_the_tab_key(device: Path, tmp_path: Path, shell: str) -> None:
    """In the shell itself a tab completes an image, a build's name and, right after its =, a file; a rule; a kind."""
    said = f"{TO_START}echo sa''id \n"  # the shell prints the line as it is after the tabs
    typed = [
        ("ready\r\n", f"gemel check small.toml ti{TAB}"),
        ("de.hex", f"--report=la{TAB}"),
        ("st.sarif", f"sa{TAB}"),
        ("mpler=", f"stat{TAB}"),
        ("ion.elf", said),
        (
            "said gemel check small.toml tide.hex --report=last.sarif sampler=station.elf",
            f"gemel explain reset-handler-in-c{TAB}",
        ),
        ("ode", said),
        ("said gemel explain reset-handler-in-code", f"gemel keys new ML-DSA-8{TAB}"),
        ("7", said),
        ("said gemel keys new ML-DSA-87", "exit\n"),
    ]
    code, screen = program_on_terminal(device, *_shell(shell, tmp_path, typed))
    assert code == 0, screen


HOSTILE = {
    "with space.hex": "wi",
    "$(touch obeyed).hex": r"\$",
    "a;touch obeyed.hex": "a",
    "it's `touch obeyed`.hex": "it",
    'q"&uote.hex': "q",
    "big ~*?[x].hex": '"big',
    "sub dir/in $HOME.hex": "'sub dir/i",
    "co:lon.hex": "co:l",
}
"""Names of files, and what is typed of each before the tab."""


@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are POSIX")
@pytest.mark.parametrize("shell", LIVE)
def test_names_that_a_shell_obeys_are_quoted(tmp_path: Path, shell: str) -> None:
    """The attack: a file whose name is a command. What is completed is one word, the name of the file."""
    folder = tmp_path / "images"
    for name in HOSTILE:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).touch()
    said = f"{TO_START}printf '<%s>' sa''id \n"
    typed, before = [], "ready\r\n"
    for name, begun in HOSTILE.items():
        typed += [(before, f"gemel check {begun}{TAB}"), (".hex", said)]
        before = f"<said><gemel><check><{name}>"
    code, screen = program_on_terminal(folder, *_shell(shell, tmp_path, [*typed, (before, "exit\n")]))
    assert code == 0, screen
    assert not (folder / "obeyed").exists()


@pytest.mark.parametrize("asked", ["ksh_source", "zsh", "bash-complete", "powershell_source"])
def test_a_shell_without_completion_is_named(device: Path, asked: str) -> None:
    """A line in a profile that asks for what there is not says what there is, and fails."""
    done = run_here(cwd=device, changes={"_GEMEL_COMPLETE": asked})
    assert (done.returncode, done.stdout) == (2, "")
    assert asked in done.stderr
    assert "bash_source, zsh_source, fish_source" in done.stderr

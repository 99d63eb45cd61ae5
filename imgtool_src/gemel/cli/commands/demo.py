"""``gemel demo``."""

from __future__ import annotations

import contextlib
import os
import sys
from importlib.util import find_spec

from gemel.cli.declared import FILE, argument, sub_command
from gemel.cli.echo import echo
from gemel.demo import BUILDS, FAULTY, FAULTY_START, LAYOUT, demo_files
from gemel.errors import OutputError, UsageProblem
from gemel.files.paths import FilePath
from gemel.structs import NamedTuple, Struct
from gemel.text.escaping import on_one_line
from gemel.text.wrapping import wrapped

GIVEN = tuple(f"{name.removesuffix('.elf')}={name}" for name in BUILDS)
JOIN = ("join", LAYOUT, *GIVEN, "-o", "tide.hex", "-o", "tide.bin")
CHECK = ("check", LAYOUT, "tide.hex", *GIVEN)
SHOW = ("show", LAYOUT, "tide.hex", *GIVEN)
MISTAKE = ("join", LAYOUT, GIVEN[0], f"sampler={FAULTY}", "-o", "wrong.hex")
REHEARSE = ("rehearse", LAYOUT, "tide.hex", *GIVEN)
JOIN_FAULTY_START = ("join", LAYOUT, f"station={FAULTY_START}", GIVEN[1], "-o", "silent.hex")
REHEARSE_FAULTY_START = (
    *("rehearse", LAYOUT, "silent.hex", f"station={FAULTY_START}", GIVEN[1]),
    *("--budget", "2000000"),
)

INTRODUCTION = (
    "A harbour tide gauge runs on a microcontroller with two cores. The station (primary) starts at reset and reports;"
    " the sampler (secondary) measures, and stays in reset until the station writes it a boot address and releases it."
    " Two teams built them separately:"
)
FILES = (
    (LAYOUT, "the device: memories, cores, and what is where"),
    ("station.elf", "the station team's build"),
    ("sampler.elf", "the sampler team's build"),
    (FAULTY, "the sampler again, linked at a wrong address"),
    (FAULTY_START, "the station again, which releases the sampler at a wrong address"),
)


class DemoStep(NamedTuple):
    """One step: what is said first, the command, and the exit code it must end with."""

    title: str
    remark: str
    arguments: tuple[str, ...]
    due: int


STEPS = (
    DemoStep(
        "1. Join the two builds into one flash image, as Intel HEX and as raw binary.",
        "The image is checked before it is written: every rule must hold.",
        JOIN,
        0,
    ),
    DemoStep("2. Check the image, as the team that receives it would, with both builds given.", "", CHECK, 0),
    DemoStep("3. See what is in it.", "", SHOW, 0),
    DemoStep(
        "4. A mistake being caught: the sampler was linked at another address than the one at which the "
        "station starts it.",
        "On the bench this is a core that stays silent. Here it is an exit code of 1, and no file:",
        MISTAKE,
        1,
    ),
    DemoStep("5. Start both cores from the image's own bytes, in an emulated device.", "", REHEARSE, 0),
    DemoStep(
        "6. A mistake in the code: this station skips a header that is not there.",
        "Its constants are right, so it joins, with a warning:",
        JOIN_FAULTY_START,
        0,
    ),
    DemoStep("7. The warning is right: it does not start both cores.", "", REHEARSE_FAULTY_START, 1),
)

CLOSING = (
    "A passing check is evidence, not a safety approval: a wrong image can brick hardware or make it unsafe, and what"
    " may run on your product is for your own procedures and licensed practice to decide."
)

STOPPED = 128
"""Exit codes above it are those of a run that a signal ended."""

NOT_INSTALLED = "the emulator is not installed; pip install 'gemel[rehearse]'"


class DemoArguments(Struct, kw_only=True):
    """The words and options of ``gemel demo``."""

    folder: FilePath | None = argument(required=False, kind=FILE)


@sub_command("demo", DemoArguments, exits="0 every step ended as expected; 1 one did not")
def command(asked: DemoArguments) -> int:
    """Join, check, show and rehearse the built-in tide gauge, and two mistakes being caught.

    The files are left in FOLDER (a new or empty one; without it, a new tide-gauge-demo here), with the
    commands to repeat each step by hand.

    \b
    Example:
      gemel demo tide-gauge
    """
    from gemel.cli.endings import kept_when_stopped
    from gemel.cli.printing import wrapped

    target = _target(asked.folder)
    _unpack(target)
    stdout = sys.stdout
    here = on_one_line(str(target))
    listed = [line for name, what in FILES for line in wrapped(what, stdout, f"  {name:<25}  ")]
    _say(INTRODUCTION)
    echo("\n".join(["", *listed, "", f"Everything below is run in {here}", ""]))
    with kept_when_stopped(f"the files made so far are in {here}"):
        return _made(target, here)


def _made(target: FilePath, here: str) -> int:
    """Make every step in the demo's folder; the exit code."""
    from gemel.cli.printing import print_diagnostic, styled, wrapped

    stdout, as_expected, made = sys.stdout, True, 0
    for step in STEPS:
        echo("\n".join(styled(line, stdout, bold=True) for line in wrapped(step.title, stdout)))
        if step.arguments[0] == "rehearse" and find_spec("unicorn") is None:
            echo(f"Left out: {NOT_INSTALLED}\n")
            continue
        if step.remark:
            _say(step.remark)
        echo(f"\n$ {shown(step.arguments)}")
        if stdout is not None:  # it is, where the demo was started without one
            stdout.flush()
        code = _run(target, step.arguments)
        if code > STOPPED:
            print_diagnostic(f"the files made so far are in {here}")
            return code
        made += 1
        echo(f"exit code {code}\n")
        as_expected = as_expected and code == step.due
    _say(f"The files are in {here}; commands.txt there repeats each step: sh commands.txt")
    _say(CLOSING)
    echo("")
    ended = "as expected; mistakes were caught" if as_expected else "NOT as expected"
    echo(styled(f"All {made} steps ended {ended}.", stdout, fg="green" if as_expected else "red", bold=True))
    return 0 if as_expected else 1


def _say(text: str) -> None:
    """A paragraph, as wide as the terminal."""
    from gemel.cli.printing import wrapped

    echo("\n".join(wrapped(text, sys.stdout)))


def shown(arguments: tuple[str, ...]) -> str:
    """A command as it is typed."""
    return " ".join(("gemel", *arguments))


def _as_script(step: DemoStep) -> str:
    """A step as lines for a shell: what it is in comments, then the command."""
    said = [
        *wrapped(step.title, 78),
        *([f"It must end with exit code {step.due}."] if step.due else []),
    ]
    return "".join(f"# {line}\n" for line in said) + f"{shown(step.arguments)}\n\n"


def _target(folder: FilePath | None) -> FilePath:
    """The folder for the demo's files: the one requested if it is new or empty, else a new one."""
    if folder is None:
        names = ("tide-gauge-demo", *(f"tide-gauge-demo-{number}" for number in range(2, 1000)))
        return next(FilePath(name) for name in names if not os.path.exists(name))
    if os.path.exists(folder) and (not os.path.isdir(folder) or os.listdir(folder)):
        raise UsageProblem(
            "the demo needs a folder of its own",
            where=str(folder),
            found="a file" if not os.path.isdir(folder) else "a folder with files in it",
            expected="none",
            next_step="name a new folder; the demo never overwrites",
        )
    return folder


def _unpack(target: FilePath) -> None:
    from gemel.files.outputs import write_all

    commands = "".join(map(_as_script, STEPS))
    try:
        os.makedirs(target, exist_ok=True)
        files = demo_files()
    except OSError as error:
        raise OutputError(
            "the demo's files cannot be laid out",
            where=str(target),
            found=error.strerror or str(error),
            next_step="name a folder where you may write",
        ) from error
    write_all({target / name: [data] for name, data in {**files, "commands.txt": commands.encode()}.items()})


def _run(target: FilePath, arguments: tuple[str, ...]) -> int:
    """Run one command of ours in the demo's folder; its exit code."""
    from gemel.cli.main import exit_code

    with contextlib.chdir(target):
        return exit_code(arguments)

"""The command ``gemel``: its sub-commands by name, loaded when used, and how errors become exit codes."""

from __future__ import annotations

import gc
import importlib
import sys
from collections.abc import Sequence
from io import TextIOWrapper
from typing import Any

import click

from gemel.version import __version__

COMMANDS = {
    "demo": "Join, check, show and rehearse the built-in tide gauge, and two mistakes being caught.",
    "draft": "Draft a first layout from the builds.",
    "join": "Join the builds of a layout into one flash image.",
    "sign": "Seal an image that was joined before.",
    "check": "Check an image against its layout, with the builds if they are at hand.",
    "show": "Show what is in an image.",
    "rehearse": "Run the reset code of both cores from an image in an emulated device, "
    "and say what happened.",
    "keys": "Make and show the keys that images are sealed with.",
    "export": "Write out what both teams need from a layout or from gemel.",
    "explain": "Explain the rules, one rule, or the format of the record.",
}
"""Each sub-command and the first sentence of its help; its module is ``gemel.cli.commands.NAME``."""


class LateGroup(click.Group):
    """A group that imports a sub-command's module only when that command is used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The commands in the order in which a new user meets them."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of that name, imported now."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"gemel.cli.commands.{cmd_name}")
        command: click.Command = module.command
        return command

    def resolve_command(self, ctx: click.Context, args: list[str]) -> Any:
        """As click does, with the nearest command's name where the given one is unknown."""
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            from gemel.errors import Problem, UsageProblem
            from gemel.layout.kinds import nearest_hint

            hint = nearest_hint(args[0], COMMANDS) or "gemel --help"
            expected = f"one of {', '.join(COMMANDS)}"
            raise UsageProblem(
                Problem(
                    "no command of this name", where="gemel", found=args[0], expected=expected, next_step=hint
                )
            )
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing any of them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


EPILOG = (
    "A passing check is evidence, not a safety approval. A wrong image can brick hardware or make it unsafe. "
    "Exit codes: 0 all holds; 1 a rule is broken; 2 the work could not be done."
)


@click.group(cls=LateGroup, epilog=EPILOG, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, "--version", message="%(prog)s %(version)s")
@click.option("-v", "--verbose", is_flag=True, help="Show the cause behind an error.")
@click.pass_context
def gemel(ctx: click.Context, verbose: bool) -> None:
    """Join the builds of a two-core microcontroller into one flash image, prove it, and show it.

    \b
    Example:
      gemel demo tide-gauge
    """
    ctx.obj = {"verbose": verbose}


def prepare_process() -> None:
    """Set this process up for one command and out."""
    # The search for cycles would take a tenth of a join's time and find nothing.
    gc.disable()
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def exit_code(arguments: Sequence[str]) -> int:
    """Run one command line in this process and say on stderr what went wrong; the exit code."""
    try:
        result = gemel.main(list(arguments), prog_name="gemel", standalone_mode=False)
        return result if isinstance(result, int) else 0
    except BaseException as error:
        from gemel.cli.endings import exit_code_of

        return exit_code_of(error, verbose=bool({"-v", "--verbose"} & set(arguments[:1])))

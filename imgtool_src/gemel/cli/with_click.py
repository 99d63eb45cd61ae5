"""The command line as click's commands, made from the declarations: for help, and for lines that need an answer."""

from __future__ import annotations

from typing import Any

import click

from gemel.cli.catalogue import COMMANDS, EPILOG, HELP, loaded
from gemel.cli.declared import Choice, Command, Converted, FileName, IntRange, Kind, Parameter
from gemel.version import __version__


def clicked(command: Command) -> click.Command:
    """The declared command as click has it, with those below it."""
    parameters = [_parameter(each) for each in command.parameters]
    if command.below is None:
        return click.Command(command.name, callback=command.function, params=parameters, help=command.help)
    below = {name: clicked(each) for name, each in command.below.items()}
    return click.Group(
        command.name, callback=command.function, params=parameters, help=command.help, commands=below
    )


def _parameter(declared: Parameter) -> click.Parameter:
    if not declared.words:
        return click.Argument(
            [declared.name],
            type=_type(declared.kind),
            metavar=declared.metavar,
            nargs=-1 if declared.multiple else 1,
            required=declared.required,
        )
    words: dict[str, Any] = {}
    if not declared.is_flag:
        words["type"] = _type(declared.kind)
    elif not declared.off_words:
        words["is_flag"] = True
    if declared.default is not None:
        words["default"] = declared.default
    return click.Option(
        [*_written(declared), declared.name],
        metavar=declared.metavar,
        multiple=declared.multiple,
        required=declared.required,
        help=declared.help,
        **words,
    )


def _written(declared: Parameter) -> list[str]:
    """The words as click takes them: with a slash before those that switch a flag off."""
    if not declared.off_words:
        return list(declared.words)
    return [f"{on}/{off}" for on, off in zip(declared.words, declared.off_words, strict=True)]


def _type(kind: Kind) -> Any:
    if isinstance(kind, FileName):
        from pathlib import Path

        return click.Path(path_type=Path, readable=False)
    if isinstance(kind, Choice):
        return click.Choice(kind.options)
    if isinstance(kind, IntRange):
        return click.IntRange(kind.low, kind.high)
    return kind.convert if isinstance(kind, Converted) else None


class LateGroup(click.Group):
    """A group that imports a sub-command's module only when that command is used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The commands in the order in which a new user meets them."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of that name, imported now."""
        if cmd_name not in COMMANDS:
            return None
        return clicked(loaded(cmd_name))

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


@click.group(
    cls=LateGroup, help=HELP, epilog=EPILOG, context_settings={"help_option_names": ["-h", "--help"]}
)
@click.version_option(__version__, "--version", message="%(prog)s %(version)s")
@click.option("-v", "--verbose", is_flag=True, help="Show the cause behind an error.")
@click.pass_context
def gemel(ctx: click.Context, verbose: bool) -> None:
    """Do what every command needs first."""
    ctx.obj = {"verbose": verbose}


def missing_argument(command: Command, name: str) -> click.UsageError:
    """What to raise where a command finds for itself that an argument is missing."""
    parent = click.Context(gemel, info_name="gemel", **gemel.context_settings)
    context = click.Context(clicked(command), info_name=command.name, parent=parent)
    return click.MissingParameter(ctx=context, param_hint=name, param_type="argument")

"""The command line as click's commands, made from the declarations: for help, and for lines that need an answer."""

from __future__ import annotations

from typing import Any

import click

from gemel.cli.catalogue import COMMANDS, EPILOG, HELP, loaded
from gemel.cli.declared import Choice, Command, Converted, FileName, IntRange, Kind, Parameter
from gemel.cli.first_help import MAX_WIDTH
from gemel.errors import UsageProblem
from gemel.version import __version__

GENERAL = "General"
GROUPS: dict[str, tuple[str, ...]] = {
    "Input": (
        *(
            "--layout",
            "--layouts",
            "--no-layout",
            "--paths-outside",
            "--old-layout",
            "--joined-with",
            "--release",
        ),
        *("--at", "--as", "--from-device", "--image", "--list", "--map", "--svd", "--symbols", "--build-id"),
    ),
    "Version and counter": ("--version", "--rollback"),
    "Keys and signatures": (
        *("--key", "--pass-phrase-file", "--pass-phrase-env", "--no-pass-phrase", "--weak-pass-phrase"),
        *("--key-open-to-others", "--leave-unsealed", "--public", "--to-be-signed", "--signature"),
        *("--add", "--more-to-come"),
    ),
    "Required of the image": ("--trust", "--policy", "--at-least", "--previous"),
    "Checks": (
        *("--disassemble", "--rehearse", "--read-back", "--date", "--strict", "--jobs"),
        *("--budget", "--watch", "--interleavings"),
    ),
    "Index of images": ("--index", "--blocks", "--again", "--find"),
    "Documents": ("--sbom", "--vex", "--builder"),
    "Result": (
        *("--output", "--force", "--memory", "--memory-files", "--dry-run", "--core"),
        *("--format", "--report", "--all", "--quiet"),
    ),
    GENERAL: ("--color", "--verbose", "--help"),
}
"""Each heading with its options, by their long words, in the order of the help."""


def group_of(words: tuple[str, ...]) -> str:
    """The heading of an option by its words; StopIteration cannot happen: a test holds every option to the table."""
    return next(heading for heading, options in GROUPS.items() if not set(words).isdisjoint(options))


SETTINGS: dict[str, Any] = {"help_option_names": ["-h", "--help"], "max_content_width": MAX_WIDTH}
"""Help as wide as the terminal."""


def clicked(command: Command) -> click.Command:
    """The declared command as click has it, with those below it."""
    parameters = [_parameter(each) for each in command.parameters]
    if command.below is None:
        return _Clicked(command, parameters)
    return click.Group(
        command.name,
        callback=lambda **values: None,
        params=parameters,
        help=command.help,
        commands={name: clicked(each) for name, each in command.below.items()},
        context_settings=SETTINGS,
    )


class _Clicked(click.Command):
    """A declared command: options in groups, those that are required in the usage."""

    def __init__(self, declared: Command, parameters: list[click.Parameter]) -> None:
        super().__init__(
            declared.name,
            callback=declared.run,
            params=parameters,
            help=declared.help,
            epilog=declared.exits,
            context_settings=SETTINGS,
        )
        self.declared = declared

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """As click does, with the implied values of options that stand alone."""
        try:
            rest = super().parse_args(ctx, self.declared.written_out(args))
        except click.UsageError as error:
            error.ctx = error.ctx or ctx  # an option without its value comes without
            raise
        for each in () if ctx.resilient_parsing else self.declared.parameters:
            if each.unless and each.required and not (ctx.params[each.name] or ctx.params[each.unless]):
                missing = next(param for param in self.params if param.name == each.name)
                raise click.MissingParameter(ctx=ctx, param=missing)
        return rest

    def collect_usage_pieces(self, ctx: click.Context) -> list[str]:
        """``-o IMAGE LAYOUT [NAME=BUILD]... [OPTIONS]``: what must be given, then the rest."""
        required = [
            f"{each.words[0]} {each.metavar}"
            for each in self.declared.parameters
            if each.words and each.required
        ]
        options, *arguments = super().collect_usage_pieces(ctx)
        return [*arguments, *required, options]

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The options under the headings of their groups, --help last."""
        groups: dict[str, list[tuple[str, str]]] = {heading: [] for heading in GROUPS}
        for parameter in self.get_params(ctx):
            row = None if isinstance(parameter, click.Argument) else parameter.get_help_record(ctx)
            if row is None:
                continue
            groups[group_of(tuple(parameter.opts))].append(row)
        for heading, rows in groups.items():
            if rows:
                with formatter.section(heading):
                    formatter.write_dl(rows)


def _parameter(declared: Parameter) -> click.Parameter:
    if not declared.words:
        return click.Argument(
            [declared.name],
            type=_type(declared.kind),
            metavar=declared.metavar,
            nargs=-1 if declared.multiple else 1,
            required=declared.required,
            shell_complete=_completion(declared.name),
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
        required=declared.required and not declared.unless,
        help=declared.help,
        shell_complete=_completion(declared.name),
        **words,
    )


def _completion(name: str) -> Any:
    """What a shell may complete for the parameter of that name; None: what its type says."""
    from gemel.cli.completion import COMPLETIONS

    complete = COMPLETIONS.get(name)
    if complete is None:
        return None

    def offered(context: click.Context, parameter: click.Parameter, incomplete: str) -> Any:
        # Click leaves the words unassigned where an option lacks the value that is to be completed.
        words = context.params.get("words") or context.params.get("given") or context.args
        layout = context.params.get("layout")
        return list(complete([*words, *([str(layout)] if layout else [])], incomplete))

    return offered


def _written(declared: Parameter) -> list[str]:
    """The words as click takes them: with a slash before those that switch a flag off."""
    if not declared.off_words:
        return list(declared.words)
    return [f"{on}/{off}" for on, off in zip(declared.words, declared.off_words, strict=True)]


def _type(kind: Kind) -> Any:
    if isinstance(kind, FileName):
        from gemel.files.paths import FilePath

        return click.Path(path_type=FilePath, readable=False)
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
            from gemel.cli import everyday_names
            from gemel.errors import nearest_hint

            meant = everyday_names.COMMANDS.get(args[0].casefold())
            hint = f"write: gemel {meant}" if meant else nearest_hint(args[0], COMMANDS) or "gemel --help"
            expected = f"one of {', '.join(COMMANDS)}"
            raise UsageProblem(
                "unknown command", where="gemel", found=args[0], expected=expected, next_step=hint
            )
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing any of them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(cls=LateGroup, help=HELP, epilog=EPILOG, context_settings=SETTINGS)
@click.version_option(__version__, "--version", message="%(prog)s %(version)s")
@click.option("-v", "--verbose", is_flag=True, help="Show the cause of an error.")
@click.pass_context
def gemel(ctx: click.Context, verbose: bool) -> None:
    """Do what every command needs first."""
    ctx.obj = {"verbose": verbose}


def answer(variable: str, instruction: str) -> int:
    """Print what a shell requires by ``variable``: its script, or what may be completed; the exit code."""
    from click.shell_completion import shell_complete

    from gemel.cli.completion import SHELLS, use
    from gemel.errors import nearest_hint

    use()
    asked = [f"{shell}_{what}" for what in ("source", "complete") for shell in SHELLS]
    if instruction not in asked:
        step = nearest_hint(instruction, asked)
        expected = f"{variable} as one of {', '.join(asked[: len(SHELLS)])}"
        what = "no completion for this shell"
        raise UsageProblem(what, where=variable, found=instruction, expected=expected, next_step=step)
    return shell_complete(gemel, {}, "gemel", variable, instruction)

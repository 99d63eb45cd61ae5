"""Wrong usage as problems: what click finds wrong with a command line, in the shape of all other errors."""

from __future__ import annotations

import re

import click

from gemel.cli.everyday_names import VALUES, option_meant
from gemel.errors import Problem, nearest_hint

_QUOTED = re.compile(r"'(.*)' is not one of", re.DOTALL)
"""How click begins what it says of a value that is none of a choice's."""

_NUMBER = re.compile(r"'?(.*?)'? is not (?:in the range|a valid integer)", re.DOTALL)
"""How click begins what it says of a value that is no number, or not in a range."""


def problem_of_usage(error: click.ClickException) -> Problem:
    """What is wrong, at which command and parameter, what was found, and where its help is."""
    context = getattr(error, "ctx", None)
    where = context.command_path if context else "gemel"
    step = f"{where} --help"
    if isinstance(error, click.NoSuchOption):
        near = _as_value(error) or _meant(error)
        near = near or nearest_hint(error.option_name, error.possibilities or (), "--")
        step = f"{near} ({step})" if near else step
        return Problem("unknown option", where=where, found=error.option_name, next_step=step)
    if isinstance(error, click.MissingParameter):
        return Problem(f"missing {_missing(error)}", where=where, expected=_usage(context), next_step=step)
    choice = error.param.type if isinstance(error, click.BadParameter) and error.param else None
    given = _QUOTED.match(error.message)
    if isinstance(error, click.BadParameter) and isinstance(choice, click.Choice) and given:
        meant = VALUES.get(given[1].casefold(), "")
        near = (
            f'did you mean "{meant}"?' if meant in choice.choices else nearest_hint(given[1], choice.choices)
        )
        return Problem(
            "unknown value",
            where=f"{where}, {_name(error)}",
            found=given[1],
            expected=f"one of {', '.join(choice.choices)}",
            next_step=f"{near} ({step})" if near else step,
        )
    if (
        isinstance(error, click.BadParameter)
        and isinstance(choice, click.IntRange)
        and (given := _NUMBER.match(error.message))
    ):
        return Problem(
            "not a number in the range",
            where=f"{where}, {_name(error)}",
            found=given[1],
            expected=f"{choice.min:,} to {choice.max:,}",
            next_step=step,
        )
    if isinstance(error, click.BadParameter):
        return Problem(
            _sentence(error.message), where=f"{where}, {_name(error)}".rstrip(", "), next_step=step
        )
    return Problem(_sentence(error.format_message()), where=where, expected=_usage(context), next_step=step)


def _as_value(error: click.NoSuchOption) -> str:
    """What to write where an option is named as a value of one: ``--format json`` for ``--json``."""
    value = error.option_name.lstrip("-")
    parameters = error.ctx.command.params if error.ctx else []
    file = ", or --report FILE for a file" if any("--report" in each.opts for each in parameters) else ""
    for each in parameters:
        if (
            isinstance(each, click.Option)
            and isinstance(each.type, click.Choice)
            and value in each.type.choices
        ):
            return f"write: {max(each.opts, key=len)} {value}{file if each.name == 'form' else ''}"
    return ""


def _meant(error: click.NoSuchOption) -> str:
    """The option that is meant by everyday names; empty where this command has no such one."""
    parameters = error.ctx.command.params if error.ctx else ()
    meant = option_meant(error.option_name, [option for each in parameters for option in each.opts])
    return f'did you mean "{meant}"?' if meant else ""


def _missing(error: click.MissingParameter) -> str:
    """Every required parameter that is not given: what is given is read first, so that the others are missing."""
    context = error.ctx
    missing = [
        each
        for each in (context.command.get_params(context) if context else [])
        if each is error.param or (each.required and each.name not in (context.params if context else {}))
    ]
    return " and ".join(
        f"{each.param_type_name} {_name(click.BadParameter('', context, each))}" for each in missing
    )


def _name(error: click.BadParameter) -> str:
    """The parameter as the help writes it: ``--at``, ``IMAGE``."""
    if isinstance(error.param, click.Option):
        return max(error.param.opts, key=len)
    if error.param is not None:
        name = error.param.make_metavar(error.ctx) if error.ctx else error.param.human_readable_name
        return name if " " in name else name.strip("[].")
    return error.param_hint if isinstance(error.param_hint, str) else ", ".join(error.param_hint or ())


def _usage(context: click.Context | None) -> str:
    """How the command is called; empty where it is not known which one was meant."""
    if context is None:
        return ""
    return " ".join((context.command_path, *context.command.collect_usage_pieces(context)))


def _sentence(message: str) -> str:
    """The sentence of click without its full stop, beginning as our sentences do."""
    text = message.rstrip(".")
    return text[:1].lower() + text[1:]

"""Wrong usage as problems: what click finds wrong with a command line, in the shape of all other errors."""

from __future__ import annotations

import re
from typing import Any

import click

from gemel.errors import Problem

LEAST_ALIKE = 0.65
"""How alike an option that is suggested must be."""


def problem_of_usage(error: click.ClickException) -> Problem:
    """What is wrong, at which command and parameter, what was found, and where its help is."""
    context = getattr(error, "ctx", None)
    where = context.command_path if context else "gemel"
    step = f"{where} --help"
    if isinstance(error, click.NoSuchOption):
        near = ", ".join(each for each in error.possibilities or () if _alike(error.option_name, each))
        step = f"did you mean {near}? ({step})" if near else step
        return Problem("unknown option", where=where, found=error.option_name, next_step=step)
    if isinstance(error, click.MissingParameter):
        return Problem(f"missing {_missing(error)}", where=where, expected=_usage(context), next_step=step)
    if isinstance(error, click.BadParameter):
        kind = error.param.type if error.param else None
        if isinstance(kind, click.Choice):
            return _not_a_choice(error, kind, f"{where}, {_name(error)}", step)
        return Problem(
            _sentence(error.message), where=f"{where}, {_name(error)}".rstrip(", "), next_step=step
        )
    return Problem(_sentence(error.format_message()), where=where, expected=_usage(context), next_step=step)


def _alike(given: str, known: str) -> bool:
    """Whether an option is near to another one without the hyphens that all have in common."""
    from difflib import SequenceMatcher

    return SequenceMatcher(None, given.strip("-"), known.strip("-")).ratio() >= LEAST_ALIKE


def _not_a_choice(error: click.BadParameter, kind: click.Choice[Any], where: str, step: str) -> Problem:
    from gemel.layout.kinds import nearest_hint

    known = [str(each) for each in kind.choices]
    given = re.match(r"'(.*)' is not one of ", error.message, re.S)
    near = nearest_hint(given[1], known) if given else ""
    return Problem(
        "unknown value",
        where=where,
        found=given[1] if given else "",
        expected=f"one of {', '.join(known)}",
        next_step=f"{near} ({step})" if near else step,
    )


def _missing(error: click.MissingParameter) -> str:
    """Every required parameter that is not given: what is given is read first, so that the others are missing."""
    context = error.ctx
    missing = [
        each
        for each in (context.command.get_params(context) if context else [])
        if each.required and each.name not in (context.params if context else {})
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

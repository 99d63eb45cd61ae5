"""Templates, of jinja2 or plain: files next to the modules that fill them; a value that is missing is an error."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jinja2 import Environment


def environment(package: str, finalize: Callable[[object], object], *, autoescape: bool) -> Environment:
    """For the templates in ``package``; ``finalize`` gets each value that a template puts into its text."""
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    return Environment(
        loader=FunctionLoader(lambda name: template_text(package, name)),
        autoescape=autoescape,  # noqa: S701 - off for texts that are no markup, which `finalize` escapes
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=finalize,
    )


def filled(package: str, name: str, parts: Mapping[str, Iterable[str]]) -> str:
    """The text of a file, with the lines of a part in place of each ``{{part}}``; KeyError for an unknown one."""
    import re

    text = template_text(package, name)
    return re.sub(r"\{\{(\w+)\}\}", lambda found: "\n".join(parts[found[1]]), text)


def template_text(package: str, name: str) -> str:
    """The text of the file ``name`` in ``package``."""
    from importlib.resources import files

    return files(package).joinpath(name).read_text(encoding="utf-8")

"""The page templates: each becomes one file that names no other file and asks no network.

The page's policy (Content Security Policy Level 3, as a ``meta`` element) allows its own style and script, each by its
digest.  Everything that comes from a file goes through the template's escaping, `text.markup` or `embedding`.
"""

from __future__ import annotations

import base64
import functools
import hashlib
from itertools import groupby
from typing import TYPE_CHECKING

from gemel.checking.identity import Identity
from gemel.checking.identity_forms import identity_rows
from gemel.spans import Address, format_address, format_size
from gemel.text.escaping import on_one_line
from gemel.text.templates import environment, template_text
from gemel.version import __version__

if TYPE_CHECKING:
    from jinja2 import Environment


def rendered(name: str, script: str = "", **values: object) -> str:
    """The page of the template file ``name``, with the style and the script file of that name."""
    style, code = (
        template_text("gemel.page", "page.css"),
        template_text("gemel.page", script) if script else "",
    )
    scripts = _digest(code) if code else "'none'"
    page = _templates().get_template(name)
    return page.render(
        **values,
        style=safe(style),
        script=safe(code),
        policy=f"default-src 'none'; style-src {_digest(style)}; script-src {scripts}; "
        "base-uri 'none'; form-action 'none'",
        version=__version__,
    )


@functools.cache
def _templates() -> Environment:
    """Made once, since it keeps the templates that it compiled."""
    made = environment("gemel.page", _harmless, autoescape=True)
    made.filters.update(address=format_address, size=format_size, hex=_hex, identity=_rows)
    return made


def safe(markup: str) -> str:
    """Markup of our own, which the template takes as it stands."""
    from markupsafe import Markup

    return Markup(markup)  # noqa: S704 - made by text.markup and json_in_script, which escape what they are given


def _digest(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def _harmless(value: object) -> object:
    """What is put into the page: control and direction characters of names as escapes, addresses as addresses."""
    if type(value) is str:
        return on_one_line(value)
    if isinstance(value, Address):
        return format_address(value)
    return value


def _rows(identity: Identity) -> list[tuple[str, list[str]]]:
    """Each label once, with its values."""
    groups = groupby(identity_rows(identity), key=lambda row: row[0])
    return [(label, [value for _, value in rows]) for label, rows in groups]


def _hex(data: bytes) -> str:
    return data.hex()

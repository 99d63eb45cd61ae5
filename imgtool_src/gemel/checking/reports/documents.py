"""Reports that are not about an image, in the forms for programs and browsers: a layout's check, problems.

Each has what it says as plain data; the frames of SARIF 2.1.0, JUnit XML and HTML around it are here.
"""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from collections.abc import Iterable, Sequence
from typing import Any
from urllib.parse import quote

from gemel.structs import NamedTuple
from gemel.text.as_json import json_text
from gemel.text.escaping import xml_characters, xml_text
from gemel.version import __version__

SCHEMA = "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json"


class Case(NamedTuple):
    """One test case: its name, and tag, text and attributes of each of its children (none: it passes)."""

    name: str
    parts: tuple[tuple[str, str, dict[str, str]], ...] = ()


def sarif_document(run: dict[str, Any]) -> str:
    """A log with one run by gemel (SARIF 2.1.0, section 3.14), of which ``run`` are the further properties."""
    driver = {"tool": {"driver": {"name": "gemel", "version": __version__}}}
    return json_text({"$schema": SCHEMA, "version": "2.1.0", "runs": [{**driver, "results": [], **run}]})


def file_uri(name: str) -> str:
    """A file's name as a relative URI reference (RFC 3986); bytes that are no text stay distinct."""
    return quote(name.encode("utf-8", "surrogatepass"), safe="")


def junit_document(
    command: str,
    suite: str,
    cases: Iterable[Case],
    properties: Sequence[tuple[str, str]] = (),
    *,
    classname: str = "gemel",
) -> str:
    """One suite of ``gemel command`` with its properties, if any, and cases, and how many of these are what."""
    root = ElementTree.Element("testsuites", {"name": f"gemel {command}".rstrip()})
    element = _add(root, "testsuite", name=suite)
    listed = _add(element, "properties") if properties else root
    for name, value in properties:
        _add(listed, "property", name=name, value=value)
    for each in cases:
        case = _add(element, "testcase", name=each.name, classname=classname)
        for tag, text, attributes in each.parts:
            _add(case, tag, text, **attributes)
    for name, tag in {
        "tests": "testcase",
        "failures": "failure",
        "errors": "error",
        "skipped": "skipped",
    }.items():
        element.set(name, str(sum(1 for _ in element.iter(tag))))
        if name != "skipped":
            root.set(name, element.get(name, ""))
    ElementTree.indent(root)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{ElementTree.tostring(root, encoding="unicode")}\n'


def _add(parent: ElementTree.Element, tag: str, text: str = "", **attributes: str) -> ElementTree.Element:
    """A new element with only characters that XML can hold; a bare CR would be read as a line end."""
    element = ElementTree.SubElement(
        parent, tag, {name: xml_characters(value) for name, value in attributes.items()}
    )
    element.text = xml_characters(text, kept="\t\n") or None
    return element


def html_document(title: str, sections: Sequence[tuple[str, Sequence[tuple[str, str]]]]) -> str:
    """A page that loads nothing: below the title, headings (empty: none) with terms and their descriptions."""
    from gemel.text.markup import element

    rows = []
    for heading, values in sections:
        rows += [element("h2", xml_text(heading))] if heading else []
        listed = [element("dt", label) + element("dd", xml_text(value)) for label, value in values if value]
        rows += [element("dl", *listed)] if listed else []
    policy = {"http-equiv": "Content-Security-Policy", "content": "default-src 'none'"}
    head = element("meta", charset="utf-8") + element("meta", **policy) + element("title", xml_text(title))
    body = element("main", element("h1", xml_text(title)), *rows)
    return f"<!DOCTYPE html>\n{element('html', element('head', head), element('body', body), lang='en')}\n"

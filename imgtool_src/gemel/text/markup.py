"""Elements of SVG and HTML as text, with everything that is put into them escaped: for all pictures."""

from __future__ import annotations

from gemel.text.escaping import xml_text


def element(tag: str, *content: str, **attributes: object) -> str:
    """``<tag ...>content</tag>``: ``content`` is markup already, attributes are plain values.

    ``class_`` is written ``class``, ``data_start`` is written ``data-start``; an attribute that is None is left out.
    """
    written = "".join(
        f' {name.rstrip("_").replace("_", "-")}="{xml_text(str(value))}"'
        for name, value in attributes.items()
        if value is not None
    )
    return f"<{tag}{written}>{''.join(content)}</{tag}>" if content else f"<{tag}{written}/>"


def label(words: str, **attributes: object) -> str:
    """A text element."""
    return element("text", xml_text(words), **attributes)


def fitted(words: str, **place: object) -> str:
    """Words in a rectangle of a drawing in HTML: cut with an ellipsis, left out where there is no room for a letter."""
    return element("foreignObject", f'<div class="fitted"><span>{xml_text(words)}</span></div>', **place)

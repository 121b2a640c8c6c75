"""SVG and JSON as parts of an HTML page: neither can run a script, load a file or break the page."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ElementTree
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from markupsafe import Markup

__all__ = ["json_markup", "svg_markup"]

_FORBIDDEN_ELEMENTS = ("script", "foreignobject", "image", "style")


def svg_markup(name: str, svg: str, prefix: str) -> Markup:
    """Return an SVG as part of a page: only shapes and text, and identifiers that begin with a prefix of their own.

    Parameters
    ----------
    name : str
        Name of the figure, for messages.
    svg : str
        The SVG as rendered. Its metadata and comments are removed.
    prefix : str
        Prefix of all identifiers, unique on the page.

    Raises
    ------
    ValueError
        If it is not well-formed, or has a script, an event handler, a style sheet, an image or a link to a file.
    """
    from markupsafe import Markup

    from anechain.figures.render import number_svg_ids

    try:
        root = ElementTree.fromstring(svg)
    except ElementTree.ParseError as error:
        raise ValueError(f"{name}: its SVG is not well-formed: {error}") from None
    for element in root.iter():
        local = str(element.tag).rpartition("}")[2].lower()
        handlers = [attribute for attribute in element.attrib if attribute.lower().startswith("on")]
        links = [
            value
            for attribute, value in element.attrib.items()
            if attribute.rpartition("}")[2].lower() in ("href", "src") and not value.startswith("#")
        ]
        if local in _FORBIDDEN_ELEMENTS or handlers or links:
            raise ValueError(f"{name}: its SVG contains more than shapes and text: <{local}>")
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata\b.*?</metadata>|<!--.*?-->", "", svg, flags=re.DOTALL)
    # Otherwise several figures on one page would share the names of their clip paths, and clip each other.
    svg = number_svg_ids(svg, prefix)
    return Markup(svg.replace("<svg", '<svg aria-hidden="true"', 1))


def json_markup(value: Any) -> Markup:
    """Return JSON for a script element: without "<", so that no text in it can end the element or start a comment."""
    from markupsafe import Markup

    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"))
    return Markup(text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029"))

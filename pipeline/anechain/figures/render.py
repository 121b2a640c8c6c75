"""Turn a chart specification into SVG, PNG and PDF: the same bytes on every machine."""

from __future__ import annotations

import copy
import io
import os
import re
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

from anechain.figures.style import LIVE

__all__ = ["VEGA_LITE", "live_script", "renamed", "render"]

VEGA_LITE = "6.4"
"""Version of Vega-Lite that figures are written for; the renderer carries it."""

PNG_SCALE = 2.0
FORMATS = ("svg", "png", "pdf")


def _converter() -> Any:
    """The renderer, told to use the fonts it carries and none of this machine's.

    It reads its fonts once, when it is first used; the variable is only set for that moment.
    """
    before = os.environ.get("FONTCONFIG_FILE")
    os.environ["FONTCONFIG_FILE"] = str(Path(__file__).with_name("carried_fonts.conf"))
    try:
        import vl_convert

        vl_convert.svg_to_png('<svg xmlns="http://www.w3.org/2000/svg" width="1" height="1"/>')
    finally:
        if before is None:
            del os.environ["FONTCONFIG_FILE"]
        else:
            os.environ["FONTCONFIG_FILE"] = before
    return vl_convert


_TAG = re.compile(r"<[^<>]*>")
_NAME = re.compile(r'(?<= id=")[^"]+(?=")|(?<="url\(#)[^)]+(?=\))|(?<=href="#)[^"]+(?=")')


def renamed(svg: str, prefix: str) -> str:
    """The drawing with its clip paths and gradients numbered from 1, each behind a prefix.

    The renderer counts on from the drawing before; and several drawings in one page must not share a name.
    """
    tags = _TAG.findall(svg)
    order = dict.fromkeys(name for tag in tags for name in _NAME.findall(tag))
    names = {name: f"{prefix}{number}" for number, name in enumerate(order, 1)}
    return _TAG.sub(lambda tag: _NAME.sub(lambda name: names[name[0]], tag[0]), svg)


_RESOURCES = re.compile(rb"(?:\n +/[a-z]+[0-9]+ [0-9]+ 0 R){2,}")


def _settled(pdf: bytes) -> bytes:
    """The document in an order that is the same in each run.

    The renderer writes its resources and fonts in the order of a hash table, another one each time. So the entries of
    the resource dictionaries are sorted first (they only change places: every offset stays right), and then the
    objects are numbered anew in the order in which they are met, going from the page through those dictionaries.
    """
    from pypdf import PdfReader, PdfWriter

    ordered = _RESOURCES.sub(lambda found: b"\n" + b"\n".join(sorted(found[0][1:].split(b"\n"))), pdf)
    writer = PdfWriter()
    for page in PdfReader(io.BytesIO(ordered)).pages:
        writer.add_page(page)
    out = io.BytesIO()
    writer.write(out)
    # Ends with its end mark, so that what is added to it later can be told from it.
    return out.getvalue().rstrip()


def _still(spec: dict[str, Any]) -> dict[str, Any]:
    """The specification without the invisible marks that answer to a pointer."""
    still = copy.deepcopy(spec)
    for parameter in still.get("params", []):
        if parameter.get("name") == LIVE:
            parameter["value"] = False
    return still


def render(spec: dict[str, Any], formats: Sequence[str] = FORMATS) -> dict[str, bytes]:
    """Render a figure.

    Parameters
    ----------
    spec : dict
        A Vega-Lite specification with its data inside; nothing is fetched.
    formats : sequence of str
        Which of "svg", "png" (two pixels per unit) and "pdf".

    Returns
    -------
    dict of str to bytes
        By format.

    Raises
    ------
    ValueError
        If the specification cannot be drawn.

    Notes
    -----
    Text is set in the fonts the renderer carries, which hold the Latin, Greek, Cyrillic and Hebrew letters. Other
    scripts stay text in the SVG, where a browser finds a font for them, and are blank in PNG and PDF.
    """
    if not formats:
        return {}
    converter = _converter()
    svg = renamed(converter.vegalite_to_svg(_still(spec), vl_version=VEGA_LITE, allowed_base_urls=[]), "part")
    made = {
        "svg": lambda: svg.encode(),
        "png": lambda: bytes(converter.svg_to_png(svg, scale=PNG_SCALE)),
        "pdf": lambda: _settled(bytes(converter.svg_to_pdf(svg))),
    }
    return {ending: made[ending]() for ending in formats}


@cache
def live_script() -> str:
    """The JavaScript that draws a specification in a page without a network: Vega, Vega-Lite and its embedder."""
    import vl_convert

    return str(vl_convert.javascript_bundle("window.vegaEmbed = vegaEmbed;", vl_version=VEGA_LITE))

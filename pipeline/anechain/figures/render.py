"""Render a chart specification as SVG, PNG and PDF, with the same bytes on every machine."""

from __future__ import annotations

import copy
import io
import os
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from anechain.figures.style import INTERACTIVE

__all__ = ["VEGA_LITE", "number_svg_ids", "render"]

VEGA_LITE = "6.4"
"""Version of Vega-Lite of the specifications; the renderer includes it."""

PNG_SCALE = 2.0
FORMATS = ("svg", "png", "pdf")


def _renderer() -> Any:
    """Return the renderer, which uses only its included fonts.

    It loads fonts once, at its first use; the environment variable is set only for that time.
    """
    previous = os.environ.get("FONTCONFIG_FILE")
    os.environ["FONTCONFIG_FILE"] = str(Path(__file__).with_name("carried_fonts.conf"))
    try:
        import vl_convert

        vl_convert.svg_to_png('<svg xmlns="http://www.w3.org/2000/svg" width="1" height="1"/>')
    finally:
        if previous is None:
            del os.environ["FONTCONFIG_FILE"]
        else:
            os.environ["FONTCONFIG_FILE"] = previous
    return vl_convert


_XML_TAG = re.compile(r"<[^<>]*>")
_ID = re.compile(r'(?<= id=")[^"]+(?=")|(?<="url\(#)[^)]+(?=\))|(?<=href="#)[^"]+(?=")')


def number_svg_ids(svg: str, prefix: str) -> str:
    """Return an SVG drawing with the ids of its clip paths and gradients numbered from 1, after a prefix.

    The renderer continues the numbers of the previous drawing, and drawings on the same page must not share ids.
    """
    tags = _XML_TAG.findall(svg)
    ids = dict.fromkeys(name for tag in tags for name in _ID.findall(tag))
    names = {name: f"{prefix}{number}" for number, name in enumerate(ids, 1)}
    return _XML_TAG.sub(lambda tag: _ID.sub(lambda name: names[name[0]], tag[0]), svg)


_RESOURCES = re.compile(rb"(?:\n +/[a-z]+[0-9]+ [0-9]+ 0 R){2,}")


def _reproducible_pdf(pdf: bytes) -> bytes:
    """Return a PDF document with its objects in a reproducible order.

    The renderer writes resources and fonts in the order of a hash table, which differs between runs. First the entries
    of the resource dictionaries are sorted, which keeps all offsets. Then pypdf renumbers the objects in the order in
    which it reads them from the page.
    """
    from pypdf import PdfReader, PdfWriter

    ordered = _RESOURCES.sub(lambda match: b"\n" + b"\n".join(sorted(match[0][1:].split(b"\n"))), pdf)
    writer = PdfWriter()
    for page in PdfReader(io.BytesIO(ordered)).pages:
        writer.add_page(page)
    out = io.BytesIO()
    writer.write(out)
    # The end marker is the last byte, so that an embedded receipt after it can be distinguished.
    return out.getvalue().rstrip()


def _without_interaction(spec: dict[str, Any]) -> dict[str, Any]:
    """Return the specification without the invisible interactive marks."""
    static = copy.deepcopy(spec)
    for parameter in static.get("params", []):
        if parameter.get("name") == INTERACTIVE:
            parameter["value"] = False
    return static


def render(spec: dict[str, Any], formats: Sequence[str] = FORMATS) -> dict[str, bytes]:
    """Render a figure.

    Parameters
    ----------
    spec : dict
        A Vega-Lite specification with its data inside; no file is loaded.
    formats : sequence of str
        Any of "svg", "png" (two pixels per unit) and "pdf".

    Returns
    -------
    dict of str to bytes
        The rendered figure by format.

    Raises
    ------
    ValueError
        If the specification cannot be drawn.

    Notes
    -----
    Text is set in the fonts of the renderer, which have Latin, Greek, Cyrillic and Hebrew letters. Other scripts are
    text in the SVG, for which a browser uses its own fonts, and blank in PNG and PDF.
    """
    if not formats:
        return {}
    converter = _renderer()
    svg = number_svg_ids(
        converter.vegalite_to_svg(_without_interaction(spec), vl_version=VEGA_LITE, allowed_base_urls=[]), "part"
    )
    convert = {
        "svg": lambda: svg.encode(),
        "png": lambda: bytes(converter.svg_to_png(svg, scale=PNG_SCALE)),
        "pdf": lambda: _reproducible_pdf(bytes(converter.svg_to_pdf(svg))),
    }
    return {format_: convert[format_]() for format_ in formats}

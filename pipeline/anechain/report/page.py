"""The page of a campaign: one HTML file that opens from disk, with static figures, interactive with JavaScript."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import cache
from typing import TYPE_CHECKING, Any

from anechain.cautions import CAUTIONS
from anechain.printable import visible
from anechain.report.history import processing_history
from anechain.report.page_content import DeviceSection, PageContent
from anechain.report.safe_markup import json_markup, svg_markup

if TYPE_CHECKING:
    import jinja2

__all__ = ["MAX_DEVICES_WITH_FIGURES", "build_page"]

MAX_DEVICES_WITH_FIGURES = 24
"""With more devices than this, the page has no figures of single devices, only links to their files."""

_SHORT_STAMP = 12


def build_page(content: PageContent, *, max_devices_with_figures: int = MAX_DEVICES_WITH_FIGURES) -> str:
    """Build the page.

    Parameters
    ----------
    content : PageContent
        The content of the page.
    max_devices_with_figures : int
        With more devices than this, the figures of single devices are links to their files; the comparison always has
        its figures.

    Returns
    -------
    str
        HTML that needs no other file and no network. Its head contains
        :data:`anechain.receipts.html_receipt.HTML_MARKER` once, for its receipt.

    Raises
    ------
    ValueError
        If the SVG of a figure contains more than shapes and text.
    """
    from markupsafe import Markup

    from anechain.figures.interactive_script import interactive_script
    from anechain.receipts.html_receipt import HTML_MARKER

    show_figures = len(content.devices) <= max_devices_with_figures
    figures = [*content.comparison]
    if show_figures:
        figures += [figure for device in content.devices for figure in device.figures]
    numbers = {id(figure): number for number, figure in enumerate(figures, 1)}
    return (
        _environment()
        .get_template("page.html.j2")
        .render(
            content=content,
            anchors=_anchors(content.devices),
            histories=[processing_history(device.receipts) for device in content.devices],
            show_figures=show_figures,
            cautions=CAUTIONS,
            number_of=lambda figure: numbers[id(figure)],
            svg_of=lambda figure: svg_markup(figure.name, figure.svg, f"p{numbers[id(figure)]}-"),
            json_of=json_markup,
            short=lambda stamp: stamp[:_SHORT_STAMP],
            receipt_block=Markup(HTML_MARKER.decode()),
            script=Markup(interactive_script()) if figures else "",
        )
    )


def _anchors(devices: Sequence[DeviceSection]) -> list[str]:
    """Return a link target for each device: its id, with characters replaced that a link cannot have."""
    anchors: list[str] = []
    for device in devices:
        anchor = "device-" + (re.sub(r"[^A-Za-z0-9_-]+", "-", device.id) or "unnamed")
        while anchor in anchors:
            anchor += "-"
        anchors.append(anchor)
    return anchors


@cache
def _environment() -> jinja2.Environment:
    import jinja2

    return jinja2.Environment(
        loader=jinja2.PackageLoader("anechain.report"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=_shown,
    )


def _shown(value: Any) -> Any:
    """Return a text of the campaign or of a raw file without characters that act instead of being shown."""
    return visible(value) if type(value) is str else value

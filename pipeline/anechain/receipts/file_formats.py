"""The file formats that carry a receipt, and which of them a file has.

Each format has two functions: `embed(bare, text)` returns the bytes with the receipt's text in them, and `split(data)`
returns the bytes without it and the text (None if there is none), such that ``split(embed(bare, text)) ==
(bare, text)``. A receipt's `content` hash is taken over the bytes without it, so anyone can check whether they changed.

`embed` writes a fixed layout, the same bytes with any version of any library: a file is checked by embedding its
receipt again and comparing. Whoever changes a layout raises the receipt's format number.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from anechain.receipts import csv_receipt, html_receipt, json_receipt, pdf_receipt, png_receipt, svg_receipt

__all__ = ["Format", "format_of"]


@dataclass(frozen=True)
class Format:
    """How one file format carries a receipt.

    Attributes
    ----------
    name : str
        Name for messages.
    embed : callable
        (bytes without receipt, receipt's text) to bytes with it.
    split : callable
        Bytes to (bytes without receipt, receipt's text or None); raises ValueError if they cannot be read.
    carrier : str
        Where the receipt is, for readers with other software.
    """

    name: str
    embed: Callable[[bytes, str], bytes]
    split: Callable[[bytes], tuple[bytes, str | None]]
    carrier: str


_FORMATS = {
    ".svg": Format("SVG", svg_receipt.embed, svg_receipt.split, 'element <metadata id="receipt">'),
    ".png": Format("PNG", png_receipt.embed, png_receipt.split, "iTXt chunk “receipt”"),
    ".pdf": Format("PDF", pdf_receipt.embed, pdf_receipt.split, "embedded file receipt.json"),
    ".csv": Format("CSV", csv_receipt.embed, csv_receipt.split, "lines after “# receipt”, at the end"),
    ".json": Format(
        "JSON", json_receipt.embed, json_receipt.split, "member “receipt”, or “usermeta.receipt” in a chart"
    ),
    ".html": Format(
        "HTML", html_receipt.embed, html_receipt.split, 'block <script type="application/ld+json" id="receipt">'
    ),
}


def format_of(data: bytes, name: str = "") -> Format | None:
    """Return the format of a file by its content, so that renamed files are read; else by its name.

    Returns
    -------
    Format or None
        None for an unknown format, and for netCDF: see :mod:`anechain.receipts.netcdf_receipt`.
    """
    start = data[:4096].removeprefix(csv_receipt.BYTE_ORDER_MARK).lstrip(b" \t\r\n")
    if data.startswith(png_receipt.SIGNATURE):
        return _FORMATS[".png"]
    if data.startswith(b"%PDF-"):
        return _FORMATS[".pdf"]
    if start.startswith(csv_receipt.FIRST_LINE.rstrip()):
        return _FORMATS[".csv"]
    lowered = start[:1024].lower()
    if lowered.startswith((b"<!doctype html", b"<html")):
        return _FORMATS[".html"]
    if lowered.startswith((b"<svg", b"<?xml")) and b"<svg" in start:
        return _FORMATS[".svg"]
    if start.startswith(b"{"):
        return _FORMATS[".json"]
    return _FORMATS.get(Path(name).suffix.lower())

"""Put a receipt into an artefact in the artefact's own format, and take it out again.

For each format two functions: `embed(bare, text)` gives the bytes that carry the text, and `split(data)` gives back
the bare bytes and the text (None if there is none), such that ``split(embed(bare, text)) == (bare, text)``. What a
receipt vouches for is the bare content, so anyone can tell whether it still is what was published.
"""

from __future__ import annotations

import hashlib
import io
import json
import re
import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape, unescape

import rfc8785

__all__ = ["HTML_MARKER", "Format", "canonical", "format_of", "netcdf_digest", "netcdf_receipt"]

HTML_MARKER = b"<!-- receipt -->"
"""Where a page wants its receipt; the page builder puts it into the head."""


@dataclass(frozen=True)
class Format:
    """How one file format carries a receipt.

    Attributes
    ----------
    name : str
        For messages.
    embed : callable
        (bare bytes, receipt text) to bytes.
    split : callable
        bytes to (bare bytes, receipt text or None).
    carrier : str
        Where the receipt is, for a reader with other tools.
    """

    name: str
    embed: Callable[[bytes, str], bytes]
    split: Callable[[bytes], tuple[bytes, str | None]]
    carrier: str


def canonical(value: Any) -> bytes:
    """Canonical JSON of a value (RFC 8785), in UTF-8."""
    return rfc8785.dumps(value)


# SVG: an element <metadata>, the first child of the root.


_SVG = re.compile(rb'<metadata id="receipt">(.*?)</metadata>', re.DOTALL)


def _embed_svg(bare: bytes, text: str) -> bytes:
    end = bare.index(b">", bare.index(b"<svg")) + 1
    return bare[:end] + b'<metadata id="receipt">' + escape(text).encode() + b"</metadata>" + bare[end:]


def _split_svg(data: bytes) -> tuple[bytes, str | None]:
    found = _SVG.search(data)
    if found is None:
        return data, None
    return data[: found.start()] + data[found.end() :], unescape(found.group(1).decode())


# PNG: an uncompressed iTXt chunk after the header. Written here, since an image library would write the picture anew.


_PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
_PNG_KEY = b"receipt\0\0\0\0\0"


def _embed_png(bare: bytes, text: str) -> bytes:
    content = b"iTXt" + _PNG_KEY + text.encode()
    chunk = struct.pack(">I", len(content) - 4) + content + struct.pack(">I", zlib.crc32(content))
    end = 8 + 25  # signature and IHDR, which always comes first and has 13 bytes of content
    return bare[:end] + chunk + bare[end:]


def _split_png(data: bytes) -> tuple[bytes, str | None]:
    at = len(_PNG_SIGNATURE)
    while at + 12 <= len(data):
        (length,) = struct.unpack(">I", data[at : at + 4])
        end = at + 12 + length
        if end > len(data):
            raise ValueError("the picture is cut short")
        if data[at + 4 : at + 8] == b"iTXt" and data[at + 8 : at + 8 + len(_PNG_KEY)] == _PNG_KEY:
            return data[:at] + data[end:], data[at + 8 + len(_PNG_KEY) : end - 4].decode()
        at = end
    return data, None


# PDF: an embedded file, added by an incremental update, so that the bare document stays in front, byte for byte.


_PDF_END = re.compile(rb"startxref\s+\d+\s+%%EOF")
_PDF_NAME = "receipt.json"


def _embed_pdf(bare: bytes, text: str) -> bytes:
    from pypdf import PdfWriter

    writer = PdfWriter(io.BytesIO(bare), incremental=True)
    writer.add_attachment(_PDF_NAME, text.encode())
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


def _split_pdf(data: bytes) -> tuple[bytes, str | None]:
    from pypdf import PdfReader
    from pypdf.errors import PyPdfError

    try:
        attached = PdfReader(io.BytesIO(data)).attachments.get(_PDF_NAME)
    except (PyPdfError, KeyError, RecursionError) as error:
        raise ValueError(f"the document cannot be read: {error}") from None
    if not attached:
        return data, None
    ends = [found.end() for found in _PDF_END.finditer(data)]
    return (data[: ends[-2]] if len(ends) > 1 else data), attached[0].decode()


# CSV: one comment line before the header.


_CSV = b"# receipt: "


def _embed_csv(bare: bytes, text: str) -> bytes:
    return _CSV + text.encode() + b"\n" + bare


def _split_csv(data: bytes) -> tuple[bytes, str | None]:
    if not data.startswith(_CSV):
        return data, None
    line, _, bare = data.partition(b"\n")
    return bare, line[len(_CSV) :].decode().rstrip("\r")


# JSON: a member. The bare content is the canonical form without it, so that order and white space do not count.


def _embed_json(bare: bytes, text: str) -> bytes:
    document = json.loads(bare)
    if "$schema" in document and "vega-lite" in document["$schema"]:
        document["usermeta"] = {**document.get("usermeta", {}), "receipt": json.loads(text)}
    else:
        document["receipt"] = json.loads(text)
    return json.dumps(document, indent=1, sort_keys=True, ensure_ascii=False).encode() + b"\n"


def _split_json(data: bytes) -> tuple[bytes, str | None]:
    try:
        document = json.loads(data)
    except ValueError as error:
        raise ValueError(f"not JSON: {error}") from None
    if not isinstance(document, dict):
        return data, None
    receipt = document.pop("receipt", None)
    if receipt is None and isinstance(document.get("usermeta"), dict):
        receipt = document["usermeta"].pop("receipt", None)
        if not document["usermeta"]:
            del document["usermeta"]
    return canonical(document), None if receipt is None else canonical(receipt).decode()


# HTML: a JSON-LD block in the head.


_HTML_OPEN = b'<script type="application/ld+json" id="receipt">'
_HTML = re.compile(re.escape(_HTML_OPEN) + rb"(.*?)</script>", re.DOTALL)
_JSON_LD = {"@context": {"@vocab": "http://www.w3.org/ns/prov#"}, "@type": "Entity"}


def _embed_html(bare: bytes, text: str) -> bytes:
    block = canonical({**_JSON_LD, "receipt": json.loads(text)}).replace(b"<", b"\\u003c")
    if bare.count(HTML_MARKER) != 1:
        raise ValueError("the page has no place, or several, for its receipt")
    return bare.replace(HTML_MARKER, _HTML_OPEN + block + b"</script>")


def _split_html(data: bytes) -> tuple[bytes, str | None]:
    found = _HTML.search(data)
    if found is None:
        return data, None
    try:
        receipt = json.loads(found.group(1))["receipt"]
    except (ValueError, KeyError, TypeError):
        raise ValueError("the page's receipt is not readable") from None
    return data[: found.start()] + HTML_MARKER + data[found.end() :], canonical(receipt).decode()


_FORMATS = {
    ".svg": Format("SVG", _embed_svg, _split_svg, 'element <metadata id="receipt">'),
    ".png": Format("PNG", _embed_png, _split_png, "iTXt chunk “receipt”"),
    ".pdf": Format("PDF", _embed_pdf, _split_pdf, "embedded file receipt.json"),
    ".csv": Format("CSV", _embed_csv, _split_csv, "first line, after “# receipt: ”"),
    ".json": Format("JSON", _embed_json, _split_json, "member “receipt”, or “usermeta.receipt” in a chart"),
    ".html": Format("HTML", _embed_html, _split_html, 'block <script type="application/ld+json" id="receipt">'),
}


def format_of(data: bytes, name: str = "") -> Format | None:
    """Tell the format from the content, so that a renamed file is still read; the name settles what content cannot.

    Returns None for anything unknown; netCDF is not among these, see :func:`netcdf_receipt`.
    """
    start = data[:4096].lstrip(b"\xef\xbb\xbf \t\r\n")
    if data.startswith(_PNG_SIGNATURE):
        return _FORMATS[".png"]
    if data.startswith(b"%PDF-"):
        return _FORMATS[".pdf"]
    if data.startswith(_CSV):
        return _FORMATS[".csv"]
    lowered = start[:1024].lower()
    if lowered.startswith((b"<!doctype html", b"<html")):
        return _FORMATS[".html"]
    if lowered.startswith((b"<svg", b"<?xml")) and b"<svg" in start:
        return _FORMATS[".svg"]
    if start.startswith(b"{"):
        return _FORMATS[".json"]
    return _FORMATS.get(Path(name).suffix.lower())


# netCDF: the global attribute `receipt`.


NETCDF_SIGNATURES = (b"\x89HDF\r\n\x1a\n", b"CDF\x01", b"CDF\x02", b"CDF\x05")


def netcdf_receipt(path: Path) -> str | None:
    """Receipt text of a netCDF file, or None; ValueError if the file cannot be read."""
    import netCDF4

    try:
        with netCDF4.Dataset(path, "r") as dataset:
            text = dataset.__dict__.get("receipt")
    except (OSError, RuntimeError) as error:
        raise ValueError(f"not a readable netCDF file: {error}") from None
    return None if text is None else str(text)


def netcdf_digest(path: Path) -> str:
    """SHA-256 over what a netCDF file says, apart from its receipt.

    Fed, in this order: the canonical JSON of the dimensions and global attributes; then for each variable, sorted by
    name, the canonical JSON of its name, dimensions, type and attributes, and its values: numbers as little-endian
    bytes, texts as canonical JSON.
    """
    import netCDF4
    import numpy as np

    def plain(attributes: dict[str, Any]) -> dict[str, Any]:
        return {key: value.tolist() if hasattr(value, "tolist") else value for key, value in attributes.items()}

    digest = hashlib.sha256()
    try:
        with netCDF4.Dataset(path, "r") as dataset:
            dataset.set_auto_maskandscale(False)
            attributes = plain(dataset.__dict__)
            attributes.pop("receipt", None)
            digest.update(
                canonical({"dims": {name: len(dim) for name, dim in dataset.dimensions.items()}, "attrs": attributes})
            )
            for name in sorted(dataset.variables):
                variable = dataset.variables[name]
                values = np.asarray(variable[...])
                kind = "text" if values.dtype.kind in "OUS" else values.dtype.newbyteorder("<").str
                head = {
                    "name": name,
                    "dims": list(variable.dimensions),
                    "type": kind,
                    "attrs": plain(variable.__dict__),
                }
                digest.update(canonical(head))
                if kind == "text":
                    digest.update(canonical(values.astype(str).tolist()))
                else:
                    digest.update(np.ascontiguousarray(values.astype(values.dtype.newbyteorder("<"))).tobytes())
    except (OSError, RuntimeError) as error:
        raise ValueError(f"not a readable netCDF file: {error}") from None
    return digest.hexdigest()

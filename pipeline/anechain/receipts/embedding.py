"""Put a receipt into an artefact in the artefact's own format, and take it out again.

For each format two functions: `embed(bare, text)` gives the bytes that carry the text, and `split(data)` gives back
the bare bytes and the text (None if there is none), such that ``split(embed(bare, text)) == (bare, text)``. What a
receipt vouches for is the bare content, so anyone can tell whether it still is what was published.

`embed` is a fixed layout, the same bytes with any version of any library: an old file is judged by embedding its
receipt anew. Whoever changes a layout keeps the old one beside it, told from the content as CSV's is, or raises the
receipt's format number.
"""

from __future__ import annotations

import hashlib
import io
import json
import logging
import math
import re
import struct
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape, unescape

import rfc8785

__all__ = [
    "HTML_MARKER",
    "Format",
    "canonical",
    "format_of",
    "netcdf_blanked",
    "netcdf_digest",
    "netcdf_receipt",
    "parsed",
]

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
        bytes to (bare bytes, receipt text or None); ValueError if they cannot be read.
    carrier : str
        Where the receipt is, for a reader with other tools.
    """

    name: str
    embed: Callable[[bytes, str], bytes]
    split: Callable[[bytes], tuple[bytes, str | None]]
    carrier: str


def canonical(value: Any) -> bytes:
    """Canonical JSON of a value (RFC 8785), in UTF-8.

    Raises
    ------
    ValueError
        If it holds what JSON has no way to say: a value that is no number, a number beyond the doubles, half a
        character, or too many levels.
    """
    try:
        return rfc8785.dumps(value)
    except RecursionError:
        raise ValueError("nested too deeply") from None


def parsed(text: bytes | str) -> Any:
    """Read JSON that every reader understands alike.

    Raises
    ------
    ValueError
        If it is not JSON, names a member twice, holds NaN or an integer that doubles do not keep, or is nested too
        deeply: then two readers could see two different things under one hash.
    """
    try:
        return json.loads(text, object_pairs_hook=_distinct, parse_constant=_no_number, parse_int=_integer)
    except RecursionError:
        raise ValueError("nested too deeply") from None


def _distinct(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) != len(pairs):
        raise ValueError("a member is named twice")
    return members


def _no_number(name: str) -> float:
    raise ValueError(f"{name} is no number")


def _integer(digits: str) -> int | float:
    if len(digits) < 16:
        return int(digits)
    number = float(digits)
    if not math.isfinite(number) or canonical(number).decode() != digits:
        raise ValueError(f"{digits[:24]} is more than a double keeps")
    return int(number) if abs(number) < 2**53 else number


# SVG: an element <metadata>, the first child of the root.


_SVG = re.compile(rb'<metadata id="receipt">(.*?)</metadata>', re.DOTALL)
_SVG_ROOT = re.compile(
    rb"""(?:\xef\xbb\xbf)?(?>\s+|<\?.*?\?>|<!--.*?-->|<!DOCTYPE[^>\[]*>)*<svg(?=[\s>])(?>[^>"']|"[^"]*"|'[^']*')*(?<!/)>""",
    re.DOTALL,
)

_XML_QUOTES = {"&quot;": '"', "&apos;": "'"}  # written by other software only


def _embed_svg(bare: bytes, text: str) -> bytes:
    root = _SVG_ROOT.match(bare)
    if root is None:
        raise ValueError("the picture has no <svg> element at its root that could hold a receipt")
    # XML has no way to write these two, JSON has; within JSON they can only stand in a string.
    text = text.replace("\ufffe", "\\ufffe").replace("\uffff", "\\uffff")
    return bare[: root.end()] + b'<metadata id="receipt">' + escape(text).encode() + b"</metadata>" + bare[root.end() :]


def _split_svg(data: bytes) -> tuple[bytes, str | None]:
    found = _SVG.search(data)
    if found is None:
        return data, None
    text = re.sub(
        r"(?<!\\)((?:\\\\)*)\\u(fff[ef])",
        lambda one: one[1] + chr(int(one[2], 16)),
        unescape(found[1].decode(), _XML_QUOTES),
    )
    return data[: found.start()] + data[found.end() :], text


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
# Written here and not by a library, whose layout of the update changes from version to version.


_PDF_NAME = b"receipt.json"
_PDF_STREAM = b"<< /Type /EmbeddedFile /Subtype /application#2Fjson /Length %d >>\nstream\n"
_PDF_FOUND = re.compile(rb"\n\d{1,10} 0 obj\n" + re.escape(_PDF_STREAM).replace(rb"%d", rb"(\d{1,10})"))
_PDF_CLOSE = b"\nendstream\nendobj\n"
_PDF_END = re.compile(rb"startxref\s+(\d{1,10})\s+%%EOF\s*\Z")
_PDF_TABLE = re.compile(rb"xref\s+0 (\d{1,10})[ \t]*\r?\n")
_PDF_TRAILER = re.compile(rb"trailer\s*<<(.*)>>\s*startxref", re.DOTALL)


def _pdf_parts(bare: bytes) -> tuple[int, int, bytes, bytes, bytes]:
    """Cross-reference table's offset, number of objects, catalog's reference and entries, and trailer's entries.

    Raises
    ------
    ValueError
        For a document of any but the plainest make: one table, one trailer, a catalog without names.
    """
    refused = ValueError("the document is of a make that a receipt cannot be added to")
    end = _PDF_END.search(bare, max(0, len(bare) - 64))
    table = end and _PDF_TABLE.match(bare, int(end[1]))
    if not end or not table:
        raise refused
    count = int(table[1])
    trailer = _PDF_TRAILER.match(bare, table.end() + 20 * count)
    if not trailer or any(name in trailer[1] for name in (b"/Prev", b"/Encrypt", b"/XRefStm")):
        raise refused
    size, root = re.search(rb"/Size\s+(\d{1,10})", trailer[1]), re.search(rb"/Root\s+(\d{1,10}) 0 R", trailer[1])
    if not size or int(size[1]) != count or not root or int(root[1]) >= count:
        raise refused
    place = table.end() + 20 * int(root[1])
    offset = bare[place : place + 10]
    catalog = re.compile(rb"%s 0 obj\s*<<(.*?)>>\s*endobj" % root[1], re.DOTALL)
    found = catalog.match(bare, int(offset)) if offset.isdigit() else None
    if not found or b"/Names" in found[1]:
        raise refused
    return int(end[1]), count, root[1], found[1], trailer[1]


def _embed_pdf(bare: bytes, text: str) -> bytes:
    at, count, root, catalog, trailer = _pdf_parts(bare)
    content = text.encode()
    file = b"<< /Type /Filespec /F (%b) /UF (%b) /EF << /F %d 0 R >> /AFRelationship /Data >>"
    names = b"/Names << /EmbeddedFiles << /Names [(%b) %d 0 R] >> >>"
    out = bytearray(bare + b"\n")
    offsets = []
    for number, body in (
        (b"%d" % count, _PDF_STREAM % len(content) + content + _PDF_CLOSE),
        (b"%d" % (count + 1), file % (_PDF_NAME, _PDF_NAME, count) + b"\nendobj\n"),
        (root, b"<<" + catalog + names % (_PDF_NAME, count + 1) + b"\n>>\nendobj\n"),
    ):
        offsets.append(len(out))
        out += number + b" 0 obj\n" + body
    table = len(out)
    out += b"xref\n0 1\n0000000000 65535 f \n%s 1\n%010d 00000 n \n%d 2\n%010d 00000 n \n%010d 00000 n \n" % (
        root,
        offsets[2],
        count,
        offsets[0],
        offsets[1],
    )
    entries = re.sub(rb"/Size\s+\d+", b"/Size %d" % (count + 2), trailer, count=1)
    out += b"trailer\n<<" + entries + b"/Prev %d\n>>\nstartxref\n%d\n%%%%EOF\n" % (at, table)
    return bytes(out)


def _split_pdf(data: bytes) -> tuple[bytes, str | None]:
    for found in _PDF_FOUND.finditer(data):
        end = found.end() + int(found[1])
        if data.startswith(_PDF_CLOSE, end):
            try:
                bare, text = data[: found.start()], data[found.end() : end].decode()
                if _embed_pdf(bare, text) == data:
                    return bare, text
            except ValueError:
                continue
    # Not as it was written. Other software may have kept the attachment: its receipt still tells something.
    return data, _attached(data)


def _attached(data: bytes) -> str | None:
    if b"/EmbeddedFile" not in data and b"/ObjStm" not in data:
        return None  # most documents, at no cost
    from pypdf import PdfReader

    logger = logging.getLogger("pypdf")
    level = logger.level
    logger.setLevel(logging.CRITICAL)
    try:
        attached = PdfReader(io.BytesIO(data)).attachments.get(_PDF_NAME.decode())
        return attached[0].decode() if attached else None
    except Exception as error:  # the library gives up on a damaged document in any way there is
        raise ValueError(f"the document cannot be read: {error}") from None
    finally:
        logger.setLevel(level)


# CSV: “#” lines at the end, after an empty line, which is where a spreadsheet takes the table to end. No line holds a
# comma or semicolon but as its last character, so that none opens as more than two columns.


_CSV_TOP = (
    b'# The receipt of this table follows after it: take "#: " off its lines and join them into one line of JSON.\n'
)
_CSV_MARK = b"# receipt"
_CSV_LINE = b"#: "
_CSV_FOLD = re.compile(r"[^,;]{1,100}[,;]?|[,;]")
_CSV_LEADING = b"# receipt: "
_BOM = b"\xef\xbb\xbf"
"""Without it spreadsheets read a table in the code page of the machine."""


def _embed_csv(bare: bytes, text: str) -> bytes:
    folded = b"".join(_CSV_LINE + part.encode() + b"\n" for part in _CSV_FOLD.findall(text))
    return _BOM + _CSV_TOP + bare + b"\n" + _CSV_MARK + b"\n" + folded


def _split_csv(data: bytes) -> tuple[bytes, str | None]:
    # No line of a receipt is the mark, so the last mark is the receipt's, whatever the table holds.
    at = data.rfind(b"\n" + _CSV_MARK)
    if at < 0:
        return data, None
    mark, *lines = data[at + 1 :].splitlines(keepends=True)
    number = next((number for number, line in enumerate(lines) if not line.startswith(_CSV_LINE)), len(lines))
    if mark.rstrip(b"\r\n") != _CSV_MARK or not number:
        return data, None
    # What was written behind the receipt belongs to the table.
    bare = data[:at].removeprefix(_BOM).removeprefix(_CSV_TOP) + b"".join(lines[number:])
    return bare, b"".join(line.removeprefix(_CSV_LINE).rstrip(b"\r\n") for line in lines[:number]).decode()


# CSV as it was written before: one line in front. Kept, so that a table that somebody has is still read and judged.


def _embed_csv_leading(bare: bytes, text: str) -> bytes:
    return _CSV_LEADING + text.encode() + b"\n" + bare


def _split_csv_leading(data: bytes) -> tuple[bytes, str | None]:
    mark = _BOM if data.startswith(_BOM) else b""  # as spreadsheets put in front
    if not data.startswith(_CSV_LEADING, len(mark)):
        return data, None
    line, _, bare = data.partition(b"\n")
    return mark + bare, line[len(mark + _CSV_LEADING) :].decode().rstrip("\r")


# JSON: a member. The bare content is the canonical form without it, so that order and white space do not count.


def _json_parts(data: bytes) -> tuple[Any, Any]:
    """The document without its receipt, and without a `usermeta` that holds nothing else; and the receipt."""
    try:
        document = parsed(data)
    except ValueError as error:
        raise ValueError(f"not JSON: {error}") from None
    receipt = None
    if isinstance(document, dict):
        receipt = document.pop("receipt", None)
        if isinstance(more := document.get("usermeta"), dict):
            if receipt is None:
                receipt = more.pop("receipt", None)
            if not more:
                del document["usermeta"]
    return document, receipt


def _embed_json(bare: bytes, text: str) -> bytes:
    document = parsed(canonical(_json_parts(bare)[0]))
    if not isinstance(document, dict):
        raise ValueError("only a JSON object has room for a receipt")
    receipt = parsed(text)
    if "vega-lite" in str(document.get("$schema")):
        if not isinstance(more := document.setdefault("usermeta", {}), dict):
            raise ValueError("the chart's usermeta has no room for a receipt")
        more["receipt"] = receipt
    else:
        document["receipt"] = receipt
    return json.dumps(document, indent=1, sort_keys=True, ensure_ascii=False).encode() + b"\n"


def _split_json(data: bytes) -> tuple[bytes, str | None]:
    document, receipt = _json_parts(data)
    return canonical(document), None if receipt is None else canonical(receipt).decode()


# HTML: a JSON-LD block in the head.


_HTML_OPEN = b'<script type="application/ld+json" id="receipt">'
_HTML = re.compile(re.escape(_HTML_OPEN) + rb"(.*?)</script>", re.DOTALL)
_JSON_LD = {"@context": {"@vocab": "http://www.w3.org/ns/prov#"}, "@type": "Entity"}


def _embed_html(bare: bytes, text: str) -> bytes:
    block = canonical({**_JSON_LD, "receipt": parsed(text)}).replace(b"<", b"\\u003c")
    if bare.count(HTML_MARKER) != 1:
        raise ValueError("the page has no place, or several, for its receipt")
    return bare.replace(HTML_MARKER, _HTML_OPEN + block + b"</script>")


def _split_html(data: bytes) -> tuple[bytes, str | None]:
    found = _HTML.search(data)
    if found is None:
        return data, None
    try:
        receipt = parsed(found[1])["receipt"]
    except (ValueError, KeyError, TypeError):
        raise ValueError("the page's receipt is not readable") from None
    return data[: found.start()] + HTML_MARKER + data[found.end() :], canonical(receipt).decode()


_FORMATS = {
    ".svg": Format("SVG", _embed_svg, _split_svg, 'element <metadata id="receipt">'),
    ".png": Format("PNG", _embed_png, _split_png, "iTXt chunk “receipt”"),
    ".pdf": Format("PDF", _embed_pdf, _split_pdf, "embedded file receipt.json"),
    ".csv": Format("CSV", _embed_csv, _split_csv, "lines after “# receipt”, at the end"),
    ".json": Format("JSON", _embed_json, _split_json, "member “receipt”, or “usermeta.receipt” in a chart"),
    ".html": Format("HTML", _embed_html, _split_html, 'block <script type="application/ld+json" id="receipt">'),
}
_CSV_OLD = Format("CSV", _embed_csv_leading, _split_csv_leading, "first line, after “# receipt: ”")


def format_of(data: bytes, name: str = "") -> Format | None:
    """Tell the format from the content, so that a renamed file is still read; the name settles what content cannot.

    Returns None for anything unknown; netCDF is not among these, see :func:`netcdf_receipt`.
    """
    start = data[:4096].removeprefix(_BOM).lstrip(b" \t\r\n")
    if data.startswith(_PNG_SIGNATURE):
        return _FORMATS[".png"]
    if data.startswith(b"%PDF-"):
        return _FORMATS[".pdf"]
    if start.startswith(_CSV_LEADING):
        return _CSV_OLD
    if start.startswith(_CSV_TOP.rstrip()):
        return _FORMATS[".csv"]
    lowered = start[:1024].lower()
    if lowered.startswith((b"<!doctype html", b"<html")):
        return _FORMATS[".html"]
    if lowered.startswith((b"<svg", b"<?xml")) and b"<svg" in start:
        return _FORMATS[".svg"]
    if start.startswith(b"{"):
        return _FORMATS[".json"]
    return _FORMATS.get(Path(name).suffix.lower())


# netCDF: the global attribute `receipt`, a string of variable length, which the file holds as it is.


NETCDF_SIGNATURES = (b"\x89HDF\r\n\x1a\n", b"CDF\x01", b"CDF\x02", b"CDF\x05")
_MOST_PACKED = 1032
"""Deflate packs no tighter than 1032 bytes into one (RFC 1951: 258 in 2 bits); a larger size is a damaged one."""


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    import netCDF4

    try:
        with netCDF4.Dataset(path, "r") as dataset:
            yield dataset
    except ValueError:
        raise
    except OSError as error:
        raise ValueError(f"not a readable netCDF file: {error.strerror or error}") from None
    except Exception as error:  # the library gives up on a damaged file in any way there is
        raise ValueError(f"not a readable netCDF file: {error}") from None


def netcdf_receipt(path: Path) -> str | None:
    """Receipt text of a netCDF file, or None; ValueError if the file cannot be read."""
    with _opened(path) as dataset:
        text = dataset.__dict__.get("receipt")
    return None if text is None else str(text)


def netcdf_blanked(data: bytes, text: str) -> bytes:
    """Bytes of a netCDF file with its receipt overwritten by spaces; unchanged if the receipt does not stand in it."""
    found = text.encode()
    return data.replace(found, b" " * len(found), 1)


def netcdf_digest(path: Path) -> str:
    """SHA-256 over what a netCDF file says, apart from its receipt.

    Fed, in this order: the canonical JSON of the dimensions and global attributes; then for each variable, sorted by
    name, the canonical JSON of its name, dimensions, type and attributes, and its values: numbers as little-endian
    bytes, texts as canonical JSON. Numbers in attributes that JSON has no word for are the texts "NaN", "Infinity" and
    "-Infinity". A `_FillValue` of NaN is left out: it says nothing, and some software adds it.

    Raises
    ------
    ValueError
        If the file cannot be read, or holds groups or types that no output has.
    """
    import numpy as np

    digest = hashlib.sha256()
    with _opened(path) as dataset:
        if dataset.groups or dataset.cmptypes or dataset.vltypes or dataset.enumtypes:
            raise ValueError("it holds groups or types that no output has")
        dataset.set_auto_maskandscale(False)
        attributes = {name: value for name, value in dataset.__dict__.items() if name != "receipt"}
        dimensions = {name: len(dimension) for name, dimension in dataset.dimensions.items()}
        digest.update(canonical({"dims": dimensions, "attrs": _said(attributes)}))
        most = path.stat().st_size * _MOST_PACKED
        for name in sorted(dataset.variables):
            variable = dataset.variables[name]
            if math.prod(variable.shape) > most:
                raise ValueError(f"its size cannot be: {name} is of shape {variable.shape}")
            values = np.asarray(variable[...])
            kind = "text" if values.dtype.kind in "OUS" else values.dtype.newbyteorder("<").str
            head = {
                "name": name,
                "dims": list(variable.dimensions),
                "type": kind,
                "attrs": _said(variable.__dict__),
            }
            digest.update(canonical(head))
            if kind == "text":
                digest.update(canonical(values.astype(str).tolist()))
            else:
                digest.update(np.ascontiguousarray(values.astype(values.dtype.newbyteorder("<"))).tobytes())
    return digest.hexdigest()


def _said(attributes: dict[str, Any]) -> dict[str, Any]:
    said = {}
    for name, value in attributes.items():
        plain = value.tolist() if hasattr(value, "tolist") else value
        if name != "_FillValue" or plain == plain:  # only NaN differs from itself
            said[name] = [_worded(one) for one in plain] if isinstance(plain, list) else _worded(plain)
    return said


def _worded(value: Any) -> Any:
    if not isinstance(value, float) or math.isfinite(value):
        return value
    return "NaN" if math.isnan(value) else "Infinity" if value > 0 else "-Infinity"

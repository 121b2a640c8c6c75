"""Receipt in a PDF file: an embedded file, added by an incremental update.

The document without its receipt remains in front, byte for byte. Written here and not by a library, whose layout of
the update changes from version to version.
"""

from __future__ import annotations

import io
import logging
import re

__all__ = ["embed", "split"]

_NAME = b"receipt.json"
_STREAM = b"<< /Type /EmbeddedFile /Subtype /application#2Fjson /Length %d >>\nstream\n"
_STREAM_START = re.compile(rb"\n\d{1,10} 0 obj\n" + re.escape(_STREAM).replace(rb"%d", rb"(\d{1,10})"))
_STREAM_END = b"\nendstream\nendobj\n"
_FILE_END = re.compile(rb"startxref\s+(\d{1,10})\s+%%EOF\s*\Z")
_TABLE = re.compile(rb"xref\s+0 (\d{1,10})[ \t]*\r?\n")
_TRAILER = re.compile(rb"trailer\s*<<(.*)>>\s*startxref", re.DOTALL)


def _document_parts(bare: bytes) -> tuple[int, int, bytes, bytes, bytes]:
    """Return the cross-reference table's offset, object count, catalog number and entries, and trailer entries.

    Raises
    ------
    ValueError
        Unless the document has one table, one trailer, and a catalog without names.
    """
    error = ValueError("a receipt cannot be added to a document of this structure")
    end = _FILE_END.search(bare, max(0, len(bare) - 64))
    table = end and _TABLE.match(bare, int(end[1]))
    if not end or not table:
        raise error
    count = int(table[1])
    trailer = _TRAILER.match(bare, table.end() + 20 * count)
    if not trailer or any(name in trailer[1] for name in (b"/Prev", b"/Encrypt", b"/XRefStm")):
        raise error
    size, root = re.search(rb"/Size\s+(\d{1,10})", trailer[1]), re.search(rb"/Root\s+(\d{1,10}) 0 R", trailer[1])
    if not size or int(size[1]) != count or not root or int(root[1]) >= count:
        raise error
    entry = table.end() + 20 * int(root[1])
    offset = bare[entry : entry + 10]
    catalog_pattern = re.compile(rb"%s 0 obj\s*<<(.*?)>>\s*endobj" % root[1], re.DOTALL)
    catalog = catalog_pattern.match(bare, int(offset)) if offset.isdigit() else None
    if not catalog or b"/Names" in catalog[1]:
        raise error
    return int(end[1]), count, root[1], catalog[1], trailer[1]


def embed(bare: bytes, text: str) -> bytes:
    """Return the document with a receipt; ValueError if its structure has no room for one."""
    previous_table, count, root, catalog, trailer = _document_parts(bare)
    content = text.encode()
    file = b"<< /Type /Filespec /F (%b) /UF (%b) /EF << /F %d 0 R >> /AFRelationship /Data >>"
    names = b"/Names << /EmbeddedFiles << /Names [(%b) %d 0 R] >> >>"
    out = bytearray(bare + b"\n")
    offsets = []
    for number, body in (
        (b"%d" % count, _STREAM % len(content) + content + _STREAM_END),
        (b"%d" % (count + 1), file % (_NAME, _NAME, count) + b"\nendobj\n"),
        (root, b"<<" + catalog + names % (_NAME, count + 1) + b"\n>>\nendobj\n"),
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
    out += b"trailer\n<<" + entries + b"/Prev %d\n>>\nstartxref\n%d\n%%%%EOF\n" % (previous_table, table)
    return bytes(out)


def split(data: bytes) -> tuple[bytes, str | None]:
    """Return the document without its receipt, and the receipt's text or None; ValueError if it cannot be read."""
    for start in _STREAM_START.finditer(data):
        end = start.end() + int(start[1])
        if data.startswith(_STREAM_END, end):
            try:
                bare, text = data[: start.start()], data[start.end() : end].decode()
                if embed(bare, text) == data:
                    return bare, text
            except ValueError:
                continue
    # The layout is not the one written here. Other software may have kept the attachment, and its receipt can be read.
    return data, _attached_receipt(data)


def _attached_receipt(data: bytes) -> str | None:
    if b"/EmbeddedFile" not in data and b"/ObjStm" not in data:
        return None  # most documents; importing the library is slow
    from pypdf import PdfReader

    logger = logging.getLogger("pypdf")
    level = logger.level
    logger.setLevel(logging.CRITICAL)
    try:
        attached = PdfReader(io.BytesIO(data)).attachments.get(_NAME.decode())
        return attached[0].decode() if attached else None
    except Exception as error:  # the library raises many kinds of errors on a damaged document
        raise ValueError(f"the document cannot be read: {error}") from None
    finally:
        logger.setLevel(level)

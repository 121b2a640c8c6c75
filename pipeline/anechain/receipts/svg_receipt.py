"""Receipt in an SVG file: an element `<metadata id="receipt">`, the first child of the root element."""

from __future__ import annotations

import re
from xml.sax.saxutils import escape, unescape

__all__ = ["embed", "split"]

_RECEIPT = re.compile(rb'<metadata id="receipt">(.*?)</metadata>', re.DOTALL)
_ROOT = re.compile(
    rb"""(?:\xef\xbb\xbf)?(?>\s+|<\?.*?\?>|<!--.*?-->|<!DOCTYPE[^>\[]*>)*<svg(?=[\s>])(?>[^>"']|"[^"]*"|'[^']*')*(?<!/)>""",
    re.DOTALL,
)

_XML_QUOTES = {"&quot;": '"', "&apos;": "'"}  # written by other software only


def embed(bare: bytes, text: str) -> bytes:
    """Return the picture with a receipt; ValueError if it has no root element `<svg>`."""
    root = _ROOT.match(bare)
    if root is None:
        raise ValueError("the picture has no root element <svg> that could hold a receipt")
    # XML cannot represent these two characters, JSON can; in a receipt they occur in JSON strings only.
    text = text.replace("\ufffe", "\\ufffe").replace("\uffff", "\\uffff")
    return bare[: root.end()] + b'<metadata id="receipt">' + escape(text).encode() + b"</metadata>" + bare[root.end() :]


def split(data: bytes) -> tuple[bytes, str | None]:
    """Return the picture without its receipt, and the receipt's text or None."""
    element = _RECEIPT.search(data)
    if element is None:
        return data, None
    text = re.sub(
        r"(?<!\\)((?:\\\\)*)\\u(fff[ef])",
        lambda escaped: escaped[1] + chr(int(escaped[2], 16)),
        unescape(element[1].decode(), _XML_QUOTES),
    )
    return data[: element.start()] + data[element.end() :], text

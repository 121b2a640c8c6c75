"""Receipt in an HTML page: a JSON-LD block in the head."""

from __future__ import annotations

import re

from anechain.receipts.canonical_json import canonical_json, parse_json

__all__ = ["HTML_MARKER", "embed", "split"]

HTML_MARKER = b"<!-- receipt -->"
"""Comment that a page has in its head; the receipt replaces it."""

_BLOCK_START = b'<script type="application/ld+json" id="receipt">'
_BLOCK = re.compile(re.escape(_BLOCK_START) + rb"(.*?)</script>", re.DOTALL)
_JSON_LD = {"@context": {"@vocab": "http://www.w3.org/ns/prov#"}, "@type": "Entity"}


def embed(bare: bytes, text: str) -> bytes:
    """Return the page with a receipt; ValueError unless it holds :data:`HTML_MARKER` exactly once."""
    block = canonical_json({**_JSON_LD, "receipt": parse_json(text)}).replace(b"<", b"\\u003c")
    if bare.count(HTML_MARKER) != 1:
        raise ValueError("the page has no marker for its receipt, or several")
    return bare.replace(HTML_MARKER, _BLOCK_START + block + b"</script>")


def split(data: bytes) -> tuple[bytes, str | None]:
    """Return the page without its receipt, and the receipt's text or None; ValueError if it cannot be read."""
    block = _BLOCK.search(data)
    if block is None:
        return data, None
    try:
        receipt = parse_json(block[1])["receipt"]
    except (ValueError, KeyError, TypeError):
        raise ValueError("the page's receipt cannot be read") from None
    return data[: block.start()] + HTML_MARKER + data[block.end() :], canonical_json(receipt).decode()

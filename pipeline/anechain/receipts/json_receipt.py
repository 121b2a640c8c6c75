"""Receipt in a JSON file: a member `receipt`, or `usermeta.receipt` in a Vega-Lite chart.

The document without its receipt is taken in its canonical form, so that order and white space do not count.
"""

from __future__ import annotations

import json
from typing import Any

from anechain.receipts.canonical_json import canonical_json, parse_json

__all__ = ["embed", "split"]


def _document_and_receipt(data: bytes) -> tuple[Any, Any]:
    """Return the document without its receipt (and without a `usermeta` that holds nothing else), and the receipt."""
    try:
        document = parse_json(data)
    except ValueError as error:
        raise ValueError(f"not JSON: {error}") from None
    receipt = None
    if isinstance(document, dict):
        receipt = document.pop("receipt", None)
        if isinstance(usermeta := document.get("usermeta"), dict):
            if receipt is None:
                receipt = usermeta.pop("receipt", None)
            if not usermeta:
                del document["usermeta"]
    return document, receipt


def embed(bare: bytes, text: str) -> bytes:
    """Return the document with a receipt; ValueError if it has no room for one."""
    document = parse_json(canonical_json(_document_and_receipt(bare)[0]))
    if not isinstance(document, dict):
        raise ValueError("only a JSON object has room for a receipt")
    receipt = parse_json(text)
    if "vega-lite" in str(document.get("$schema")):
        if not isinstance(usermeta := document.setdefault("usermeta", {}), dict):
            raise ValueError("the chart's usermeta has no room for a receipt")
        usermeta["receipt"] = receipt
    else:
        document["receipt"] = receipt
    return json.dumps(document, indent=1, sort_keys=True, ensure_ascii=False).encode() + b"\n"


def split(data: bytes) -> tuple[bytes, str | None]:
    """Return the canonical document without its receipt, and the receipt's text or None; ValueError if not JSON."""
    document, receipt = _document_and_receipt(data)
    return canonical_json(document), None if receipt is None else canonical_json(receipt).decode()

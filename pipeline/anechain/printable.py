"""Text from a file or a user, made safe to show in a terminal or on a page."""

from __future__ import annotations

import json
import re

__all__ = ["printable", "visible"]

_ACTING = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]")
"""Control characters, on which a terminal acts, and those that change the direction of text (Unicode, UAX 9)."""


def printable(text: str) -> str:
    """Return a line with all characters that are not printable as escapes such as ``\\u001b``."""
    return "".join(character if character.isprintable() else json.dumps(character)[1:-1] for character in text)


def visible(text: str) -> str:
    """Return a text, of several lines too, with characters that act instead of being shown as escapes."""
    return _ACTING.sub(lambda match: json.dumps(match[0])[1:-1], text)

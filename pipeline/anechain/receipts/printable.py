"""Text from a file, made safe to print on a terminal."""

from __future__ import annotations

import json

__all__ = ["printable"]


def printable(text: str) -> str:
    """Return a text with control characters, which a terminal would act on, as escapes such as ``\\u001b``."""
    return "".join(character if character.isprintable() else json.dumps(character)[1:-1] for character in text)

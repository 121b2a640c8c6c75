"""Syntax of patterns for file names and titles: literal text with fields in braces, such as "hall {drive} V.txt"."""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence

__all__ = ["ANY", "WORD_OR_NUMBER", "pattern_tokens"]

ANY = "any"
"""Field that stands for any text. A pattern may have it several times."""
WORD_OR_NUMBER = r"[^\W_]+(?:[.,][0-9]+)?"
"""Regular expression of a field without known words: letters and digits, with or without decimals."""


def pattern_tokens(pattern: str, fields: Sequence[str], required: Sequence[str], advice: str = "") -> tuple[str, ...]:
    """Split a pattern into literal texts and fields.

    Parameters
    ----------
    pattern : str
        Literal text with fields in braces.
    fields : sequence of str
        Fields that the pattern may have in addition to {any}.
    required : sequence of str
        Fields that the pattern must have.
    advice : str
        What to do if a required field is missing, for the error message.

    Returns
    -------
    tuple of str
        Literal texts and fields in order; a field keeps its braces.

    Raises
    ------
    ValueError
        If a field is unknown, missing or repeated, or if {any} is next to another field: the end of the one and the
        start of the other would then be undefined.
    """
    tokens = tuple(token for token in re.split(r"(\{[^{}]*\})", pattern) if token)
    names = [token[1:-1] for token in tokens if token.startswith("{")]
    if any(brace in token for token in tokens if token[0] != "{" or token[-1] != "}" for brace in "{}"):
        raise ValueError(f"a brace of {pattern!r} has no partner")
    known = (*fields, ANY)
    for name in names:
        if name not in known:
            *first, last = (f"{{{field}}}" for field in known)
            raise ValueError(f"{{{name}}} is not a field; fields are {', '.join(first)} and {last}")
        if name != ANY and names.count(name) > 1:
            raise ValueError(f"{{{name}}} appears twice in {pattern!r}")
    for name in required:
        if name not in names:
            raise ValueError(f"{pattern!r} lacks the field {{{name}}}" + (f"; {advice}" if advice else ""))
    for left, right in itertools.pairwise(tokens):
        if left.startswith("{") and right.startswith("{") and f"{{{ANY}}}" in (left, right):
            raise ValueError(f"{left}{right}: {{{ANY}}} needs literal text between it and another field")
    return tokens

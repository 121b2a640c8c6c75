"""Patterns of file names and titles: literal text with fields such as {plane} and {angle}."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from anechain.importing.name_patterns import WORD_OR_NUMBER, match_tokens, pattern_tokens

__all__ = ["ANGLE", "explain_mismatch", "match_template", "parse_angle", "parse_template"]

FIELDS = ("plane", "angle", "side", "any")
"""Fields that every pattern may have."""
ANGLE = "(?:[+\\-\N{MINUS SIGN}]|[pm](?=[0-9]))?[0-9]+(?:[.,][0-9]+)?"
"""Regular expression of an angle: a sign (also p for plus, m for minus), digits, a decimal point or comma."""
_WORD = r"[^\W\d_]+"


def parse_template(template: str, extra_fields: Sequence[str] = ()) -> tuple[str, ...]:
    """Split a pattern into literal texts and fields.

    Parameters
    ----------
    template : str
        The pattern, such as "hall {plane} {angle}.txt".
    extra_fields : sequence of str
        Fields that an importer has in addition to plane, angle, side and any.

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
    fields = (*FIELDS[:-1], *extra_fields)
    advice = "if file names do not state it, use a manifest instead"
    return pattern_tokens(template, fields, ("plane", "angle"), advice)


def _fields(tokens: Sequence[str], words: Mapping[str, Sequence[str]] | None) -> dict[str, str]:
    """Return the regular expression of each field; if `words` is None, planes and sides match any word."""
    fields = {}
    for name in (token[1:-1] for token in tokens if token.startswith("{")):
        if name == "angle":
            fields[name] = ANGLE
        elif name in FIELDS:
            known = sorted(words[name], key=len, reverse=True) if words is not None and name in words else ()
            fields[name] = "|".join(map(re.escape, known)) if words is not None else _WORD
        else:
            fields[name] = WORD_OR_NUMBER
    return fields


def match_template(
    tokens: Sequence[str], name: str, words: Mapping[str, Sequence[str]] | None, *, greedy: bool = False
) -> dict[str, str] | None:
    """Match a whole name with a pattern, ignoring case.

    Parameters
    ----------
    tokens : sequence of str
        The pattern as :func:`parse_template` returns it.
    name : str
        The file name or title.
    words : mapping of str to sequence of str, or None
        Words of the fields plane and side; if None, these fields match any word.
    greedy : bool
        Whether {any} matches as much as possible instead of as little.

    Returns
    -------
    dict of str to str, or None
        Text of each field; None if the name does not match.
    """
    match = match_tokens(tokens, name, _fields(tokens, words), numbers=["angle"], greedy=greedy)
    return None if match is None else match[0]


def explain_mismatch(tokens: Sequence[str], name: str) -> str:
    """Return which part of a pattern a name does not match."""
    end = 0
    for count in range(1, len(tokens) + 1):
        match = match_tokens(tokens[:count], name, _fields(tokens, None), numbers=["angle"], whole=False)
        if match is None:
            rest, token = name[end:], tokens[count - 1]
            part = f"the field {token}" if token[0] == "{" else f"the text {token!r}"
            return f"{part} does not fit {rest!r}" if rest else f"{part} is missing at the end"
        end = match[1]
    return f"{name[end:]!r} is left over at its end"


def parse_angle(text: str) -> float:
    """Return the number of an angle that matches :data:`ANGLE`."""
    plain = text.replace(",", ".").replace("\N{MINUS SIGN}", "-")
    return float({"p": "+", "m": "-"}.get(plain[0].lower(), plain[0]) + plain[1:])

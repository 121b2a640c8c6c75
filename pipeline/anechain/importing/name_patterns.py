"""Syntax of patterns for file names and titles: literal text with fields in braces, such as "hall {drive} V.txt"."""

from __future__ import annotations

import itertools
import re
from collections.abc import Collection, Iterator, Mapping, Sequence

__all__ = ["ANY", "WORD_OR_NUMBER", "match_tokens", "pattern_tokens"]

ANY = "any"
"""Field that stands for any text. A pattern may have it several times."""
_DIGITS = tuple("0123456789")
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


def match_tokens(
    tokens: Sequence[str],
    name: str,
    fields: Mapping[str, str],
    *,
    numbers: Collection[str] = (),
    greedy: bool = False,
    whole: bool = True,
) -> tuple[dict[str, str], int] | None:
    """Match a name with a pattern, ignoring case.

    Parameters
    ----------
    tokens : sequence of str
        Of :func:`pattern_tokens`.
    name : str
        The name.
    fields : mapping of str to str
        Regular expression of each field but {any}. Of several lengths that fit, the longest is tried first.
    numbers : collection of str
        Fields that do not end before a digit, where only a part of the number would be matched.
    greedy : bool
        Whether {any} stands for as much as possible instead of as little.
    whole : bool
        Whether the pattern has to reach the end of the name.

    Returns
    -------
    texts : dict of str to str
        Text of each field.
    end : int
        Where the match ends. The result is None if the name does not match.

    Notes
    -----
    It finds what a backtracking regular expression would find first. The time grows with the product of the lengths of
    pattern and name, and not exponentially with the number of fields {any}.
    """
    length = len(name)
    whole_numbers = {f"{{{field}}}" for field in numbers}
    parts = [
        None
        if token == f"{{{ANY}}}"
        else re.compile(fields[token[1:-1]] if token[0] == "{" else re.escape(token), re.IGNORECASE | re.DOTALL)
        for token in tokens
    ]

    def ends(token: str, part: re.Pattern[str] | None, start: int) -> Iterator[int]:
        """Yield where a part can end, in the order of preference."""
        if part is None:
            yield from range(length, start - 1, -1) if greedy else range(start, length + 1)
        elif (longest := part.match(name, start)) is not None:
            for end in range(longest.end(), start, -1):
                splits_number = token in whole_numbers and name[end : end + 1] in _DIGITS
                if not splits_number and (end == longest.end() or part.fullmatch(name, start, end)):
                    yield end

    # From which places the rest of the pattern can match, from its end to its start.
    possible = {length} if whole else set(range(length + 1))
    from_places = [possible]
    for token, part in zip(reversed(tokens), reversed(parts), strict=True):
        if part is None:
            last = max(possible, default=-1)
            possible = set(range(last + 1))
        else:
            possible = {at for at in range(length + 1) if any(end in possible for end in ends(token, part, at))}
        from_places.append(possible)
    from_places.reverse()
    if 0 not in from_places[0]:
        return None
    place, texts = 0, {}
    for token, part, later in zip(tokens, parts, from_places[1:], strict=True):
        end = next(end for end in ends(token, part, place) if end in later)
        if token[0] == "{" and part is not None:
            texts[token[1:-1]] = name[place:end]
        place = end
    return texts, place

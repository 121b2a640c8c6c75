"""Words of a table's header: names of columns for frequency, level and phase, and their units."""

from __future__ import annotations

import re
from collections.abc import Sequence

__all__ = ["NAMES", "UNITS", "columns_by_kind", "names_a_curve", "words_of"]

NAMES = {
    "frequency": {"frequency", "freq", "frequencies"},
    "level": {"spl", "level", "magnitude", "mag", "pressure"},
    "phase": {"phase"},
}
"""Words that name a column of each kind."""
UNITS = {
    "frequency": {"hz": "hertz", "khz": "kilohertz"},
    "level": {"db": "decibel", "dbspl": "decibel", "pa": "pascal"},
    "phase": {
        **dict.fromkeys(("deg", "degree", "degrees", "\N{DEGREE SIGN}"), "degree"),
        **dict.fromkeys(("rad", "radian", "radians"), "radian"),
    },
}
"""For each kind of column, the words for units and the unit that each means."""
_WORDS = re.compile(r"[^\W\d_]+|\N{DEGREE SIGN}")


def words_of(cell: str) -> set[str]:
    """Return the words of a header cell in lower case. The degree sign counts as a word."""
    # The masculine ordinal indicator is often typed instead of the degree sign.
    return set(_WORDS.findall(cell.casefold().replace("\N{MASCULINE ORDINAL INDICATOR}", "\N{DEGREE SIGN}")))


def columns_by_kind(cells: Sequence[str]) -> dict[str, list[int]]:
    """Return the columns that could be the frequency, level and phase.

    A column matches by its name. If no column has a name of that kind, columns with a unit of that kind match.

    Parameters
    ----------
    cells : sequence of str
        Header of each column.

    Returns
    -------
    dict of str to list of int
        Column numbers, counted from 0, for "frequency", "level" and "phase".
    """
    words = [words_of(cell) for cell in cells]
    named = {
        kind: [column for column, cell_words in enumerate(words) if cell_words & names] for kind, names in NAMES.items()
    }
    taken = {column for columns in named.values() for column in columns}
    return {
        kind: columns
        or [
            column for column, cell_words in enumerate(words) if cell_words & UNITS[kind].keys() and column not in taken
        ]
        for kind, columns in named.items()
    }


def names_a_curve(cells: Sequence[str]) -> bool:
    """Return whether header cells name a frequency and a level, each in its own column."""
    columns = columns_by_kind(cells)
    return bool(columns["frequency"] and columns["level"]) and not set(columns["frequency"]) & set(columns["level"])

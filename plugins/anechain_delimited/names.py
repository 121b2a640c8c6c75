"""Know the words by which a header names the columns of a curve, and their units."""

from __future__ import annotations

import re
from collections.abc import Sequence

__all__ = ["UNITS", "kinds_of", "name_a_curve", "words_of"]

NAMES = {
    "frequency": {"frequency", "freq", "frequencies"},
    "level": {"spl", "level", "magnitude", "mag", "pressure"},
    "phase": {"phase"},
}
UNITS = {
    "frequency": {"hz": "hertz", "khz": "kilohertz"},
    "level": {"db": "decibel", "dbspl": "decibel", "pa": "pascal"},
    "phase": {
        **dict.fromkeys(("deg", "degree", "degrees", "\N{DEGREE SIGN}"), "degree"),
        **dict.fromkeys(("rad", "radian", "radians"), "radian"),
    },
}
_WORDS = re.compile(r"[^\W\d_]+|\N{DEGREE SIGN}")


def words_of(cell: str) -> set[str]:
    """Words of a header cell in lower case; the degree sign is one."""
    # The masculine ordinal indicator is often typed for the degree sign.
    return set(_WORDS.findall(cell.casefold().replace("\N{MASCULINE ORDINAL INDICATOR}", "\N{DEGREE SIGN}")))


def kinds_of(cells: Sequence[str]) -> dict[str, list[int]]:
    """Columns that each kind could be, by its name, or by its unit where no column has the name."""
    words = [words_of(cell) for cell in cells]
    named = {kind: [at for at, found in enumerate(words) if found & names] for kind, names in NAMES.items()}
    taken = {at for columns in named.values() for at in columns}
    return {
        kind: columns or [at for at, found in enumerate(words) if found & UNITS[kind].keys() and at not in taken]
        for kind, columns in named.items()
    }


def name_a_curve(cells: Sequence[str]) -> bool:
    """Whether header cells name a frequency and a level, each in a column of its own."""
    kinds = kinds_of(cells)
    return bool(kinds["frequency"] and kinds["level"]) and not set(kinds["frequency"]) & set(kinds["level"])

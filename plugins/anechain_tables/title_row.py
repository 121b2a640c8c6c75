"""The row of titles of a table."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from anechain.errors import InputError
from anechain.importing.header_words import UNITS, words_of

if TYPE_CHECKING:
    from anechain_tables.options import TablesOptions

__all__ = ["find_title_row", "names_frequency", "no_titles_error", "titles_of_row"]

_FREQUENCY = {"frequency", "freq", "frequencies"}


def names_frequency(title: str) -> bool:
    """Return whether a title names the frequency, or is its unit."""
    words = words_of(title)
    return bool(words & _FREQUENCY) or (bool(words) and words <= {"f", *UNITS["frequency"]})


def find_title_row(rows: Sequence[Sequence[Any]], options: TablesOptions) -> int | None:
    """Return the index of the row of titles; None if there is none.

    It is the one that the options state, or the first with several cells of which one names the frequency.
    """
    if options.title_row is not None:
        return options.title_row - 1 if options.title_row <= len(rows) else None
    frequency_title = options.columns.get("frequency")
    for index, cells in enumerate(rows):
        titles = [str(cell).strip().lstrip("#").strip() for cell in cells if cell is not None and str(cell).strip()]
        if len(titles) > 1 and any(
            title == frequency_title if frequency_title else names_frequency(title) for title in titles
        ):
            return index
    return None


def titles_of_row(cells: Sequence[Any]) -> tuple[str, ...]:
    """Return the titles of a row without the empty ones at its end."""
    titles = ["" if cell is None else str(cell).strip() for cell in cells]
    while titles and not titles[-1]:
        titles.pop()
    return tuple(titles)


def no_titles_error(where: str) -> InputError:
    """Return the error for a table without a row of titles."""
    return InputError.single(
        where,
        "no row of titles names a frequency",
        "a row of titles, one of them frequency, freq, f or Hz",
        "set the option `title_row`, or the title of the frequencies in `columns`",
    )

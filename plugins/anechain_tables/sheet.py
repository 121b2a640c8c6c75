"""One table: its titles and its columns of cells."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from anechain.arrays import Floats
from anechain.errors import InputError
from anechain.importing.number_text import LENIENT_DECIMAL_COMMA, NUMBER_WITH_POINT

__all__ = ["Sheet"]

_MISSING = re.compile(r"|[+-]?nan|[+-]?inf(?:inity)?|-+|n/?a|#n/a|null|none", re.IGNORECASE)
"""Texts of cells without a value."""


@dataclass(frozen=True)
class Sheet:
    """One table.

    Attributes
    ----------
    where : str
        File, and sheet if it has several, for messages.
    names : tuple of str
        Names for it in the options: the label of its file, the name of its file, the name of the sheet.
    titles : tuple of str
        One for each column.
    columns : sequence of sequences
        Cells below the titles: numbers, texts, None.
    rows : sequence of int
        Line or row number of each cell, from 1; 0 if the format has no rows.
    decimal : str
        Decimal mark of numbers that are written as text: "point" or "comma".
    notes : tuple of str
        What was skipped, for the import report.
    """

    where: str
    names: tuple[str, ...]
    titles: tuple[str, ...]
    columns: Sequence[Sequence[Any]]
    rows: Sequence[int]
    decimal: str = "point"
    notes: tuple[str, ...] = ()

    def row_name(self, row: int) -> str:
        """Return the name of a row in messages, such as "row 12"."""
        return f"row {self.rows[row] or row + 1}"

    def numbers(self, column: int) -> Floats:
        """Return the numbers of a column; NaN where a cell is empty or states that the value is missing.

        Raises
        ------
        InputError
            If a cell contains anything else.
        """
        cells = self.columns[column]
        if isinstance(cells, np.ndarray) and cells.dtype.kind in "iuf":
            plain = cells.astype(np.float64)
            return np.where(np.isfinite(plain), plain, np.nan)
        pattern = NUMBER_WITH_POINT if self.decimal == "point" else LENIENT_DECIMAL_COMMA
        values = np.full(len(cells), np.nan)
        wrong: list[int] = []
        for row, cell in enumerate(cells):
            if isinstance(cell, int | float) and not isinstance(cell, bool):
                values[row] = cell if np.isfinite(cell) else np.nan
            elif isinstance(cell, str) and pattern.fullmatch(cell.strip()):
                values[row] = float(cell.strip().replace(",", "."))
            elif cell is not None and not (isinstance(cell, str) and _MISSING.fullmatch(cell.strip())):
                wrong.append(row)
        if wrong:
            more = f" (and {len(wrong) - 1} more)" if len(wrong) > 1 else ""
            text = str(cells[wrong[0]])[:40]
            raise InputError.single(
                self.where,
                f"{self.row_name(wrong[0])}, column {self.titles[column]!r}: {text!r} is not a number{more}",
                f"numbers with a decimal {self.decimal}, or empty cells",
                "correct the cell, or the options `decimal` and `ignore`",
            )
        return values

    def texts(self, column: int) -> list[str]:
        """Return the texts of a column, without surrounding blanks."""
        return ["" if cell is None else str(cell).strip() for cell in self.columns[column]]

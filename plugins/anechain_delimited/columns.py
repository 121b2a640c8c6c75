"""Columns of frequency, level and phase: which column is which."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from anechain.errors import InputError
from anechain.importing.header_words import UNITS, columns_by_kind, words_of
from anechain.importing.text_table import TextTable, cells_of_line, header_cells

if TYPE_CHECKING:
    from anechain_delimited.options import Columns

__all__ = ["CurveColumns", "choose_columns"]


@dataclass(frozen=True)
class CurveColumns:
    """Columns of a curve, counted from 0.

    Attributes
    ----------
    frequency, level : int
        Column numbers.
    phase : int or None
        Column number; None if there is no phase.
    units : dict of str to str
        Units of "frequency", "level" and "phase", where the header names one.
    assumed : bool
        Whether neither header nor options name the columns.
    notes : tuple of str
        What was assumed or ignored.
    """

    frequency: int
    level: int
    phase: int | None
    units: dict[str, str]
    assumed: bool = False
    notes: tuple[str, ...] = ()


def choose_columns(table: TextTable, columns: Columns | None, where: str) -> CurveColumns:
    """Find the columns of frequency, level and phase.

    Parameters
    ----------
    table : TextTable
        The numbers with their header.
    columns : Columns or None
        Columns in the options. None to use the names in the header or, without names, the usual order.
    where : str
        File name for error messages.

    Raises
    ------
    InputError
        If a column of the options is not in the table, or the header is ambiguous.
    """
    count = table.values.shape[1]
    cells = header_cells(table)
    notes: list[str] = []
    if columns is not None:
        if any(isinstance(column, str) for column in (columns.frequency, columns.level, columns.phase)):
            # The options may name a column by a word that `header_cells` does not know.
            split = [cells_of_line(line, table.row_format.separator, count) for line in table.header]
            cells = next((names for names in reversed(split) if names is not None), cells)
        by_kind = _columns_of_options(columns, cells, count, where)
    else:
        by_kind, notes = _columns_of_header(cells, count, where)
    assumed = bool(notes)
    units = {}
    for kind, column in by_kind.items():
        if cells and len(unit_words := words_of(cells[column]) & UNITS[kind].keys()) == 1:
            units[kind] = UNITS[kind][unit_words.pop()]
    ignored = [
        f"{column + 1}" + (f" ({cells[column]})" if cells and cells[column] else "")
        for column in range(count)
        if column not in by_kind.values()
    ]
    if ignored:
        notes.append(f"columns ignored: {', '.join(ignored)}")
    return CurveColumns(by_kind["frequency"], by_kind["level"], by_kind.get("phase"), units, assumed, tuple(notes))


def _columns_of_options(columns: Columns, cells: list[str], count: int, where: str) -> dict[str, int]:
    """Return the column numbers, from 0, that the options give by number or name."""
    by_kind: dict[str, int] = {}
    names = [cell.casefold() for cell in cells]
    names_without_unit = [re.sub(r"[\[(/].*", "", name).strip() for name in names]
    for kind in ("frequency", "level", "phase"):
        column = getattr(columns, kind)
        if column is None:
            continue
        if isinstance(column, int):
            matching = [column - 1] if column <= count else []
        else:
            wanted = column.strip().casefold()
            matching = [i for i, name in enumerate(names) if name == wanted] or [
                i for i, name in enumerate(names_without_unit) if name == wanted
            ]
        if len(matching) != 1:
            times = "several times" if matching else "not"
            raise InputError.single(
                where,
                f"the {kind} column {column!r} of the option `columns` is {times} in the table",
                f"numbers 1 to {count}" + (f", or one of {', '.join(map(repr, cells))}" if cells else ""),
                "correct the option `columns`",
            )
        by_kind[kind] = matching[0]
    if len(set(by_kind.values())) < len(by_kind):
        raise InputError.single(
            where, "two entries of the option `columns` are the same column", "different columns", "correct the option"
        )
    return by_kind


def _columns_of_header(cells: list[str], count: int, where: str) -> tuple[dict[str, int], list[str]]:
    """Return the columns by their names in the header, else the first columns in the usual order, and notes."""
    candidates = columns_by_kind(cells)
    fix = "name the columns in the option `columns`"
    for kind, columns in candidates.items():
        if len(columns) > 1:
            names = " and ".join(f"{column + 1} ({cells[column]})" for column in columns)
            raise InputError.single(where, f"columns {names} could each be the {kind}", "one of each", fix)
    named = {kind: columns[0] for kind, columns in candidates.items() if columns}
    if {"frequency", "level"} <= named.keys():
        return named, []
    assumed = {kind: column for column, kind in enumerate(("frequency", "level", "phase")) if column < count}
    if named.get("phase") is None and named:
        assumed.pop("phase", None)
    if any(assumed.get(kind) != column for kind, column in named.items()):
        listed = ", ".join(f"{kind} in column {column + 1}" for kind, column in named.items())
        absent = " and ".join(kind for kind in ("frequency", "level") if kind not in named)
        raise InputError.single(
            where, f"the header names {listed}, but no {absent}", "names of frequency and level in the header", fix
        )
    order = ", ".join(assumed)
    return assumed, [f"columns read in the order {order}: no header names them all"]

"""Find which column holds the frequency, which the level and which the phase."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from anechain.errors import InputError
from anechain_delimited.names import UNITS, kinds_of, name_a_curve, words_of
from anechain_delimited.table import SEPARATORS, Table, cells_of, uncommented

if TYPE_CHECKING:
    from anechain_delimited.options import Columns

__all__ = ["Chosen", "choose_columns", "header_cells"]

_NAME_WITH_UNIT = re.compile(r"[^\s(\[]+(?:[ \t]*(?:\([^)]*\)|\[[^\]]*\]))?")


@dataclass(frozen=True)
class Chosen:
    """Columns by their number from 0, with the units that the header gives.

    Attributes
    ----------
    frequency, level : int
        Column numbers.
    phase : int or None
        Column number, None if there is no phase.
    units : dict of str to str
        For "frequency", "level" and "phase", where the header names a unit.
    assumed : bool
        Whether neither header nor options say which column is which.
    notes : tuple of str
        What was assumed or left out.
    """

    frequency: int
    level: int
    phase: int | None
    units: dict[str, str]
    assumed: bool = False
    notes: tuple[str, ...] = ()


def _split_header(line: str, separator: str, columns: int) -> list[str] | None:
    """Cells of a header line if it can be split into as many cells as there are columns."""
    plain = uncommented(line)
    ways = [cells_of(plain, separator)]
    ways += [cells_of(plain, other) for other in SEPARATORS if other not in (separator, "blank")]
    ways += [re.split(r"\t+|[ \t]{2,}", plain), _NAME_WITH_UNIT.findall(plain), cells_of(plain, "blank")]
    return next((cells for cells in ways if len(cells) == columns), None)


def header_cells(table: Table, named: Callable[[Sequence[str]], bool] = name_a_curve) -> list[str]:
    """One text for each column: from the last line whose cells are `named` columns, and any line of units below it.

    Where no line does, the last line before the numbers counts, unless it holds digits, as settings do and names not.
    """
    columns = table.values.shape[1]
    split = [_split_header(line, table.dialect.separator, columns) for line in table.header]
    start = next((at for at in reversed(range(len(split))) if (cells := split[at]) and named(cells)), None)
    if start is not None:
        below = [cells for cells in split[start:] if cells]
        return [" ".join(column).strip() for column in zip(*below, strict=True)]
    last = split[-1] if split else None
    return last if last and not any(c.isdigit() for c in "".join(last)) else []


def _declared(wanted: Columns, cells: list[str], count: int, where: str) -> dict[str, int]:
    """Numbers of the columns that the options name."""
    found: dict[str, int] = {}
    plain = [cell.casefold() for cell in cells]
    bare = [re.sub(r"[\[(/].*", "", cell).strip() for cell in plain]
    for kind in ("frequency", "level", "phase"):
        column = getattr(wanted, kind)
        if column is None:
            continue
        if isinstance(column, int):
            at = [column - 1] if column <= count else []
        else:
            name = column.strip().casefold()
            at = [i for i, cell in enumerate(plain) if cell == name] or [
                i for i, cell in enumerate(bare) if cell == name
            ]
        if len(at) != 1:
            times = "twice or more" if at else "not at all"
            raise InputError.single(
                where,
                f"the {kind} column {column!r} of the option `columns` is there {times}",
                f"numbers 1 to {count}" + (f", or one of {', '.join(map(repr, cells))}" if cells else ""),
                "correct the option `columns`",
            )
        found[kind] = at[0]
    if len(set(found.values())) < len(found):
        raise InputError.single(
            where, "two entries of the option `columns` are the same column", "different columns", "correct the option"
        )
    return found


def _from_header(cells: list[str], count: int, where: str) -> tuple[dict[str, int], list[str]]:
    """Columns by the header's names, else the first ones in the usual order, with notes on what was assumed."""
    kinds = kinds_of(cells)
    fix = "say by the option `columns` which one it is"
    for kind, columns in kinds.items():
        if len(columns) > 1:
            names = " and ".join(f"{at + 1} ({cells[at]})" for at in columns)
            raise InputError.single(where, f"columns {names} all look like the {kind}", "one of each", fix)
    named = {kind: columns[0] for kind, columns in kinds.items() if columns}
    if {"frequency", "level"} <= named.keys():
        return named, []
    assumed = {kind: at for at, kind in enumerate(("frequency", "level", "phase")) if at < count}
    if named.get("phase") is None and named:
        assumed.pop("phase", None)
    if any(assumed.get(kind) != at for kind, at in named.items()):
        found = ", ".join(f"{kind} in column {at + 1}" for kind, at in named.items())
        lacking = " and ".join({"frequency", "level"} - named.keys())
        raise InputError.single(where, f"the header names {found}, but no {lacking}", "frequency and level named", fix)
    order = ", ".join(assumed)
    return assumed, [f"columns taken as {order}, in this order: no header names them all"]


def choose_columns(table: Table, wanted: Columns | None, where: str) -> Chosen:
    """Find the columns of frequency, level and phase.

    Parameters
    ----------
    table : Table
        The numbers with their header.
    wanted : Columns or None
        What the options say; None to go by the header's names, or by the usual order where it has none.
    where : str
        The file's name, for the refusal.

    Raises
    ------
    InputError
        If a declared column is not there, or if the header is of two minds.
    """
    count = table.values.shape[1]
    cells = header_cells(table)
    notes: list[str] = []
    if wanted is not None:
        if any(isinstance(column, str) for column in (wanted.frequency, wanted.level, wanted.phase)):
            # A name in the options may be none of those known here.
            names = [_split_header(line, table.dialect.separator, count) for line in table.header]
            cells = next((found for found in reversed(names) if found is not None), cells)
        found = _declared(wanted, cells, count, where)
    else:
        found, notes = _from_header(cells, count, where)
    assumed = bool(notes)
    units = {}
    for kind, at in found.items():
        if cells and len(given := words_of(cells[at]) & UNITS[kind].keys()) == 1:
            units[kind] = UNITS[kind][given.pop()]
    ignored = [
        f"{at + 1}" + (f" ({cells[at]})" if cells and cells[at] else "")
        for at in range(count)
        if at not in found.values()
    ]
    if ignored:
        notes.append(f"columns left out: {', '.join(ignored)}")
    return Chosen(found["frequency"], found["level"], found.get("phase"), units, assumed, tuple(notes))

"""Turn the columns of a table into levels of harmonic orders."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from anechain_delimited.table import Table
from numpy.typing import NDArray

from anechain.acoustics.curve.frequencies import resample
from anechain.arrays import Floats
from anechain.errors import InputError
from anechain_columns.choosing import columns_of_orders
from anechain_columns.names import values_of
from anechain_columns.numbers import frequencies_of, listed, refuse_missing
from anechain_columns.options import ColumnsOptions, Values

__all__ = ["Orders", "orders_of"]


@dataclass(frozen=True)
class Orders:
    """Harmonic orders at one drive.

    Attributes
    ----------
    frequency : numpy.ndarray, shape (n,)
        Hz of the excitation, rising.
    level, noise : dict of int to numpy.ndarray
        dB by order, as `level_kind` says; NaN where there is none.
    level_kind : str
        "spl" or "relative", or "" where the table does not say what its decibels refer to.
    notes : tuple of str
        What was assumed, converted or dropped.
    """

    frequency: Floats
    level: dict[int, Floats]
    noise: dict[int, Floats]
    level_kind: str
    notes: tuple[str, ...]


def orders_of(table: Table, cells: list[str], options: ColumnsOptions, where: str) -> Orders:
    """Read harmonic orders from a table.

    Values relative to the fundamental are added to its level. Where the table does not hold that, all levels are
    relative to the fundamental, which is then 0 dB by definition.

    Parameters
    ----------
    table : Table
        The numbers of one file.
    cells : list of str
        Header of each column; empty if there is none.
    options : ColumnsOptions
        Columns, what they hold, and what to do with missing values.
    where : str
        The file's name, for the refusal.

    Raises
    ------
    InputError
        If a column or what it holds cannot be told, a value is missing or impossible, or the frequencies do not rise.
    """
    at, orders, noises, notes = columns_of_orders(cells, options, table.values.shape[1], where)

    def cell(column: int) -> str:
        return cells[column] if cells else ""

    keep = options.missing == "keep"
    columns = {f"order {n}": column for n, column in orders.items()}
    columns |= {f"noise of order {n}": column for n, column in noises.items()}
    refuse_missing(table, {"frequency": at, **columns}, keep, where)
    frequency, rows = frequencies_of(table, at, cell(at), options, notes, where)
    kinds = _kinds({n: cell(column) for n, column in orders.items() if n > 1}, options, notes, where)
    fundamental = orders.get(1)
    if fundamental is not None and (said := values_of(cell(fundamental))) in ("percent", "relative"):
        notes.append(f"column {cell(fundamental)!r} left out: what the fundamental is relative to itself says nothing")
        del orders[1]
        noises.pop(1, None)
        fundamental = None
    spl = fundamental is not None and said == "level"
    given: dict[int, Floats] = {}
    under: dict[int, Floats] = {}
    for n, column in orders.items():
        kind = "level" if n == 1 else kinds[n]
        given[n] = _decibels(table.values[rows, column], kind, f"order {n}", table.lines[rows], keep, where)
        if n in noises:
            own = values_of(cell(noises[n])) or kind
            if own != kind and "level" in (own, kind):
                raise InputError.single(
                    where,
                    f"order {n} is given as {kind}, its noise as {own}",
                    "both as levels, or both relative to the fundamental",
                    "correct the header, or leave the noise out by the option `noise`",
                )
            values = table.values[rows, noises[n]]
            under[n] = _decibels(values, own, f"noise of order {n}", table.lines[rows], keep, where)
    excitation = frequency
    if options.frequency_of == "harmonic":
        excitation = frequency / min(given)
        for of in (given, under):
            of |= {n: resample(frequency, values, n * excitation) for n, values in of.items()}
        notes.append(
            "each order n moved from its own frequency to that of the excitation: read at n times it, linear in dB "
            "over log frequency"
        )
    relative = {kind for n, kind in kinds.items() if kind != "level"}
    if relative and len(relative) < len(set(kinds.values())):
        raise InputError.single(
            where, "some orders are levels, others relative to the fundamental", "one of the two", "set `values`"
        )
    level_kind = ""
    if relative:
        words = "per cent of" if relative == {"percent"} else "dB relative to"
        if fundamental is None:
            given[1] = np.zeros(excitation.size)
            level_kind = "relative"
            notes.append(
                f"orders in {words} the fundamental, whose level is not in the table: all levels are relative to it, "
                "and it is 0 dB by definition"
            )
        else:
            for of in (given, under):
                of |= {n: values + given[1] for n, values in of.items() if n > 1}
            notes.append(f"levels of the orders from the fundamental's level and {words} it")
    elif fundamental is None:
        notes.append("the fundamental is missing: distortion cannot be related to it")
    if not level_kind and (spl or (fundamental is None and _all_spl(orders, cells))):
        level_kind = "spl"
    for n, values in sorted(given.items()):
        if (gaps := np.isnan(values)).any():
            notes.append(f"order {n} missing at {listed(excitation[gaps])}")
    if len(under) < len(given):
        lacking = ", ".join(str(n) for n in sorted(given) if n not in under)
        notes.append(f"noise missing in orders {lacking}: the table has none")
    return Orders(excitation, dict(sorted(given.items())), under, level_kind, tuple(notes))


def _all_spl(orders: dict[int, int], cells: list[str]) -> bool:
    return bool(cells) and all(values_of(cells[column]) == "level" for column in orders.values())


def _kinds(cells: dict[int, str], options: ColumnsOptions, notes: list[str], where: str) -> dict[int, Values]:
    """What the column of each order above the first holds.

    Raises
    ------
    InputError
        If neither the option nor its header says.
    """
    said = {n: values_of(cell) for n, cell in cells.items()}
    if options.values != "auto":
        other = [cells[n] for n, kind in said.items() if kind not in (None, options.values)]
        if other:
            notes.append(f"orders taken as {options.values}, as the option says, though the header says {other[0]!r}")
        return dict.fromkeys(cells, options.values)
    known = {n: kind for n, kind in said.items() if kind is not None}
    if open_ := [cells[n] or f"order {n}" for n in cells if n not in known]:
        raise InputError.single(
            where,
            f"nothing says what {', '.join(map(repr, open_))} hold{'s' if len(open_) == 1 else ''}",
            "levels in dB, dB relative to the fundamental, or per cent of it",
            "set the option `values` to level, relative or percent",
        )
    notes.extend(f"values of the orders taken as {kind}, by the header" for kind in sorted(set(known.values())))
    return known


def _decibels(values: Floats, kind: str, name: str, lines: NDArray[np.int64], keep: bool, where: str) -> Floats:
    """Decibels of a column; per cent become dB relative to the fundamental."""
    if kind != "percent":
        return values
    bad = values < 0 if keep else values <= 0
    if bad.any():
        row = int(np.argmax(bad))
        raise InputError.single(
            where,
            f"line {lines[row]}: {name} is {values[row]:g} per cent, which has no level",
            "per cents above zero",
            "correct the option `values`"
            if values[row] < 0
            else "export more digits, or set the option `missing` to keep for a gap",
        )
    level = np.full(values.shape, np.nan)
    np.log10(values / 100.0, out=level, where=values > 0)
    return 20.0 * level

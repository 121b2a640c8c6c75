"""Levels of harmonic orders in a table."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.curve.frequencies import resample
from anechain.arrays import Floats
from anechain.errors import InputError
from anechain.importing.report_lines import frequencies_text
from anechain.importing.text_table import TextTable
from anechain_columns.column_values import check_missing, degrees_of_column, frequencies_of_column
from anechain_columns.columns import OrderColumns, order_columns
from anechain_columns.names import value_kind
from anechain_columns.options import ColumnsOptions, Values

__all__ = ["Orders", "orders_of_table"]


@dataclass(frozen=True)
class Orders:
    """Harmonic orders at one drive.

    Attributes
    ----------
    frequency : numpy.ndarray, shape (frequencies,)
        Frequency of the excitation in Hz, rising.
    level, noise : dict of int to numpy.ndarray
        Curves in dB by order, with the reference that `level_kind` states; NaN where there is no value.
    phase : dict of int to numpy.ndarray
        Phase by order, re n times the phase of the excitation, degrees within (-180, 180].
    level_kind : str
        "spl" or "relative", or "" if the table does not state the reference of its decibels.
    notes : tuple of str
        What was assumed, converted or ignored.
    """

    frequency: Floats
    level: dict[int, Floats]
    noise: dict[int, Floats]
    phase: dict[int, Floats]
    level_kind: str
    notes: tuple[str, ...]


def orders_of_table(table: TextTable, cells: list[str], options: ColumnsOptions, where: str) -> Orders:
    """Return the harmonic orders that a table holds.

    Values relative to the fundamental are added to its level. If the table does not hold the level of the
    fundamental, all levels are relative to the fundamental, which is then 0 dB by definition.

    Parameters
    ----------
    table : TextTable
        The numbers of one file.
    cells : list of str
        Header of each column; empty if there is none.
    options : ColumnsOptions
        Columns, their values, and what to do with missing values.
    where : str
        File name for error messages.

    Raises
    ------
    InputError
        If a column or its kind of values is not known, a value is missing or impossible, or the frequencies do not
        rise.
    """
    columns = order_columns(cells, options, table.values.shape[1], where)
    orders, notes = columns.orders, columns.notes

    def cell(column: int) -> str:
        return cells[column] if cells else ""

    keep = options.missing == "keep"
    by_name = {f"order {order}": column for order, column in orders.items()}
    by_name |= {f"noise of order {order}": column for order, column in columns.noise.items()}
    by_name |= {f"phase of order {order}": column for order, column in columns.phases.items()}
    check_missing(table, {"frequency": columns.frequency, **by_name}, keep, where)
    frequency, rows = frequencies_of_column(table, columns.frequency, cell(columns.frequency), options, notes, where)
    kinds = _value_kinds({order: cell(column) for order, column in orders.items() if order > 1}, options, notes, where)
    # What a column of the fundamental "relative to the fundamental" holds is not a level.
    kind_of_fundamental = value_kind(cell(orders[1])) if 1 in orders else None
    if kind_of_fundamental in ("percent", "relative"):
        notes.append(f"column {cell(orders[1])!r} ignored: the fundamental relative to itself is no level")
        del orders[1]
        columns.noise.pop(1, None)
    has_fundamental = 1 in orders
    level, noise = _read_curves(table, rows, columns, cells, kinds, keep, where)
    phase = {
        order: degrees_of_column(table.values[rows, column], cell(column), options, notes, where)
        for order, column in columns.phases.items()
        if order in level
    }
    excitation = frequency
    if options.frequency_of == "harmonic":
        excitation = frequency / min(level)
        for curves in (level, noise):
            curves |= {order: resample(frequency, curve, order * excitation) for order, curve in curves.items()}
        phase = {order: _moved(frequency, curve, order * excitation) for order, curve in phase.items()}
        notes.append(
            "each order n moved from its own frequency to that of the excitation: interpolated at n times it, linearly "
            "in dB over log frequency"
        )
    relative_kinds = {kind for kind in kinds.values() if kind != "level"}
    if relative_kinds and len(relative_kinds) < len(set(kinds.values())):
        raise InputError.single(
            where, "some orders are levels, others relative to the fundamental", "one of the two", "set `values`"
        )
    level_kind = ""
    if relative_kinds:
        reference = "per cent of" if relative_kinds == {"percent"} else "dB relative to"
        if not has_fundamental:
            level[1] = np.zeros(excitation.size)
            level_kind = "relative"
            notes.append(
                f"orders in {reference} the fundamental, whose level is not in the table: all levels are relative to "
                "the fundamental, which is 0 dB by definition"
            )
        else:
            for curves in (level, noise):
                curves |= {order: curve + level[1] for order, curve in curves.items() if order > 1}
            notes.append(f"levels of the orders calculated from the level of the fundamental and {reference} it")
    elif not has_fundamental:
        notes.append("the fundamental is missing: distortion relative to it cannot be calculated")
    spl = kind_of_fundamental == "level" if has_fundamental else _all_are_levels(orders, cells)
    if not level_kind and spl:
        level_kind = "spl"
    for order, curve in sorted(level.items()):
        if (gaps := np.isnan(curve)).any():
            notes.append(f"order {order} missing at {frequencies_text(excitation[gaps])}")
    if len(noise) < len(level):
        without_noise = ", ".join(str(order) for order in sorted(level) if order not in noise)
        notes.append(f"noise missing in orders {without_noise}: the table has none")
    return Orders(excitation, dict(sorted(level.items())), noise, phase, level_kind, tuple(notes))


def _moved(frequency: Floats, phase: Floats, target: Floats) -> Floats:
    """Return a phase in degrees at other frequencies; linear over log frequency from one value to the next."""
    turned = resample(frequency, np.unwrap(phase, period=360.0), target)
    return np.asarray(180.0 - (180.0 - turned) % 360.0)


def _all_are_levels(orders: dict[int, int], cells: list[str]) -> bool:
    return bool(cells) and all(value_kind(cells[column]) == "level" for column in orders.values())


def _read_curves(
    table: TextTable,
    rows: slice,
    columns: OrderColumns,
    cells: list[str],
    kinds: dict[int, Values],
    keep: bool,
    where: str,
) -> tuple[dict[int, Floats], dict[int, Floats]]:
    """Return levels and noise in dB by order, each as a level or relative to the fundamental, as in the table."""
    level: dict[int, Floats] = {}
    noise: dict[int, Floats] = {}
    lines = table.lines[rows]
    for order, column in columns.orders.items():
        kind = "level" if order == 1 else kinds[order]
        level[order] = _decibels(table.values[rows, column], kind, f"order {order}", lines, keep, where)
        if order not in columns.noise:
            continue
        noise_column = columns.noise[order]
        noise_kind = value_kind(cells[noise_column] if cells else "") or kind
        if noise_kind != kind and "level" in (noise_kind, kind):
            raise InputError.single(
                where,
                f"order {order} is given as {kind}, its noise as {noise_kind}",
                "both as levels, or both relative to the fundamental",
                "correct the header, or leave the noise out by the option `noise`",
            )
        values = table.values[rows, noise_column]
        noise[order] = _decibels(values, noise_kind, f"noise of order {order}", lines, keep, where)
    return level, noise


def _value_kinds(cells: dict[int, str], options: ColumnsOptions, notes: list[str], where: str) -> dict[int, Values]:
    """Return the kind of values of each order above the first, by the option, else by the header.

    Parameters
    ----------
    cells : dict of int to str
        Header of each order's column.

    Raises
    ------
    InputError
        If neither option nor header decides.
    """
    by_header = {order: value_kind(cell) for order, cell in cells.items()}
    if options.values != "auto":
        other = [cells[order] for order, kind in by_header.items() if kind not in (None, options.values)]
        if other:
            notes.append(f"orders read as {options.values}, by the option, although the header has {other[0]!r}")
        return dict.fromkeys(cells, options.values)
    known = {order: kind for order, kind in by_header.items() if kind is not None}
    if unknown := [cells[order] or f"order {order}" for order in cells if order not in known]:
        raise InputError.single(
            where,
            f"the kind of values of {', '.join(map(repr, unknown))} is not known",
            "levels in dB, dB relative to the fundamental, or per cent of it",
            "set the option `values` to level, relative or percent",
        )
    notes.extend(f"values of the orders read as {kind}, by the header" for kind in sorted(set(known.values())))
    return known


def _decibels(values: Floats, kind: str, name: str, lines: NDArray[np.int64], keep: bool, where: str) -> Floats:
    """Return values in dB; per cent become dB relative to the fundamental."""
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

"""Columns of an impedance or of harmonic orders: which column is which, by the options or by the header."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from anechain.errors import InputError
from anechain_columns.names import impedance_kind, name_without_unit, order_of
from anechain_columns.options import Column, ColumnsOptions

__all__ = ["OrderColumns", "impedance_columns", "order_columns"]


@dataclass(frozen=True)
class OrderColumns:
    """Columns of harmonic orders, counted from 0.

    Attributes
    ----------
    frequency : int
    orders, noise, phases : dict of int to int
        Columns of the levels, of the noise and of the phases, by order.
    notes : list of str
        What was assumed or ignored.
    """

    frequency: int
    orders: dict[int, int]
    noise: dict[int, int]
    phases: dict[int, int]
    notes: list[str]


def _column_number(column: Column, what: str, cells: Sequence[str], count: int, where: str) -> int:
    """Return the number, from 0, of a column that the options give by number or by name."""
    if isinstance(column, int):
        matching = [column - 1] if column <= count else []
    else:
        wanted = column.strip().casefold()
        names = [cell.strip().casefold() for cell in cells]
        matching = [i for i, name in enumerate(names) if name == wanted] or [
            i for i, name in enumerate(names) if name_without_unit(name) == wanted
        ]
    if len(matching) != 1:
        raise InputError.single(
            where,
            f"the column {column!r} of {what} is {'several times' if matching else 'not'} in the table",
            f"numbers 1 to {count}" + (f", or one of {', '.join(map(repr, cells))}" if cells else ""),
            "correct the option",
        )
    return matching[0]


def _check_unique(candidates: Mapping[str, list[int]], cells: Sequence[str], where: str, option: str) -> None:
    """Check that the header names one column of each kind."""
    for what, columns in candidates.items():
        if len(columns) > 1:
            names = " and ".join(f"{column + 1} ({cells[column]})" for column in columns)
            fix = f"name the column in the option `{option}`"
            raise InputError.single(where, f"columns {names} could each be the {what}", "one of each", fix)


def _ignored_columns(cells: Sequence[str], count: int, used: set[int]) -> list[str]:
    """Return a note on the columns that are not used; none if all are."""
    names = [
        f"{column + 1}" + (f" ({cells[column]})" if cells and cells[column] else "")
        for column in range(count)
        if column not in used
    ]
    return [f"columns ignored: {', '.join(names)}"] if names else []


def _frequency_column(
    cells: Sequence[str], options: ColumnsOptions, count: int, others: set[int], where: str
) -> tuple[int, list[str]]:
    """Return the column of the frequency (by the options, by its name, else the first column), and notes."""
    if "frequency" in options.columns:
        return _column_number(options.columns["frequency"], "the frequency", cells, count, where), []
    named = [
        column for column, cell in enumerate(cells) if impedance_kind(cell) == "frequency" and column not in others
    ]
    _check_unique({"frequency": named}, cells, where, "columns")
    if named:
        return named[0], []
    if 0 in others:
        fix = "name the column in the option `columns`"
        raise InputError.single(where, "no column is named as the frequency", "one", fix)
    return 0, ["first column read as the frequency: no column has its name"]


def impedance_columns(
    cells: Sequence[str], options: ColumnsOptions, count: int, where: str
) -> tuple[dict[str, int], list[str]]:
    """Find the columns of an impedance.

    Parameters
    ----------
    cells : sequence of str
        Header of each column; empty if there is none.
    options : ColumnsOptions
        The option `columns` has priority over the header.
    count : int
        Number of columns.
    where : str
        File name for error messages.

    Returns
    -------
    columns : dict of str to int
        Columns, from 0, of "frequency" and "magnitude" (and "phase"), or of "frequency", "real" and "imaginary".
    notes : list of str
        What was assumed or ignored.

    Raises
    ------
    InputError
        If a column of the options is not in the table; if the header is ambiguous; or if there is no header and
        more than two columns.
    """
    by_kind: dict[str, int]
    in_options = {kind: column for kind, column in options.columns.items() if kind != "frequency"}
    if in_options:
        by_kind = {
            kind: _column_number(column, f"the {kind}", cells, count, where) for kind, column in in_options.items()
        }
        frequency, notes = _frequency_column(cells, options, count, set(by_kind.values()), where)
    else:
        candidates: dict[str, list[int]] = {}
        for column, cell in enumerate(cells):
            if (kind := impedance_kind(cell)) is not None and kind != "frequency":
                candidates.setdefault(kind, []).append(column)
        _check_unique(candidates, cells, where, "columns")
        by_kind = {kind: columns[0] for kind, columns in candidates.items()}
        frequency, notes = _frequency_column(cells, options, count, set(by_kind.values()), where)
        by_kind = {kind: column for kind, column in by_kind.items() if column != frequency}
        parts = {"real", "imaginary"} <= by_kind.keys() and "phase" not in by_kind
        kinds = ("real", "imaginary") if parts else ("magnitude", "phase")
        by_kind = {kind: by_kind[kind] for kind in kinds if kind in by_kind}
        if not parts and "magnitude" not in by_kind:
            if count != 2:
                raise InputError.single(
                    where,
                    f"it is not known which of {count} columns is the impedance, or whether they are modulus and phase "
                    "or real and imaginary part",
                    "a header with names, or the option `columns`",
                    "name the columns in the option `columns`",
                )
            by_kind = {"magnitude": 1 - frequency}
            notes.append("other column read as the modulus: it has no known name")
    if frequency in by_kind.values():
        raise InputError.single(
            where, f"column {frequency + 1} is the frequency and the impedance", "different columns"
        )
    by_kind["frequency"] = frequency
    return by_kind, notes + _ignored_columns(cells, count, set(by_kind.values()))


def order_columns(cells: Sequence[str], options: ColumnsOptions, count: int, where: str) -> OrderColumns:
    """Find the columns of harmonic orders.

    Parameters
    ----------
    cells : sequence of str
        Header of each column; empty if there is none.
    options : ColumnsOptions
        The options `columns`, `orders`, `noise` and `phases` have priority over the header.
    count : int
        Number of columns.
    where : str
        File name for error messages.

    Raises
    ------
    InputError
        If a column of the options is not in the table, the header is ambiguous, or it names a total without orders.
    """
    named = [order_of(cell) for cell in cells]
    if options.orders:
        orders = {
            order: _column_number(column, f"order {order}", cells, count, where)
            for order, column in options.orders.items()
        }
    else:
        candidates: dict[int, list[int]] = {}
        for column, name in enumerate(named):
            if name is not None and name.order is not None and not name.is_noise:
                candidates.setdefault(name.order, []).append(column)
        _check_unique({f"order {order}": columns for order, columns in candidates.items()}, cells, where, "orders")
        orders = {order: columns[0] for order, columns in candidates.items()}
    if not any(order > 1 for order in orders):
        totals = [cells[column] for column, name in enumerate(named) if name is not None and name.order is None]
        if totals:
            raise InputError.single(
                where,
                f"the table has only a total over the orders ({', '.join(totals)}): a total cannot be split into "
                "orders, which the dataset of harmonics needs",
                "a column for each order",
                "export the orders too",
            )
        raise InputError.single(
            where,
            "no column is named as a harmonic order above the first",
            "columns such as H2, k2, 2nd or order 2",
            "name the columns in the option `orders`",
        )
    if options.noise:
        noise = {
            order: _column_number(column, f"the noise of order {order}", cells, count, where)
            for order, column in options.noise.items()
        }
    else:
        candidates = {}
        for column, name in enumerate(named):
            if name is not None and name.is_noise and name.order in orders and column not in orders.values():
                candidates.setdefault(name.order, []).append(column)
        noise_names = {f"noise of order {order}": columns for order, columns in candidates.items()}
        _check_unique(noise_names, cells, where, "noise")
        noise = {order: columns[0] for order, columns in candidates.items()}
    phases = {
        order: _column_number(column, f"the phase of order {order}", cells, count, where)
        for order, column in options.phases.items()
    }
    if unknown := sorted(phases.keys() - orders.keys()):
        listed = ", ".join(map(str, unknown))
        raise InputError.single(
            where, f"a phase of order {listed}, whose level is not in the table", "phases of the orders that it has"
        )
    others = {*orders.values(), *noise.values(), *phases.values()}
    frequency, notes = _frequency_column(cells, options, count, others, where)
    if frequency in others or len(others) < len(orders) + len(noise) + len(phases):
        raise InputError.single(
            where,
            "two of frequency, orders, noise and phases are the same column",
            "different columns",
            "correct the options",
        )
    notes += _ignored_columns(cells, count, {frequency, *others})
    return OrderColumns(frequency, dict(sorted(orders.items())), noise, phases, notes)

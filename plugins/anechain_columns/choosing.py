"""Find which column is what, by the options or by the header."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence

from anechain_delimited.table import Table, read_table

from anechain.errors import InputError
from anechain_columns.names import impedance_kind, name_an_impedance, name_columns, name_orders, order_of
from anechain_columns.options import Column, ColumnsOptions
from anechain_delimited.columns import header_cells

__all__ = ["columns_of_impedance", "columns_of_orders", "quantity_of", "table_of"]


def _declared(options: ColumnsOptions) -> set[str]:
    """Names of columns in the options, in lower case."""
    given = [*options.columns.values(), *options.orders.values(), *options.noise.values()]
    return {column.strip().casefold() for column in given if isinstance(column, str)}


def _bare(cell: str) -> str:
    return re.sub(r"[\[(/].*", "", cell).strip()


def _naming(options: ColumnsOptions) -> Callable[[Sequence[str]], bool]:
    """Test of whether a header line's cells name columns: all that the options name, or some that are known here."""
    declared = _declared(options)

    def named(cells: Sequence[str]) -> bool:
        plain = {form for cell in cells for form in (cell.strip().casefold(), _bare(cell.casefold()))}
        if declared:
            return declared <= plain
        return name_columns(cells)

    return named


def table_of(text: str, where: str, options: ColumnsOptions) -> tuple[Table, list[str]]:
    """Numbers of a text, and one header text for each column; none where no header counts the columns.

    Raises
    ------
    InputError
        As :func:`anechain_delimited.table.read_table` does.
    """
    named = _naming(options)
    table = read_table(
        text, where, options.separator, options.decimal, options.skip_lines, options.skip_last_lines, named
    )
    return table, header_cells(table, named)


def quantity_of(cells: Sequence[str], options: ColumnsOptions, where: str) -> str:
    """What a table holds, "impedance" or "harmonics": as the options say or imply, or as the header does.

    Raises
    ------
    InputError
        If neither says, or the header names both.
    """
    if options.quantity != "auto":
        return options.quantity
    if options.columns.keys() - {"frequency"}:
        return "impedance"
    if options.orders or options.noise or options.pattern or options.drives:
        return "harmonics"
    ohms = name_an_impedance(cells)
    orders = name_orders(cells) or (not ohms and any(order_of(cell) is not None for cell in cells))
    if ohms == orders:
        found = "both an impedance and harmonic orders" if ohms else "neither an impedance nor harmonic orders"
        raise InputError.single(
            where,
            f"the header names {found}" if cells else "no header names the columns",
            "a frequency, and an impedance or harmonic orders",
            "say by the option `quantity` what it holds, and by `columns` or `orders` where",
        )
    return "impedance" if ohms else "harmonics"


def _number_of(column: Column, what: str, cells: Sequence[str], count: int, where: str) -> int:
    """Number from 0 of a column that the options give by number or name."""
    if isinstance(column, int):
        at = [column - 1] if column <= count else []
    else:
        name = column.strip().casefold()
        plain = [cell.strip().casefold() for cell in cells]
        at = [i for i, cell in enumerate(plain) if cell == name] or [
            i for i, cell in enumerate(plain) if _bare(cell) == name
        ]
    if len(at) != 1:
        raise InputError.single(
            where,
            f"the column {column!r} of {what} is there {'twice or more' if at else 'not at all'}",
            f"numbers 1 to {count}" + (f", or one of {', '.join(map(repr, cells))}" if cells else ""),
            "correct the option",
        )
    return at[0]


def _once(found: Mapping[str, list[int]], cells: Sequence[str], where: str, option: str) -> None:
    for what, columns in found.items():
        if len(columns) > 1:
            names = " and ".join(f"{at + 1} ({cells[at]})" for at in columns)
            raise InputError.single(
                where, f"columns {names} all look like the {what}", "one of each", f"say by the option `{option}`"
            )


def _left_out(cells: Sequence[str], count: int, used: set[int]) -> list[str]:
    names = [f"{at + 1}" + (f" ({cells[at]})" if cells and cells[at] else "") for at in range(count) if at not in used]
    return [f"columns left out: {', '.join(names)}"] if names else []


def _frequency_column(
    cells: Sequence[str], options: ColumnsOptions, count: int, others: set[int], where: str
) -> tuple[int, list[str]]:
    """Column of the frequency: declared, named, or the first."""
    if "frequency" in options.columns:
        return _number_of(options.columns["frequency"], "the frequency", cells, count, where), []
    named = [at for at, cell in enumerate(cells) if impedance_kind(cell) == "frequency" and at not in others]
    _once({"frequency": named}, cells, where, "columns")
    if named:
        return named[0], []
    if 0 in others:
        raise InputError.single(where, "no column is named as the frequency", "one", "say by the option `columns`")
    return 0, ["the first column taken as the frequency: nothing names it"]


def columns_of_impedance(
    cells: Sequence[str], options: ColumnsOptions, count: int, where: str
) -> tuple[dict[str, int], list[str]]:
    """Columns from 0 of frequency and magnitude (and phase), or of frequency, real and imaginary, with notes.

    Raises
    ------
    InputError
        If a declared column is not there, or the header is of two minds, or there is none and more than two columns.
    """
    found: dict[str, int]
    wanted = {kind: column for kind, column in options.columns.items() if kind != "frequency"}
    if wanted:
        found = {kind: _number_of(column, f"the {kind}", cells, count, where) for kind, column in wanted.items()}
        frequency, notes = _frequency_column(cells, options, count, set(found.values()), where)
    else:
        by_kind: dict[str, list[int]] = {}
        for at, cell in enumerate(cells):
            if (kind := impedance_kind(cell)) is not None and kind != "frequency":
                by_kind.setdefault(kind, []).append(at)
        _once(by_kind, cells, where, "columns")
        found = {kind: columns[0] for kind, columns in by_kind.items()}
        frequency, notes = _frequency_column(cells, options, count, set(found.values()), where)
        found = {kind: at for kind, at in found.items() if at != frequency}
        parts = {"real", "imaginary"} <= found.keys() and "phase" not in found
        chosen = ("real", "imaginary") if parts else ("magnitude", "phase")
        found = {kind: found[kind] for kind in chosen if kind in found}
        if not parts and "magnitude" not in found:
            if count != 2:
                raise InputError.single(
                    where,
                    f"nothing says which of {count} columns is the impedance, or whether they are modulus and phase or "
                    "real and imaginary part",
                    "a header that says so, or the option `columns`",
                    "say by the option `columns` which is which",
                )
            found = {"magnitude": 1 - frequency}
            notes.append("the other column taken as the modulus: nothing names it")
    if frequency in found.values():
        raise InputError.single(
            where, f"column {frequency + 1} is the frequency and the impedance", "different columns"
        )
    found["frequency"] = frequency
    return found, notes + _left_out(cells, count, set(found.values()))


def columns_of_orders(
    cells: Sequence[str], options: ColumnsOptions, count: int, where: str
) -> tuple[int, dict[int, int], dict[int, int], list[str]]:
    """Columns from 0 of the frequency, of each order and of each order's noise, with notes.

    Raises
    ------
    InputError
        If a declared column is not there, the header is of two minds, or it names a total without orders.
    """
    named = [order_of(cell) for cell in cells]
    if options.orders:
        orders = {n: _number_of(one, f"order {n}", cells, count, where) for n, one in options.orders.items()}
    else:
        by_order: dict[str, list[int]] = {}
        for at, one in enumerate(named):
            if one is not None and one.order is not None and not one.is_noise:
                by_order.setdefault(f"order {one.order}", []).append(at)
        _once(by_order, cells, where, "orders")
        orders = {int(name.removeprefix("order ")): columns[0] for name, columns in by_order.items()}
    if not any(order > 1 for order in orders):
        totals = [cells[at] for at, one in enumerate(named) if one is not None and one.order is None]
        if totals:
            raise InputError.single(
                where,
                f"only a total over the orders is there ({', '.join(totals)}): it cannot be told apart into orders, "
                "and the dataset of harmonics holds orders",
                "a column for each order",
                "export the orders too",
            )
        raise InputError.single(
            where,
            "no column is named as a harmonic order above the first",
            "columns such as H2, k2, 2nd or order 2",
            "say by the option `orders` which column is which order",
        )
    if options.noise:
        noise = {n: _number_of(one, f"the noise of order {n}", cells, count, where) for n, one in options.noise.items()}
    else:
        by_noise: dict[str, list[int]] = {}
        for at, one in enumerate(named):
            if one is not None and one.is_noise and one.order in orders and at not in orders.values():
                by_noise.setdefault(f"noise of order {one.order}", []).append(at)
        _once(by_noise, cells, where, "noise")
        noise = {int(name.removeprefix("noise of order ")): columns[0] for name, columns in by_noise.items()}
    others = {*orders.values(), *noise.values()}
    frequency, notes = _frequency_column(cells, options, count, others, where)
    if frequency in others or len(others) < len(orders) + len(noise):
        raise InputError.single(
            where, "two of frequency, orders and noise are the same column", "different columns", "correct the options"
        )
    return frequency, dict(sorted(orders.items())), noise, notes + _left_out(cells, count, {frequency, *others})

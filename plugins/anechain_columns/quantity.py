"""Quantity of a table: an impedance or harmonic orders."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from anechain.errors import InputError
from anechain.importing.text_table import TextTable, header_cells, read_table
from anechain_columns.names import name_without_unit, names_an_impedance, names_columns, names_orders, order_of
from anechain_columns.options import ColumnsOptions

__all__ = ["quantity_of", "read_titled_table"]


def _header_test(options: ColumnsOptions) -> Callable[[Sequence[str]], bool]:
    """Return a function that tells whether the cells of a line are names of columns.

    If the options give names of columns, the line must hold all of them. Otherwise it must hold known names.
    """
    columns = [*options.columns.values(), *options.orders.values(), *options.noise.values(), *options.phases.values()]
    wanted = {column.strip().casefold() for column in columns if isinstance(column, str)}

    def is_header(cells: Sequence[str]) -> bool:
        if not wanted:
            return names_columns(cells)
        names = {name for cell in cells for name in (cell.strip().casefold(), name_without_unit(cell.casefold()))}
        return wanted <= names

    return is_header


def read_titled_table(text: str, where: str, options: ColumnsOptions) -> tuple[TextTable, list[str]]:
    """Read a table of numbers with its header.

    Parameters
    ----------
    text : str
        Lines that end with line feeds.
    where : str
        File name for error messages.
    options : ColumnsOptions
        Names of columns, separator, decimal mark and lines to ignore.

    Returns
    -------
    table : TextTable
    cells : list of str
        Header of each column; empty if there is no header with a cell for each column.

    Raises
    ------
    InputError
        As :func:`anechain.importing.text_table.read_table`.
    """
    is_header = _header_test(options)
    table = read_table(
        text, where, options.separator, options.decimal, options.skip_lines, options.skip_last_lines, is_header
    )
    return table, header_cells(table, is_header)


def quantity_of(cells: Sequence[str], options: ColumnsOptions, where: str) -> str:
    """Return the quantity of a table, "impedance" or "harmonics", by the options, else by its header.

    Parameters
    ----------
    cells : sequence of str
        Header of each column; empty if there is none.
    options : ColumnsOptions
        The option `quantity`, or options of one quantity only, decide.
    where : str
        File name for error messages.

    Raises
    ------
    InputError
        If the options do not decide, and the header names none of the two or both.
    """
    if options.quantity != "auto":
        return options.quantity
    if options.columns.keys() - {"frequency"}:
        return "impedance"
    if options.orders or options.noise or options.phases or options.pattern or options.drives:
        return "harmonics"
    impedance = names_an_impedance(cells)
    orders = names_orders(cells) or (not impedance and any(order_of(cell) is not None for cell in cells))
    if impedance == orders:
        content = "both an impedance and harmonic orders" if impedance else "neither an impedance nor harmonic orders"
        raise InputError.single(
            where,
            f"the header names {content}" if cells else "no header names the columns",
            "a frequency, and an impedance or harmonic orders",
            "set the option `quantity`, and name the columns in `columns` or `orders`",
        )
    return "impedance" if impedance else "harmonics"

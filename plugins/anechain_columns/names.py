"""Names in a header: columns of an impedance or of harmonic orders, and their units."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from anechain.importing.header_words import NAMES, UNITS, words_of
from anechain_columns.options import Kind, Values

__all__ = [
    "OrderName",
    "impedance_kind",
    "name_without_unit",
    "names_an_impedance",
    "names_columns",
    "names_orders",
    "order_of",
    "unit_of",
    "value_kind",
]

_OHM = {
    **dict.fromkeys(("ohm", "ohms", "\N{GREEK SMALL LETTER OMEGA}"), "ohm"),
    **dict.fromkeys(("kohm", "kohms", "kilohm", "kilohms", "k\N{GREEK SMALL LETTER OMEGA}"), "kilohm"),
}
_IMPEDANCE_NAMES: tuple[tuple[Kind, set[str], str], ...] = (
    # "Re(Z)" and "phase of Z" also hold a name of the impedance. So the parts are tried before the magnitude.
    ("imaginary", {"imaginary", "imag", "im", "reactance"}, "x"),
    ("real", {"real", "re", "resistance"}, "r"),
    ("phase", {"phase", "arg", "argument"}, ""),
    ("magnitude", {"impedance", "modulus", "magnitude", "mag", "z"}, ""),
)
"""Kind of column, its names, and a letter that names it if no other word is in the cell."""
_ALL_UNITS = {*UNITS["frequency"], *UNITS["phase"], *_OHM}
_ORDERS = [
    re.compile(pattern)
    for pattern in (
        r"(?<![a-z])(?:hd?|k|d)[ -]?([0-9]{1,2})(?![0-9.,])",
        r"(?<![0-9.,])([0-9]{1,2})(?:st|nd|rd|th)(?![a-z])",
        r"(?<![a-z])(?:order|harmonic)[ .#-]*([0-9]{1,2})(?![0-9.,])",
        r"(?<![0-9.,])([0-9]{1,2})[. -]{1,2}(?:order|harmonic)(?![a-z])",
    )
]
_NOISE_OF_ORDER = re.compile(r"(?<![a-z])(?:noise[ -]?|n)([0-9]{1,2})(?![0-9.,])")
_TOTAL = {"thd", "thdn"}


def name_without_unit(cell: str) -> str:
    """Return a header cell without a unit in brackets or after a slash."""
    return re.sub(r"[\[(/].*", "", cell).strip()


def unit_of(cell: str, kind: str) -> str | None:
    """Return the unit in a header cell of a frequency, phase or impedance; None if it has none, or several."""
    units = UNITS["frequency"] if kind == "frequency" else UNITS["phase"] if kind == "phase" else _OHM
    in_cell = {units[word] for word in words_of(cell) & units.keys()}
    return in_cell.pop() if len(in_cell) == 1 else None


def _kind_by_name(cell: str) -> Kind | None:
    names = words_of(cell) - _ALL_UNITS
    if names & NAMES["frequency"] or names == {"f"}:
        return "frequency"
    for kind, kind_names, letter in _IMPEDANCE_NAMES:
        if names & kind_names or names == {letter}:
            return kind
    return None


def impedance_kind(cell: str) -> Kind | None:
    """Return the kind of a column of an impedance by the name in its header cell, else by its unit."""
    words = words_of(cell)
    units: tuple[tuple[Kind, dict[str, str]], ...] = (
        ("frequency", UNITS["frequency"]),
        ("magnitude", _OHM),
        ("phase", UNITS["phase"]),
    )
    by_unit = (kind for kind, kind_units in units if words & kind_units.keys())
    return _kind_by_name(cell) or next(by_unit, None)


def names_columns(cells: Sequence[str]) -> bool:
    """Return whether cells are names of columns, and not a line of units below the names, or a sentence."""
    orders = [order_of(cell) is not None for cell in cells]
    kinds = [_kind_by_name(cell) for cell in cells]
    frequency = any(impedance_kind(cell) == "frequency" for cell in cells)
    others = sum(orders) + sum(kind not in (None, "frequency") for kind in kinds)
    return (frequency and others > 0) or sum(orders) > 1


def names_an_impedance(cells: Sequence[str]) -> bool:
    """Return whether header cells name a frequency and certainly an impedance: by the word, by ohms, or by \\|Z\\|."""
    kinds = {impedance_kind(cell) for cell in cells}
    words = set().union(*map(words_of, cells)) if cells else set()
    certain = bool(words & {"impedance", *_OHM}) or any(
        re.search(r"\|\s*z\s*\|", cell, re.IGNORECASE) for cell in cells
    )
    return certain and "frequency" in kinds and ("magnitude" in kinds or {"real", "imaginary"} <= kinds)


@dataclass(frozen=True)
class OrderName:
    """Harmonic order that a header cell names.

    Attributes
    ----------
    order : int or None
        From 1; None for a total over orders.
    is_noise : bool
        Whether the column holds the noise of the order.
    """

    order: int | None
    is_noise: bool = False


def order_of(cell: str) -> OrderName | None:
    """Return the harmonic order that a header cell names; None if it names none, or two."""
    text = re.sub(r"[_\s]+", " ", cell.casefold())
    words = words_of(cell)
    if words & _TOTAL:
        return OrderName(None, "noise" in words)
    orders = {int(number) for pattern in _ORDERS for number in pattern.findall(text)}
    if not orders and "fundamental" in words and value_kind(cell) != "relative":
        # In "dB re fundamental" the word belongs to the unit.
        orders = {1}
    is_noise = "noise" in words
    if not orders and (noise_orders := _NOISE_OF_ORDER.findall(text)):
        orders, is_noise = {int(number) for number in noise_orders}, True
    if len(orders) != 1 or (order := orders.pop()) < 1:
        return None
    return OrderName(order, is_noise)


def value_kind(cell: str) -> Values | None:
    """Return the kind of values that a header cell names: "level", "relative" (to the fundamental) or "percent".

    Returns None if the cell does not name it. "dB" alone may be a level or relative.
    """
    words = words_of(cell)
    if "%" in cell or words & {"percent", "pct"} or {"per", "cent"} <= words:
        return "percent"
    if words & {"dbspl", "spl"} or ("db" in words and any(word.endswith("pa") for word in words)):
        return "level"
    compared = "db" in words and words & {"re", "rel", "relative", "below"}
    return "relative" if compared or words & {"dbr", "dbc"} else None


def names_orders(cells: Sequence[str]) -> bool:
    """Return whether header cells name a frequency, successive orders from the first or second, and little else.

    Titles such as H0, H10, H20 are directions: these orders are not successive.
    """
    frequencies = [cell for cell in cells if impedance_kind(cell) == "frequency" and order_of(cell) is None]
    names = [order_of(cell) for cell in cells if cell not in frequencies]
    orders = sorted({name.order for name in names if name is not None and name.order is not None and not name.is_noise})
    known = sum(name is not None for name in names)
    successive = bool(orders) and orders[0] <= 2 and orders == list(range(orders[0], orders[0] + len(orders)))
    enough = 2 * known >= len(names) if len(orders) > 1 else known == len(names)
    return len(frequencies) == 1 and successive and enough

"""Know the words by which a header names the columns of an impedance or of harmonic orders, and their units."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from anechain_delimited.names import UNITS, words_of

from anechain_columns.options import Kind, Values

__all__ = [
    "OrderColumn",
    "impedance_kind",
    "name_an_impedance",
    "name_columns",
    "name_orders",
    "order_of",
    "unit_of",
    "values_of",
]

_FREQUENCY = {"frequency", "freq", "frequencies"}
_OHM = {
    **dict.fromkeys(("ohm", "ohms", "\N{GREEK SMALL LETTER OMEGA}"), "ohm"),
    **dict.fromkeys(("kohm", "kohms", "kilohm", "kilohms", "k\N{GREEK SMALL LETTER OMEGA}"), "kilohm"),
}
_NAMES: tuple[tuple[Kind, set[str], str], ...] = (
    # "Re(Z)" and "phase of Z" name the impedance too, so that the part comes before the whole.
    ("imaginary", {"imaginary", "imag", "im", "reactance"}, "x"),
    ("real", {"real", "re", "resistance"}, "r"),
    ("phase", {"phase", "arg", "argument"}, ""),
    ("magnitude", {"impedance", "modulus", "magnitude", "mag", "z"}, ""),
)
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
_NOISE_OF = re.compile(r"(?<![a-z])(?:noise[ -]?|n)([0-9]{1,2})(?![0-9.,])")
_TOTAL = {"thd", "thdn"}


def unit_of(cell: str, kind: str) -> str | None:
    """Unit that a header cell gives for a frequency, phase or impedance; None if it gives none, or two."""
    units = UNITS["frequency"] if kind == "frequency" else UNITS["phase"] if kind == "phase" else _OHM
    given = {units[word] for word in words_of(cell) & units.keys()}
    return given.pop() if len(given) == 1 else None


def _named_kind(cell: str) -> Kind | None:
    names = words_of(cell) - _ALL_UNITS
    if names & _FREQUENCY or names == {"f"}:
        return "frequency"
    for kind, known, letter in _NAMES:
        if names & known or names == {letter}:
            return kind
    return None


def impedance_kind(cell: str) -> Kind | None:
    """What a header cell names of an impedance, by its name, or by its unit where it has no name known here."""
    words = words_of(cell)
    units: tuple[tuple[Kind, dict[str, str]], ...] = (
        ("frequency", UNITS["frequency"]),
        ("magnitude", _OHM),
        ("phase", UNITS["phase"]),
    )
    by_unit = (kind for kind, known in units if words & known.keys())
    return _named_kind(cell) or next(by_unit, None)


def name_columns(cells: Sequence[str]) -> bool:
    """Whether header cells name columns, and are no line of units below their names, nor a sentence."""
    orders = [order_of(cell) is not None for cell in cells]
    named = [_named_kind(cell) for cell in cells]
    frequency = any(impedance_kind(cell) == "frequency" for cell in cells)
    others = sum(orders) + sum(kind not in (None, "frequency") for kind in named)
    return (frequency and others > 0) or sum(orders) > 1


def name_an_impedance(cells: Sequence[str]) -> bool:
    """Whether header cells name a frequency and an impedance, unmistakably: by the word, by ohms, or as \\|Z\\|."""
    kinds = [impedance_kind(cell) for cell in cells]
    given = set(kinds)
    words = set().union(*map(words_of, cells)) if cells else set()
    sure = bool(words & {"impedance", *_OHM}) or any(re.search(r"\|\s*z\s*\|", cell, re.IGNORECASE) for cell in cells)
    return sure and "frequency" in given and ("magnitude" in given or {"real", "imaginary"} <= given)


@dataclass(frozen=True)
class OrderColumn:
    """What a header cell names: an order from 1 or None for a total over orders, and whether noise is meant."""

    order: int | None
    is_noise: bool = False


def order_of(cell: str) -> OrderColumn | None:
    """Harmonic order that a header cell names; None if it names none, or two."""
    plain = re.sub(r"[_\s]+", " ", cell.casefold())
    words = words_of(cell)
    if words & _TOTAL:
        return OrderColumn(None, "noise" in words)
    found = {int(number) for pattern in _ORDERS for number in pattern.findall(plain)}
    if not found and "fundamental" in words and values_of(cell) != "relative":
        # In "dB re fundamental" it is the unit.
        found = {1}
    is_noise = "noise" in words
    if not found and (noise := _NOISE_OF.findall(plain)):
        found, is_noise = {int(number) for number in noise}, True
    if len(found) != 1 or (order := found.pop()) < 1:
        return None
    return OrderColumn(order, is_noise)


def values_of(cell: str) -> Values | None:
    """What a header cell says that its values are: a level, dB relative to the fundamental, or per cent.

    A bare "dB" leaves open whether it is a level.
    """
    words = words_of(cell)
    if "%" in cell or words & {"percent", "pct"} or {"per", "cent"} <= words:
        return "percent"
    if words & {"dbspl", "spl"} or ("db" in words and any(word.endswith("pa") for word in words)):
        return "level"
    compared = "db" in words and words & {"re", "rel", "relative", "below"}
    return "relative" if compared or words & {"dbr", "dbc"} else None


def name_orders(cells: Sequence[str]) -> bool:
    """Whether header cells name a frequency and a run of orders that begins with the first or second, and little else.

    Titles such as H0, H10, H20 are directions: they are no such run.
    """
    frequencies = [cell for cell in cells if impedance_kind(cell) == "frequency" and order_of(cell) is None]
    found = [order_of(cell) for cell in cells if cell not in frequencies]
    orders = sorted({one.order for one in found if one is not None and one.order is not None and not one.is_noise})
    known = sum(one is not None for one in found)
    run = bool(orders) and orders[0] <= 2 and orders == list(range(orders[0], orders[0] + len(orders)))
    return len(frequencies) == 1 and run and (2 * known >= len(found) if len(orders) > 1 else known == len(found))

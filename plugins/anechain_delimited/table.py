"""Find the numbers in a text: where they start and end, what separates them, which decimal mark they have."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from anechain.errors import InputError, Problem
from anechain_delimited.names import name_a_curve

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Dialect", "NoTableError", "Table", "cells_of", "read_table", "uncommented"]

SEPARATORS = {"tab": "\t", "semicolon": ";", "comma": ",", "blank": None}
"""In the order of preference: what a tab separates, blanks would separate too, and lose empty cells."""

COMMENT_MARKS = ("#", "*", ";", "%", "//", '"', "'")
_POINT = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
# A decimal comma stands between digits, so that it is never taken for a separator beside a blank.
_COMMA = re.compile(r"[+-]?[0-9]+(?:,[0-9]+)?(?:[eE][+-]?[0-9]+)?")
_NUMBER = {"point": _POINT, "comma": _COMMA}
_STRAY_COMMA = re.compile(r"(?<![0-9]),|,(?![0-9])")
_MISSING = re.compile(
    r"|[+-]?nan|[+-]?inf(?:inity)?|-+|n/?a|#n/a|null|none|[+-]?1\.#(?:inf|ind|qnan)[0-9]*", re.IGNORECASE
)
_QUOTED_NUMBER = re.compile(r"""["'][ \t]*[+-]?[0-9][0-9.,eE+-]*[ \t]*["']""")
_BLANKS = re.compile(r"[ \t]+")
_ALLOWED = "rows of at least two numbers, all with one count of columns, one separator and one decimal mark"


@dataclass(frozen=True)
class Dialect:
    """How the rows of a file are written.

    Attributes
    ----------
    separator : str
        "comma", "tab", "semicolon" or "blank".
    decimal : str
        "point" or "comma".
    """

    separator: str
    decimal: str

    def __str__(self) -> str:
        return f"decimal {self.decimal}, separated by {self.separator}s"


@dataclass(frozen=True)
class Table:
    """The numbers of a text.

    Attributes
    ----------
    dialect : Dialect
        How they are written.
    values : numpy.ndarray, shape (rows, columns)
        NaN where a cell is empty or not finite.
    lines : numpy.ndarray, shape (rows,)
        Line of each row, counted from 1.
    header : tuple of str
        Lines before the numbers, comments included.
    missing : dict of (int, int) to str
        What stands in each cell that is NaN, by row and column from 0.
    notes : tuple of str
        What was passed over or cannot be told.
    """

    dialect: Dialect
    values: NDArray[np.float64]
    lines: NDArray[np.int64]
    header: tuple[str, ...]
    missing: dict[tuple[int, int], str]
    notes: tuple[str, ...]


class NoTableError(InputError):
    """The text holds no row of numbers."""


@dataclass(frozen=True)
class _Attempt:
    """What one dialect makes of the lines: values, or the trouble it runs into."""

    dialect: Dialect
    rows: tuple[int, ...]
    values: NDArray[np.float64] | None = None
    missing: dict[tuple[int, int], str] | None = None
    trouble: str = ""


def _all_cells(line: str, separator: str) -> list[str]:
    """Cells of a line, without the blanks around them."""
    mark = SEPARATORS[separator]
    if mark is None:
        line = line.strip(" \t")
        return _BLANKS.split(line) if line else []
    return [cell.strip(" \t") for cell in line.split(mark)]


def _without_empty_end(cells: list[str]) -> list[str]:
    width = next((at for at in range(len(cells), 0, -1) if cells[at - 1]), 0)
    return cells[:width]


def cells_of(line: str, separator: str) -> list[str]:
    """Cells of a line, without the blanks around them and without empty cells at the end."""
    return _without_empty_end(_all_cells(line, separator))


def uncommented(line: str) -> str:
    """A line without comment marks at its start and quotation marks anywhere."""
    return line.strip(" \t").lstrip("#*;%/").replace('"', "").replace("'", "").strip(" \t")


def _is_row(line: str, dialect: Dialect) -> bool:
    """Whether a line has at least two cells, all numbers or signs of a missing one, with a number among them."""
    cells = _all_cells(line, dialect.separator)
    number = _NUMBER[dialect.decimal].fullmatch
    found = [number(cell) is not None for cell in cells]
    return (
        len(cells) > 1
        and any(found)
        and all(is_number or _MISSING.fullmatch(cell) for cell, is_number in zip(cells, found, strict=True))
    )


def _is_comment(line: str, dialect: Dialect) -> bool:
    """Whether a line starts with a comment mark, and not with the empty first cell of a row."""
    start = line.lstrip(" \t")
    if not start.startswith(COMMENT_MARKS):
        return False
    return not (dialect.separator == "semicolon" and start[0] == ";" and _is_row(line, dialect))


def _looks_damaged(line: str, dialect: Dialect, columns: int, is_header: bool = False) -> bool:
    """Whether a line outside the table looks like one of its rows gone wrong: a number where the frequency would be.

    A header may well begin with a number, as in "2.83 V" or "48000"; what follows it then decides.
    """
    cells = cells_of(line, dialect.separator)
    number = _NUMBER[dialect.decimal].fullmatch
    if not cells or not cells[0].lstrip("+-")[:1].isdigit():
        return False
    if number(cells[0]) and not is_header:
        return True
    others = any(number(cell) for cell in cells[1:])
    return len(cells) == columns and (others or (number(cells[0]) is not None and any(c.isdigit() for c in cells[1])))


def _shown(line: str) -> str:
    return repr(line.strip() if len(line) <= 60 else line.strip()[:57] + "...")


def _fast(rows: list[str], dialect: Dialect) -> NDArray[np.float64] | None:
    """Values of rows that are plain finite numbers throughout; None if there is any doubt."""
    import numpy as np

    text = "\n".join(rows)
    mark = SEPARATORS[dialect.separator]
    if not text.isascii():
        return None
    if dialect.decimal == "comma":
        if "." in text or _STRAY_COMMA.search(text):
            return None
        rows = text.replace(",", ".").split("\n")
    if mark is not None and rows[0].rstrip(" ").endswith(mark):
        rows = [row.rstrip(" ") for row in rows]
        if not all(row.endswith(mark) for row in rows):
            return None
        rows = [row[:-1] for row in rows]
    try:
        values = np.loadtxt(rows, dtype=np.float64, delimiter=mark, comments=None, ndmin=2)
    except ValueError:
        return None
    return values if values.shape[1] > 1 and np.isfinite(values).all() else None


def _slow(lines: list[str], rows: tuple[int, ...], dialect: Dialect) -> _Attempt:
    """Values of rows one by one, naming what stands in the way."""
    import numpy as np

    number = _NUMBER[dialect.decimal].fullmatch
    good = tuple(row for row in rows if _is_row(lines[row], dialect))
    known = set(good)
    bad = [row for row in rows if row not in known]
    full = {row: _all_cells(lines[row], dialect.separator) for row in good}
    cells = {row: _without_empty_end(full[row]) for row in good}
    width = {row: len(cells[row]) for row in good}
    # Where every row has as many separators, all that are not empty throughout are columns; else the most rows decide.
    alike = len({len(of_row) for of_row in full.values()}) == 1
    columns = max(width.values()) if alike else Counter(width.values()).most_common(1)[0][0]
    if columns < 2:
        return _Attempt(dialect, good, trouble=f"line {good[0] + 1}: {_shown(lines[good[0]])} is one column only")
    for row in good:
        # Empty cells at the end of a row are cells where other rows have more.
        if width[row] < columns <= len(full[row]):
            cells[row] = full[row][:columns]
    ragged = [row for row in good if len(cells[row]) != columns]
    if bad or ragged:
        count = len(bad) + len(ragged)
        first = min(bad + ragged)
        what = (
            f"{_shown(lines[first])} is not a row of numbers"
            if first in bad
            else f"{_shown(lines[first])} has {width[first]} columns, where most rows have {columns}"
        )
        if first in bad and dialect.decimal == "point" and "," in lines[first] and dialect.separator != "comma":
            what += "; the file mixes decimal points and decimal commas"
        elif first in bad and dialect.decimal == "comma" and "." in lines[first]:
            what += "; the file mixes decimal commas and decimal points"
        elif first not in bad and dialect.separator == "comma":
            what += "; decimal commas with a comma as separator look like this, and cannot be told apart"
        more = f" (and {count - 1} more such lines)" if count > 1 else ""
        return _Attempt(dialect, good, trouble=f"line {first + 1}: {what}{more}")
    values = np.full((len(good), columns), np.nan)
    missing = {}
    for at, row in enumerate(good):
        for column, cell in enumerate(cells[row]):
            if number(cell):
                values[at, column] = float(cell.replace(",", "."))
            else:
                missing[at, column] = cell
    for at, column in zip(*np.nonzero(np.isinf(values)), strict=True):
        values[at, column] = np.nan
        missing[int(at), int(column)] = cells[good[at]][column]
    return _Attempt(dialect, good, values, missing)


def _attempt(lines: list[str], first: int, last: int, dialect: Dialect) -> _Attempt:
    rows = tuple(row for row in range(first, last + 1) if lines[row].strip() and not _is_comment(lines[row], dialect))
    values = _fast([lines[row] for row in rows], dialect)
    attempt = _slow(lines, rows, dialect) if values is None else _Attempt(dialect, rows, values, {})
    if attempt.trouble:
        return attempt
    # A damaged first row looks like a header and a damaged last row like a footer: neither is passed over.
    columns = attempt.values.shape[1]  # type: ignore[union-attr] # no trouble means values
    damaged = [first - 1] if first and _looks_damaged(lines[first - 1], dialect, columns, is_header=True) else []
    damaged += [row for row in range(last + 1, len(lines)) if _looks_damaged(lines[row], dialect, columns)]
    if damaged:
        row = damaged[0]
        what = f"line {row + 1}: {_shown(lines[row])} looks like a damaged row"
        return _Attempt(dialect, attempt.rows, trouble=what)
    return attempt


def _dialects(text: str, separator: str, decimal: str) -> list[Dialect]:
    """Dialects that the options and the characters in the text leave possible."""
    found = []
    for name, mark in SEPARATORS.items():
        if separator not in ("auto", name) or (mark is not None and mark not in text):
            continue
        if decimal in ("auto", "point"):
            found.append(Dialect(name, "point"))
        if decimal in ("auto", "comma") and name != "comma" and "," in text:
            found.append(Dialect(name, "comma"))
    return found


def _best_attempt(lines: list[str], dialects: list[Dialect]) -> _Attempt | None:
    """What the dialect that explains most rows makes of the lines; None if no line is a row in any dialect."""

    def fits(row: int, dialect: Dialect) -> bool:
        return not _is_comment(lines[row], dialect) and _is_row(lines[row], dialect)

    def fitting(row: int) -> set[Dialect]:
        return {dialect for dialect in dialects if fits(row, dialect)}

    first = next((row for row in range(len(lines)) if fitting(row)), None)
    if first is None:
        return None
    last = next(row for row in reversed(range(len(lines))) if fitting(row))
    both = fitting(first) & fitting(last)
    attempts = []
    for dialect in dialects:
        if dialect in both:
            attempts.append(_attempt(lines, first, last, dialect))
            if not attempts[-1].trouble:
                return attempts[-1]
    for dialect in dialects:
        if dialect not in both:
            own = [row for row in range(first, last + 1) if fits(row, dialect)]
            if own:
                attempts.append(_attempt(lines, own[0], own[-1], dialect))
    # The first of the largest: dialects come in the order of preference.
    return max(attempts, key=lambda attempt: (len(attempt.rows), not attempt.trouble))


def _other_reading(lines: list[str], rows: tuple[int, ...], columns: int) -> str:
    """A reading of comma-separated rows in which some commas are decimal; empty if there is none.

    A comma can be decimal where digits alone follow it and a whole number stands before it, in every row.
    """
    raw = [lines[row].split(",") for row in rows]
    if columns < 3 or any(len(cells) < columns for cells in raw):
        return ""
    whole = [all(re.fullmatch(r"[ \t]*[+-]?[0-9]+", cells[at]) for cells in raw) for at in range(columns)]
    fraction = [all(re.fullmatch(r"[0-9]+[ \t]*", cells[at]) for cells in raw) for at in range(columns)]
    first = [cell.strip() for cell in raw[0][:columns]]
    merged: list[str] = []
    at = 0
    while at < columns:
        if at + 1 < columns and whole[at] and fraction[at + 1]:
            merged.append(f"{first[at]},{first[at + 1]}")
            at += 2
        else:
            merged.append(first[at])
            at += 1
    return " | ".join(merged) if len(merged) < columns else ""


def _refuse_doubtful_commas(
    lines: list[str], rows: tuple[int, ...], columns: int, named: Callable[[Sequence[str]], bool], where: str
) -> None:
    """Refuse comma-separated rows whose commas could as well be decimal, unless the header counts the columns."""
    other = _other_reading(lines, rows, columns)
    if not other:
        return
    for line in reversed(lines[: rows[0]]):
        cells = cells_of(uncommented(line), "comma")
        if named(cells):
            if len(cells) == columns:
                return
            break
    line = lines[rows[0]]
    raise InputError.single(
        where,
        f"line {rows[0] + 1}: {_shown(line)} is either {columns} columns ({' | '.join(cells_of(line, 'comma'))}) or, "
        f"with a decimal comma, {len(other.split(' | '))} columns ({other}); nothing in the file says which",
        "one reading only; a decimal comma needs a tab, a semicolon or blanks between columns",
        "set the option `decimal` to point if every comma stands between columns; else export with another separator",
    )


def _cut_short(lines: list[str], rows: tuple[int, ...], dialect: Dialect) -> str | None:
    """Why the last row looks cut short; None if it ends with its line, empty if that cannot be told."""
    if rows[-1] < len(lines) - 1:
        return None
    mark = SEPARATORS[dialect.separator]
    others = [lines[row].rstrip(" \t" if mark is None else " ") for row in rows[:-1]]
    last = lines[rows[-1]].rstrip(" \t" if mark is None else " ")
    if mark and others and last.count(mark) < min(row.count(mark) for row in others):
        return "it has fewer separators than any other row"
    if mark and others and last.endswith(mark) and not any(row.endswith(mark) for row in others):
        return "it ends with a separator, as no other row does"
    point = "." if dialect.decimal == "point" else ","
    tail = re.compile(rf"\{point}([0-9eE+-]*)[ \t;,]*$", re.MULTILINE)
    tails = tail.findall("\n".join(others))
    lengths = set(map(len, tails))
    if len(others) > 1 and len(tails) == len(others) and len(lengths) == 1:
        found = tail.search(last)
        if found and len(found[1]) >= max(lengths):
            return None
        return f"its last number has {len(found[1]) if found else 0} places, in all other rows {max(lengths)}"
    return ""


def _text_beside_numbers(lines: list[str], dialects: list[Dialect]) -> int:
    """Line, from 1, that has two numbers and something else; 0 if there is none."""
    for at, line in enumerate(lines, start=1):
        for dialect in dialects:
            found = [_NUMBER[dialect.decimal].fullmatch(cell) for cell in cells_of(line, dialect.separator)]
            if len(found) - found.count(None) > 1:
                return at
    return 0


def _no_table(lines: list[str], separator: str, decimal: str, where: str) -> NoTableError:
    """InputError of a text without a row of numbers, with the likely reason."""
    what, fix = "no row of at least two numbers", "check that the export holds the curve"
    if any(_QUOTED_NUMBER.match(line.strip()) for line in lines):
        what, fix = "the numbers stand in quotation marks, as text does", "export without quotation marks"
    elif decimal == "comma" and (commas := _best_attempt(lines, [Dialect("comma", "point")])) is not None:
        what = (
            f"line {commas.rows[0] + 1}: commas are the only separator, and the option `decimal` says they are decimal"
        )
        fix = "export with another separator or a decimal point: a comma cannot be both"
    elif beside := _text_beside_numbers(lines, _dialects("\n".join(lines), separator, decimal)):
        what, fix = f"line {beside}: {_shown(lines[beside - 1])} holds text beside numbers", "export numbers only"
    elif (separator, decimal) != ("auto", "auto"):
        what += f" with the options `separator` {separator} and `decimal` {decimal}"
        fix = "correct or leave out these options"
    return NoTableError([Problem(where, what, _ALLOWED, fix)])


def read_table(
    text: str,
    where: str,
    separator: str = "auto",
    decimal: str = "auto",
    skip_lines: int = 0,
    skip_last_lines: int = 0,
    named: Callable[[Sequence[str]], bool] = name_a_curve,
) -> Table:
    """Find the table of numbers in a text.

    Parameters
    ----------
    text : str
        Lines ended by line feeds.
    where : str
        The file's name, for the refusal.
    separator : {"auto", "comma", "tab", "semicolon", "blank"}
        What stands between columns.
    decimal : {"auto", "point", "comma"}
        Decimal mark.
    skip_lines, skip_last_lines : int
        Lines to pass over at either end.
    named : callable
        Whether the cells of a line name columns, and so count them where commas could be decimal.

    Returns
    -------
    Table

    Raises
    ------
    InputError
        If there is no table, if a line among the numbers is not one of its rows, if the last row looks cut short, or
        if commas can be read in two ways.

    Notes
    -----
    The dialect is the one that explains the most rows of the whole file. A file cut at the end of a row looks like a
    shorter measurement: only the comparison with the other directions' frequencies shows it. A file cut inside its
    last number is refused where all other rows have equally many places; else it is said that it cannot be told.
    """
    import numpy as np

    lines = text.split("\n")
    end = len(lines)
    if skip_last_lines:
        end -= skip_last_lines + (lines[-1] == "")
    lines = [""] * min(skip_lines, len(lines)) + lines[skip_lines : max(end, 0)] + [""] * bool(skip_last_lines)
    best = _best_attempt(lines, _dialects("\n".join(lines), separator, decimal))
    if best is None:
        raise _no_table(lines, separator, decimal, where)
    if best.values is None or best.missing is None:
        fix = "export the file again; lines that do not belong can be passed over by `skip_lines` or `skip_last_lines`"
        raise InputError.single(where, best.trouble, _ALLOWED, fix)
    rows, columns = best.rows, best.values.shape[1]
    block = lines[rows[0] : rows[-1] + 1]
    if best.dialect.separator == "comma" and decimal == "auto" and not any("." in lines[row] for row in rows):
        _refuse_doubtful_commas(lines, rows, columns, named, where)
    cut = _cut_short(lines, rows, best.dialect)
    if cut:
        raise InputError.single(
            where,
            f"line {rows[-1] + 1}: the last row {_shown(lines[rows[-1]])} looks cut short: {cut}",
            "a whole file",
            "copy or export the file again",
        )
    notes = [f"read as {best.dialect}"]
    header = tuple(line for line in lines[: rows[0]] if line.strip())
    footer = [line for line in lines[rows[-1] + 1 :] if line.strip()]
    comments = sum(1 for line in block if _is_comment(line, best.dialect))
    if skip_lines or skip_last_lines:
        notes.append(f"lines passed over as the options say: first {skip_lines}, last {skip_last_lines}")
    if header:
        notes.append(f"lines before the numbers, passed over: {len(header)}")
    if comments:
        notes.append(f"comment lines among the numbers, passed over: {comments}")
    if footer:
        notes.append(f"lines after the numbers, passed over: {len(footer)}, the first is {_shown(footer[0])}")
    if cut == "":
        notes.append("no line end after the last row: whether its last number is whole cannot be told")
    return Table(best.dialect, best.values, np.array(rows) + 1, header, best.missing, tuple(notes))

"""The numbers of a function: as text (dataset 58) or binary (dataset 58b)."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

import numpy as np

from anechain.arrays import Floats
from anechain.errors import InputError
from anechain_uff.lines import MARK, Lines, int_field, split_fields, truncated_error

__all__ = ["Layout", "read_binary_numbers", "read_text_numbers"]

_CLOSING_MARK = re.compile(rb"(?: {4}|(?:[ \t]*(?:\r\n|\n|\r))+[ \t]*)-1[ \t]*(?:\r\n|\n|\r|$)")
"""Directly after the numbers it has all its six columns: with fewer, bytes of the numbers were lost."""
_OPEN_END = re.compile(rb"[ \r\n]{4}-1[ \r\n]*\Z")
"""A closing line in the place of the last numbers: as many bytes were lost before it."""
_NUMBER = re.compile(
    r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eEdD][+-]?[0-9]+)?|[+-]?(?:nan|inf(?:inity)?)", re.IGNORECASE
)
_FIRST_LINE_WIDTHS = (6, 1, 6, 6, 12, 12)
"""Widths of the first line of dataset 58b."""


@dataclass(frozen=True)
class Layout:
    """How the numbers of a function are stored.

    Attributes
    ----------
    points : int
        Number of points.
    per_point : int
        Numbers per point: the abscissa if it is stored, then one (real) or two (complex) ordinates.
    is_double : bool
        Whether binary ordinates are in double precision.
    is_even : bool
        Whether the abscissa is even and therefore not stored.
    """

    points: int
    per_point: int
    is_double: bool
    is_even: bool


def read_text_numbers(lines: Lines, start: int, layout: Layout, where: str, notes: list[str]) -> tuple[Floats, int]:
    """Read numbers that are written as text.

    Parameters
    ----------
    lines : Lines
        The file.
    start : int
        Position of the first number.
    layout : Layout
        What the header announces.
    where : str
        The function, for messages.
    notes : list of str
        A line is added for everything that is repaired.

    Returns
    -------
    numbers : numpy.ndarray, shape (points * per_point,)
    position : int
        End of the dataset.

    Raises
    ------
    InputError
        If there are more or fewer numbers than announced, or other text.
    """
    rows: list[str] = []
    position, is_closed = start, False
    while position < len(lines.data):
        line, after = lines.line_at(position)
        # A single value of -1 would have 13 columns or more, and a decimal point.
        if line.strip() == MARK:
            position, is_closed = after, True
            break
        rows.append(line.decode("latin-1"))
        position = after
    numbers = _parse_rows(rows, lines, start, where)
    announced = layout.points * layout.per_point
    if numbers.size != announced:
        what = f"record 7 announces {layout.points} points, {announced} numbers, but there are {numbers.size}"
        if numbers.size < announced and not is_closed:
            raise truncated_error(where, what)
        raise InputError.single(
            where, what, "as many numbers as announced", "export the file again; no number is added or left out"
        )
    if not is_closed:
        if not lines.data.endswith((b"\n", b"\r")):
            raise truncated_error(where, "its last line has no line end, so the last number may lack digits")
        notes.append("the line -1 that closes the dataset is missing; all announced numbers are there")
    return numbers, position


def _parse_rows(rows: list[str], lines: Lines, start: int, where: str) -> Floats:
    try:
        return np.array("\n".join(rows).split(), dtype=np.float64)
    except ValueError:
        pass
    # Slower: numbers without blanks between them, or with exponents marked by D; and what is not a number is located.
    numbers: list[float] = []
    first_line = lines.data.count(b"\n", 0, start) + 1
    for number, row in enumerate(rows, start=first_line):
        if _NUMBER.sub("", row).strip():
            raise InputError.single(
                where,
                f"line {number}: {row.strip()[:60]!r} contains text that is not a number",
                "numbers as the format writes them",
                "copy or export the file again",
            )
        numbers.extend(float(text.replace("D", "E").replace("d", "e")) for text in _NUMBER.findall(row))
    return np.array(numbers, dtype=np.float64)


def read_binary_numbers(
    lines: Lines, first_line: bytes, start: int, layout: Layout, where: str, notes: list[str]
) -> tuple[Floats, int]:
    """Read the numbers of dataset 58b.

    Parameters
    ----------
    lines : Lines
        The file.
    first_line : bytes
        First line of the dataset, which states byte order, format and number of bytes.
    start : int
        Position of the first number.
    layout, where, notes
        As for :func:`read_text_numbers`.

    Returns
    -------
    numbers : numpy.ndarray, shape (points * per_point,)
    position : int
        End of the dataset.

    Raises
    ------
    InputError
        If the format is not supported, or the dataset does not end after the announced numbers.
    """
    fields = split_fields(first_line.decode("latin-1"), _FIRST_LINE_WIDTHS)
    byte_order, number_format, announced = (
        int_field(fields[column], name, where)
        for column, name in ((2, "the byte order"), (3, "the floating-point format"), (5, "the number of bytes"))
    )
    if byte_order not in (1, 2) or number_format != 2:
        raise InputError.single(
            where,
            f"byte order {byte_order}, floating-point format {number_format}",
            "1 (little-endian) or 2 (big-endian), and 2 (IEEE 754)",
            "export with IEEE 754 numbers, or as text",
        )
    dtype, end = _point_dtype(lines, start, "<" if byte_order == 1 else ">", layout, announced, where)
    size = layout.points * dtype.itemsize
    if announced != size:
        notes.append(
            f"its first line announces {announced} bytes, but {layout.points} points have {size}, and the dataset "
            "closes there: these are read"
        )
    available = len(lines.data) - start
    if available < size:
        raise truncated_error(where, f"{size} bytes of numbers are announced, but there are {max(available, 0)}")
    points = np.frombuffer(lines.data, dtype, layout.points, start)
    numbers = np.stack([points[name].astype(np.float64) for name in dtype.names or ()], axis=1)
    if end is None:
        if lines.data[start + size :].strip() or _OPEN_END.search(lines.data, max(start, len(lines.data) - 16)):
            raise InputError.single(
                where,
                f"after {size} bytes of numbers no line of -1 closes the dataset",
                "a dataset that ends after the announced number of bytes",
                "export the file again: a transfer may have changed line ends, which destroys binary data",
            )
        notes.append("the line -1 that closes the dataset is missing; all announced bytes are there")
        end = len(lines.data)
    return numbers.ravel(), end


def _point_dtype(
    lines: Lines, start: int, mark: str, layout: Layout, announced: int, where: str
) -> tuple[np.dtype[Any], int | None]:
    """Return the type of a binary point, and the end of the dataset; None if no line of -1 follows the numbers.

    A stored abscissa is in single precision according to the format, but some programs write it in double precision
    together with double ordinates. The type is the one that the announced number of bytes, the closing line, or both
    confirm.
    """
    ordinates = [
        (f"y{column}", f"{mark}f{8 if layout.is_double else 4}")
        for column in range(layout.per_point if layout.is_even else layout.per_point - 1)
    ]
    dtypes = [np.dtype(ordinates)]
    if not layout.is_even:
        widths = (4, 8) if layout.is_double else (4,)
        dtypes = [np.dtype([("x", f"{mark}f{width}"), *ordinates]) for width in widths]
    # The closing line follows the numbers directly, or on a line of its own.
    closing = {dtype: _CLOSING_MARK.match(lines.data, start + layout.points * dtype.itemsize) for dtype in dtypes}
    by_size = [dtype for dtype in dtypes if layout.points * dtype.itemsize == announced]
    by_mark = [dtype for dtype in dtypes if closing[dtype]]
    if not by_size and not by_mark:
        raise InputError.single(
            where,
            f"its first line announces {announced} bytes, but {layout.points} points have "
            f"{layout.points * dtypes[0].itemsize}, and no line of -1 follows them",
            "the same number of points in both",
            "export the file again",
        )
    dtype = next((dtype for dtype in by_size if dtype in by_mark), (by_mark or by_size)[0])
    mark_match = closing[dtype]
    return dtype, None if mark_match is None else mark_match.end()

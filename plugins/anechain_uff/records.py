"""Datasets of a universal file, and the functions of dataset 58 as they are written there.

Layout after the description of dataset 58, "Function at nodal DOF", that the University of Cincinnati keeps (SDRL,
universal file formats); pyuff quotes it and is the independent reader in the tests. That reader takes as many numbers
as there are, whatever the header announces; this one does not.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from anechain.errors import InputError, Problem

__all__ = ["FUNCTION_TYPES", "Function", "functions_of"]

FUNCTION_TYPES = (
    "general or unknown function",
    "time response",
    "auto spectrum",
    "cross spectrum",
    "frequency response function",
    "transmissibility",
    "coherence",
    "auto correlation",
    "cross correlation",
    "power spectral density",
    "energy spectral density",
    "probability density function",
    "spectrum",
    "cumulative frequency distribution",
    "peaks valley",
    "stress/cycles",
    "strain/cycles",
    "orbit",
    "mode indicator function",
    "force pattern",
    "partial power",
    "partial coherence",
    "eigenvalue",
    "eigenvector",
    "shock response spectrum",
    "finite impulse response filter",
    "multiple coherence",
    "order function",
)

_HEADER_LINES = 11
_EACH_LINE = re.compile(rb"[^\r\n]*(?:\r\n|\n|\r|$)")
_MARK = b"-1"
_CLOSING = re.compile(rb"[ \t\r\n]*-1[ \t]*(?:\r\n|\n|\r|$)")
_NUMBER = re.compile(
    r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eEdD][+-]?[0-9]+)?|[+-]?(?:nan|inf(?:inity)?)", re.IGNORECASE
)
_RECORD_6 = (5, 10, 5, 10, 11, 10, 4, 11, 10, 4)
_RECORD_7 = (10, 10, 10, 13, 13, 13)
_RECORD_8 = (10, 5, 5, 5, 21, 21)
_BINARY = (6, 1, 6, 6, 12, 12)


@dataclass(frozen=True)
class Function:
    """One function of dataset 58.

    Attributes
    ----------
    where : str
        Its file and its number there, for messages.
    texts : dict of str to str
        id1 to id5, response_entity, reference_entity.
    kind : int
        Function type, an index into `FUNCTION_TYPES`.
    response_node : int
        Number of the response node.
    abscissa : numpy.ndarray
        In `abscissa_unit`.
    abscissa_kind : int
        Specific data type: 17 time, 18 frequency, 0 unknown, ...
    abscissa_unit, ordinate_unit, denominator_unit : str
        Unit labels as written; empty where there is none ("NONE").
    ordinate_kind : int
        Specific data type: 15 pressure, 12 acceleration, ...
    values : numpy.ndarray
        Real or complex.
    step : float or None
        Abscissa step; None where the abscissa is stored.
    notes : tuple of str
        What had to be repaired or assumed.
    """

    where: str
    texts: dict[str, str]
    kind: int
    response_node: int
    abscissa: NDArray[np.float64]
    abscissa_kind: int
    abscissa_unit: str
    ordinate_unit: str
    denominator_unit: str
    ordinate_kind: int
    values: NDArray[np.float64] | NDArray[np.complex128]
    step: float | None
    notes: tuple[str, ...]

    @property
    def kind_words(self) -> str:
        """Words for the function type."""
        return FUNCTION_TYPES[self.kind] if 0 <= self.kind < len(FUNCTION_TYPES) else f"function of type {self.kind}"


@dataclass(frozen=True)
class _Lines:
    """Bytes of a file and where its lines are read from."""

    data: bytes

    def at(self, start: int) -> tuple[bytes, int]:
        """Line that starts there, without its end, and where the next one starts."""
        found = _EACH_LINE.match(self.data, start)
        assert found is not None
        return found[0].rstrip(b"\r\n"), found.end()


def functions_of(data: bytes, where: str) -> tuple[list[Function], list[Problem], list[str]]:
    """Read all functions of a universal file.

    Parameters
    ----------
    data : bytes
        The whole file.
    where : str
        Its name, for messages.

    Returns
    -------
    functions : list of Function
        Those that are whole.
    problems : list of Problem
        One for each function that is not, and for what cannot be a universal file.
    notes : list of str
        What else is in the file and was passed over.
    """
    lines = _Lines(data)
    functions: list[Function] = []
    problems: list[Problem] = []
    others: dict[str, int] = {}
    position = 0
    while position < len(data):
        line, after = lines.at(position)
        if not line.strip():
            position = after
            continue
        if line.strip() != _MARK:
            problems.append(
                Problem(
                    where,
                    f"byte {position + 1}: {_shown(line)} is outside any dataset",
                    "datasets between lines of -1",
                    "export the file again",
                )
            )
            break
        head, body = lines.at(after)
        number = (head.split() or [b"(none)"])[0].decode("latin-1")
        if number not in ("58", "58b", "58B"):
            others[number] = others.get(number, 0) + 1
            position = _after_mark(lines, body)
            continue
        name = f"{where}, function {len(functions) + len(problems) + 1}"
        try:
            function, position = _function(lines, head, body, name)
            functions.append(function)
        except InputError as input_error:
            problems.extend(input_error.problems)
            position = _after_mark(lines, body)
    if not functions and not problems:
        found = f"datasets {', '.join(others)}" if others else "no dataset at all"
        problems.append(Problem(where, f"holds {found}, but no dataset 58", "functions of dataset 58", "export those"))
    notes = [f"datasets passed over: {count} of number {number}" for number, count in others.items()]
    return functions, problems, notes


def _after_mark(lines: _Lines, start: int) -> int:
    """Where the dataset that `start` lies in is over."""
    position = start
    while position < len(lines.data):
        line, position = lines.at(position)
        # A binary block may end without a line end before the mark.
        if line.strip() == _MARK or line.endswith(b"    -1"):
            break
    return position


def _shown(line: bytes) -> str:
    text = line[:60].decode("latin-1").strip()
    return repr(text)


def _fields(line: str, widths: tuple[int, ...]) -> list[str]:
    cells, start = [], 0
    for width in widths:
        cells.append(line[start : start + width].strip())
        start += width
    return cells


def _text(line: bytes) -> tuple[str, bool]:
    """Text of a line, and whether it is not UTF-8."""
    try:
        return line.decode("utf-8"), False
    except UnicodeDecodeError:
        return line.decode("latin-1"), True


def _whole(cell: str, what: str, where: str) -> int:
    try:
        return int(cell or "0")
    except ValueError:
        raise InputError.single(
            where, f"{what} is {cell!r}", "a whole number in its columns", "export the file again"
        ) from None


def _real(cell: str, what: str, where: str) -> float:
    try:
        return float((cell or "0").replace("D", "E").replace("d", "e"))
    except ValueError:
        raise InputError.single(
            where, f"{what} is {cell!r}", "a number in its columns", "export the file again"
        ) from None


def _function(lines: _Lines, head: bytes, body: int, where: str) -> tuple[Function, int]:
    """One function, and where its dataset is over."""
    position = body
    header: list[str] = []
    latin = False
    for _ in range(_HEADER_LINES):
        if position >= len(lines.data):
            raise _cut(where, f"its header ends after {len(header)} of {_HEADER_LINES} lines")
        line, position = lines.at(position)
        text, other = _text(line)
        latin = latin or other
        header.append(text)
    notes = ["header read as Latin-1, since it is not UTF-8"] if latin else []
    six = _fields(header[5], _RECORD_6)
    seven = _fields(header[6], _RECORD_7)
    kind, node = _whole(six[0], "the function type", where), _whole(six[5], "the response node", where)
    form, count, even = (
        _whole(cell, what, where)
        for cell, what in zip(
            seven[:3], ("the ordinate's data type", "the number of points", "the abscissa's spacing"), strict=True
        )
    )
    start, step = (
        _real(cell, f"the abscissa's {what}", where) for cell, what in zip(seven[3:5], ("minimum", "step"), strict=True)
    )
    if form not in (2, 4, 5, 6) or even not in (0, 1) or count < 1:
        raise InputError.single(
            where,
            f"record 7 says data type {form}, {count} points, spacing {even}",
            "data type 2, 4, 5 or 6; one point or more; spacing 0 or 1",
            "export the file again",
        )
    abscissa, ordinate, denominator = (_fields(line, _RECORD_8) for line in header[7:10])
    each = (2 if form in (5, 6) else 1) + (0 if even else 1)
    if head.split()[0].lower() == b"58b":
        numbers, position = _binary(lines, head, position, form in (4, 6), even == 1, count, each, where, notes)
    else:
        numbers, position = _decimal(lines, position, count, each, where, notes)
    table = numbers.reshape(count, each)
    points = start + step * np.arange(count) if even else table[:, 0]
    table = table if even else table[:, 1:]
    values = table[:, 0] + 1j * table[:, 1] if form in (5, 6) else table[:, 0]
    function = Function(
        where,
        {f"id{number}": header[number - 1].strip() for number in range(1, 6)}
        | {"response_entity": six[4], "reference_entity": six[7]},
        kind,
        node,
        np.asarray(points, dtype=np.float64),
        _whole(abscissa[0], "the abscissa's data type", where),
        _label(abscissa[5]),
        _label(ordinate[5]),
        _label(denominator[5]),
        _whole(ordinate[0], "the ordinate's data type", where),
        values,
        step if even else None,
        tuple(notes),
    )
    return function, position


def _label(text: str) -> str:
    return "" if text.upper() == "NONE" else text


def _cut(where: str, what: str) -> InputError:
    return InputError.single(where, f"cut short: {what}", "a whole file", "copy or export the file again")


def _decimal(
    lines: _Lines, position: int, count: int, each: int, where: str, notes: list[str]
) -> tuple[NDArray[np.float64], int]:
    """Numbers written as text up to the line that ends the dataset."""
    rows: list[str] = []
    start, closed = position, False
    while position < len(lines.data):
        line, after = lines.at(position)
        # A single datum of -1 would be written in a field of 13 or more columns, with a decimal point.
        if line.strip() == _MARK:
            position, closed = after, True
            break
        rows.append(line.decode("latin-1"))
        position = after
    numbers = _numbers(rows, lines, start, where)
    wanted = count * each
    if numbers.size != wanted:
        what = f"record 7 announces {count} points, {wanted} numbers, but {numbers.size} are there"
        if numbers.size < wanted and not closed:
            raise _cut(where, what)
        raise InputError.single(
            where, what, "as many numbers as are announced", "export the file again; nothing is filled in or left out"
        )
    if not closed:
        if not lines.data.endswith((b"\n", b"\r")):
            raise _cut(where, "its last line has no end, so the last number may lack digits")
        notes.append("the line -1 that closes the dataset is missing; all announced numbers are there")
    return numbers, position


def _numbers(rows: list[str], lines: _Lines, start: int, where: str) -> NDArray[np.float64]:
    text = "\n".join(rows)
    try:
        return np.array(text.split(), dtype=np.float64)
    except ValueError:
        pass
    # Fields without blanks between them, exponents marked by D, and what is no number at all.
    found: list[float] = []
    first = lines.data.count(b"\n", 0, start) + 1
    for at, row in enumerate(rows):
        left = _NUMBER.sub("", row).strip()
        if left:
            raise InputError.single(
                where,
                f"line {first + at}: {row.strip()[:60]!r} holds what is no number",
                "numbers as the format writes them",
                "copy or export the file again",
            )
        found.extend(float(number.replace("D", "E").replace("d", "e")) for number in _NUMBER.findall(row))
    return np.array(found, dtype=np.float64)


def _binary(
    lines: _Lines,
    head: bytes,
    position: int,
    double: bool,
    even: bool,
    count: int,
    each: int,
    where: str,
    notes: list[str],
) -> tuple[NDArray[np.float64], int]:
    """Numbers of dataset 58b."""
    cells = _fields(head.decode("latin-1"), _BINARY)
    order, form, size = (
        _whole(cells[at], what, where)
        for at, what in ((2, "the byte order"), (3, "the floating-point format"), (5, "the number of bytes"))
    )
    if order not in (1, 2) or form != 2:
        raise InputError.single(
            where,
            f"byte order {order}, floating-point format {form}",
            "1 (little-endian) or 2 (big-endian), and 2 (IEEE 754)",
            "export with IEEE 754 numbers, or as text",
        )
    mark = "<" if order == 1 else ">"
    ordinates = [(f"y{at}", f"{mark}f{8 if double else 4}") for at in range(each if even else each - 1)]
    # A stored abscissa is single precision; beside doubles some write it in double precision too.
    layouts = [np.dtype(ordinates)]
    if not even:
        layouts = [np.dtype([("x", f"{mark}f{width}"), *ordinates]) for width in ((4, 8) if double else (4,))]
    # The closing line comes right after the numbers, or on a line of its own.
    ends = {layout: _CLOSING.match(lines.data, position + count * layout.itemsize) for layout in layouts}
    said = [layout for layout in layouts if count * layout.itemsize == size]
    closed = [layout for layout in layouts if ends[layout]]
    if not said and not closed:
        raise InputError.single(
            where,
            f"its first line announces {size} bytes, but {count} points take {count * layouts[0].itemsize}, and no "
            "line of -1 follows either",
            "one count of points",
            "export the file again",
        )
    layout = next((one for one in said if one in closed), (closed or said)[0])
    wanted = count * layout.itemsize
    if size != wanted:
        notes.append(
            f"its first line announces {size} bytes, {count} points take {wanted}, and there the dataset closes: taken"
        )
    there = len(lines.data) - position
    if there < wanted:
        raise _cut(where, f"{wanted} bytes of numbers are announced, {max(there, 0)} are there")
    raw = np.frombuffer(lines.data, layout, count, position)
    numbers = np.stack([raw[name].astype(np.float64) for name in layout.names or ()], axis=1)
    position += wanted
    tail = ends[layout]
    if tail is None:
        if lines.data[position:].strip():
            raise InputError.single(
                where,
                f"after {wanted} bytes of numbers no line of -1 closes the dataset",
                "a dataset that ends where it says",
                "export the file again: line ends may have been changed on the way, which destroys binary data",
            )
        notes.append("the line -1 that closes the dataset is missing; all announced bytes are there")
        return numbers.ravel(), len(lines.data)
    return numbers.ravel(), tail.end()

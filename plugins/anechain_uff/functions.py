"""Functions of dataset 58 in a universal file.

Layout according to the description of dataset 58, "Function at nodal DOF", that the University of Cincinnati publishes
(SDRL, universal file formats). The tests compare with pyuff, which quotes it. pyuff reads as many numbers as the file
has, whatever the header announces; this module refuses a file with more or fewer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from anechain.arrays import Complexes, Floats
from anechain.errors import InputError, Problem
from anechain_uff.lines import MARK, Lines, float_field, int_field, split_fields, truncated_error
from anechain_uff.numbers import Layout, read_binary_numbers, read_text_numbers

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
_RECORD_6_WIDTHS = (5, 10, 5, 10, 11, 10, 4, 11, 10, 4)
_RECORD_7_WIDTHS = (10, 10, 10, 13, 13, 13)
_RECORD_8_WIDTHS = (10, 5, 5, 5, 21, 21)
_REAL_SINGLE, _REAL_DOUBLE, _COMPLEX_SINGLE, _COMPLEX_DOUBLE = 2, 4, 5, 6
"""Data types of the ordinate."""


@dataclass(frozen=True)
class Function:
    """One function of dataset 58.

    Attributes
    ----------
    where : str
        Its file and its number in the file, for messages.
    texts : dict of str to str
        id1 to id5, response_entity, reference_entity.
    kind : int
        Function type, an index into `FUNCTION_TYPES`.
    response_node : int
        Number of the response node.
    abscissa : numpy.ndarray, shape (points,)
        In `abscissa_unit`.
    abscissa_kind : int
        Specific data type: 17 time, 18 frequency, 0 unknown, ...
    abscissa_unit, ordinate_unit, denominator_unit : str
        Unit labels as written; empty if there is none ("NONE").
    ordinate_kind : int
        Specific data type: 15 pressure, 12 acceleration, ...
    values : numpy.ndarray, shape (points,)
        Real or complex.
    step : float or None
        Step of the abscissa; None if the abscissa is stored.
    notes : tuple of str
        What was repaired or assumed.
    """

    where: str
    texts: dict[str, str]
    kind: int
    response_node: int
    abscissa: Floats
    abscissa_kind: int
    abscissa_unit: str
    ordinate_unit: str
    denominator_unit: str
    ordinate_kind: int
    values: Floats | Complexes
    step: float | None
    notes: tuple[str, ...]

    @property
    def type_name(self) -> str:
        """Name of the function type."""
        return FUNCTION_TYPES[self.kind] if 0 <= self.kind < len(FUNCTION_TYPES) else f"function of type {self.kind}"


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
        Functions that are complete.
    problems : list of Problem
        One for each other function, and for a file that is not a universal file.
    notes : list of str
        Other datasets of the file, which are skipped.
    """
    lines = Lines(data)
    functions: list[Function] = []
    problems: list[Problem] = []
    others: dict[str, int] = {}
    position = 0
    while position < len(data):
        line, after = lines.line_at(position)
        if not line.strip():
            position = after
            continue
        if line.strip() != MARK:
            problems.append(
                Problem(
                    where,
                    f"byte {position + 1}: {line[:60].decode('latin-1').strip()!r} is outside any dataset",
                    "datasets between lines of -1",
                    "export the file again",
                )
            )
            break
        first_line, start = lines.line_at(after)
        number = (first_line.split() or [b"(none)"])[0].decode("latin-1")
        if number not in ("58", "58b", "58B"):
            others[number] = others.get(number, 0) + 1
            position = _end_of_dataset(lines, start)
            continue
        name = f"{where}, function {len(functions) + len(problems) + 1}"
        try:
            function, position = _read_function(lines, first_line, start, name)
            functions.append(function)
        except InputError as input_error:
            problems.extend(input_error.problems)
            position = _end_of_dataset(lines, start)
    if not functions and not problems:
        contents = f"datasets {', '.join(others)}" if others else "no dataset at all"
        problems.append(
            Problem(where, f"contains {contents}, but no dataset 58", "functions of dataset 58", "export functions")
        )
    notes = [f"datasets skipped: {count} of number {number}" for number, count in others.items()]
    return functions, problems, notes


def _end_of_dataset(lines: Lines, start: int) -> int:
    """Return the position after the mark that closes the dataset at `start`."""
    position = start
    while position < len(lines.data):
        line, position = lines.line_at(position)
        # A binary block may end without a line end before the mark.
        if line.strip() == MARK or line.endswith(b"    -1"):
            break
    return position


def _read_function(lines: Lines, first_line: bytes, start: int, where: str) -> tuple[Function, int]:
    """Read a function; return it and the position after its dataset."""
    notes: list[str] = []
    header, position = _read_header(lines, start, where, notes)
    record_6 = split_fields(header[5], _RECORD_6_WIDTHS)
    record_7 = split_fields(header[6], _RECORD_7_WIDTHS)
    kind = int_field(record_6[0], "the function type", where)
    node = int_field(record_6[5], "the response node", where)
    data_type = int_field(record_7[0], "the ordinate's data type", where)
    points = int_field(record_7[1], "the number of points", where)
    spacing = int_field(record_7[2], "the abscissa's spacing", where)
    minimum = float_field(record_7[3], "the abscissa's minimum", where)
    step = float_field(record_7[4], "the abscissa's step", where)
    known_types = (_REAL_SINGLE, _REAL_DOUBLE, _COMPLEX_SINGLE, _COMPLEX_DOUBLE)
    if data_type not in known_types or spacing not in (0, 1) or points < 1:
        raise InputError.single(
            where,
            f"record 7 states data type {data_type}, {points} points, spacing {spacing}",
            "data type 2, 4, 5 or 6; at least one point; spacing 0 or 1",
            "export the file again",
        )
    is_even = spacing == 1
    is_complex = data_type in (_COMPLEX_SINGLE, _COMPLEX_DOUBLE)
    per_point = (2 if is_complex else 1) + (0 if is_even else 1)
    layout = Layout(points, per_point, data_type in (_REAL_DOUBLE, _COMPLEX_DOUBLE), is_even)
    if first_line.split()[0].lower() == b"58b":
        numbers, position = read_binary_numbers(lines, first_line, position, layout, where, notes)
    else:
        numbers, position = read_text_numbers(lines, position, layout, where, notes)
    table = numbers.reshape(points, per_point)
    abscissa_values = minimum + step * np.arange(points) if is_even else table[:, 0]
    ordinates = table if is_even else table[:, 1:]
    values = ordinates[:, 0] + 1j * ordinates[:, 1] if is_complex else ordinates[:, 0]
    abscissa, ordinate, denominator = (split_fields(line, _RECORD_8_WIDTHS) for line in header[7:10])
    texts = {f"id{number}": header[number - 1].strip() for number in range(1, 6)}
    function = Function(
        where,
        texts | {"response_entity": record_6[4], "reference_entity": record_6[7]},
        kind,
        node,
        np.asarray(abscissa_values, dtype=np.float64),
        int_field(abscissa[0], "the abscissa's data type", where),
        _unit(abscissa[5]),
        _unit(ordinate[5]),
        _unit(denominator[5]),
        int_field(ordinate[0], "the ordinate's data type", where),
        values,
        step if is_even else None,
        tuple(notes),
    )
    return function, position


def _read_header(lines: Lines, start: int, where: str, notes: list[str]) -> tuple[list[str], int]:
    """Return the lines of the header, and the position after them."""
    header: list[str] = []
    position = start
    is_latin = False
    for _ in range(_HEADER_LINES):
        if position >= len(lines.data):
            raise truncated_error(where, f"its header ends after {len(header)} of {_HEADER_LINES} lines")
        line, position = lines.line_at(position)
        try:
            header.append(line.decode("utf-8"))
        except UnicodeDecodeError:
            header.append(line.decode("latin-1"))
            is_latin = True
    if is_latin:
        notes.append("header read as Latin-1, because it is not UTF-8")
    return header, position


def _unit(label: str) -> str:
    return "" if label.upper() == "NONE" else label

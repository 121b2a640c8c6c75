"""Read the file of a target curve."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from anechain.arrays import Floats
from anechain.campaign.numbers import Target
from anechain.errors import InputError, Problem
from anechain.number_rows import numbers_of_line
from anechain.regular_files import require_regular_file

__all__ = ["read_target"]


def read_target(folder: Path, target: Target) -> tuple[Floats, Floats]:
    """Read a target curve: two columns, Hz and dB.

    Columns are separated by white space, commas, semicolons or tabs. Decimals have points or, where no comma separates
    the columns, commas. Lines that begin with # and one line of titles are ignored.

    Raises
    ------
    InputError
        If the file cannot be read, has fewer than two points, frequencies that do not rise, or lines that are not two
        numbers; all such lines are named.
    """
    path = folder / target.file
    problems: list[Problem] = []
    rows: list[tuple[float, float]] = []
    expected = "two columns, Hz and dB, with decimal points, or with decimal commas and blanks or semicolons between"
    try:
        require_regular_file(path)
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except OSError as error:
        raise InputError.single(
            target.file,
            f"the target curve cannot be read: {error.strerror}",
            "a text file with two columns, Hz and dB",
            "check the path, which is relative to the campaign's folder",
        ) from None
    except UnicodeDecodeError as error:
        raise InputError.single(target.file, f"byte {error.start} is not UTF-8", expected, "save it in UTF-8") from None
    filled = [
        (at, line.strip()) for at, line in enumerate(lines, 1) if line.strip() and not line.lstrip().startswith("#")
    ]
    for place, (at, line) in enumerate(filled):
        numbers = numbers_of_line(line)
        if numbers is None or len(numbers) != 2:
            if place > 0 or numbers or line[0].isdigit():
                problems.append(Problem(target.file, f"line {at}: {line[:60]!r}", expected, "correct the line"))
            continue
        hz, level = numbers
        if not (0 < hz < np.inf and np.isfinite(level)) or (rows and hz <= rows[-1][0]):
            problems.append(
                Problem(
                    target.file,
                    f"line {at}: {line[:60]!r}",
                    "rising frequencies above zero, finite levels",
                    "correct the line",
                )
            )
            continue
        rows.append((hz, level))
    if not problems and len(rows) < 2:
        problems.append(Problem(target.file, f"{len(rows)} points", "two or more", "add the corners of the target"))
    if problems:
        raise InputError(problems)
    table = np.array(rows)
    return table[:, 0], table[:, 1]

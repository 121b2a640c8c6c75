"""Rows of numbers in small text files, such as a target or the response of a microphone."""

from __future__ import annotations

import re

__all__ = ["numbers_of_line"]

_COMMA_BETWEEN_DIGITS = re.compile(r"(?<=[0-9]),(?=[0-9])")


def numbers_of_line(line: str) -> list[float] | None:
    """Return the numbers of a line; None if anything else is in it.

    Numbers are separated by blanks, tabs, semicolons or commas, and have decimal points; or decimal commas, where
    blanks, tabs or semicolons separate them.

    Parameters
    ----------
    line : str
        Such as "100 -3.5", "100;-3,5" or "100, -3.5".
    """
    cells = re.split(r"[\s;]+", line.strip().strip(";"))
    has_decimal_commas = len(cells) > 1 and "." not in line and not any(cell.endswith(",") for cell in cells)
    if has_decimal_commas:
        cells = [_COMMA_BETWEEN_DIGITS.sub(".", cell) for cell in cells]
    else:
        cells = [cell for cell in re.split(r"[\s,;]+", line) if cell]
    try:
        return [float(cell) for cell in cells]
    except ValueError:
        return None

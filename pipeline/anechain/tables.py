"""Tables as CSV: comma separated, decimal points, one header line, empty cells where there is no value."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

__all__ = ["csv_bytes"]


def csv_bytes(columns: Mapping[str, NDArray[np.float64]], decimals: int = 4) -> bytes:
    """Write columns of one length as CSV.

    Parameters
    ----------
    columns : mapping of str to numpy.ndarray, shape (rows,)
        By column title; the first one is written with seven significant digits, the others with fixed decimals.
    decimals : int
        Decimals of all columns but the first.

    Returns
    -------
    bytes
        UTF-8, lines ending in a line feed.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    for row in zip(*columns.values(), strict=True):
        writer.writerow([f"{row[0]:.7g}", *("" if np.isnan(value) else f"{value:z.{decimals}f}" for value in row[1:])])
    return out.getvalue().encode()

"""Importer of text tables with named columns: electrical impedance, and harmonic orders over frequency."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from anechain.hooks import Description, Reading, Verdict, hookimpl

__all__ = ["anechain_describe", "anechain_identify", "anechain_read"]


@hookimpl
def anechain_describe() -> Description:
    """Describe this importer."""
    from anechain_columns.options import ColumnsOptions

    return Description(
        title="Text tables of impedance or harmonic orders",
        reads="delimited text: frequency with modulus and phase, or real and imaginary part, of an impedance; or with "
        "a column for each harmonic order, one file per drive",
        version="2",
        options=ColumnsOptions,
        methods=("level-by-drive", "mean-impedance", "phase-deviation", "resample-log-frequency"),
        sources=("impedance", "harmonics"),
    )


@hookimpl
def anechain_identify(path: Path) -> Verdict:
    """Return whether the file is a table whose header names an impedance or harmonic orders."""
    from anechain_columns.identify import identify

    return identify(path)


@hookimpl
def anechain_read(paths: Sequence[Path], options: Any) -> Reading:
    """Read the files of one device."""
    from anechain_columns.read import read

    return read(paths, options)

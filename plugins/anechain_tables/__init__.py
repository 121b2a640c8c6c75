"""Importer of tables with many directions: wide and long, as text, spreadsheet or Parquet."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from anechain.hooks import Description, Reading, Verdict, hookimpl

__all__ = ["anechain_describe", "anechain_identify", "anechain_read"]


@hookimpl
def anechain_describe() -> Description:
    """Describe this importer."""
    from anechain_tables.options import TablesOptions

    return Description(
        title="Tables of many directions",
        reads="wide tables (one column per direction) and long ones (one row per value) in CSV, TSV, .xlsx or Parquet",
        version="1",
        options=TablesOptions,
        methods=("solid-angle-weights", "sphere-interpolation"),
    )


@hookimpl
def anechain_identify(path: Path) -> Verdict:
    """Return whether the file is a table whose titles give directions."""
    from anechain_tables.identify import identify

    return identify(path)


@hookimpl
def anechain_read(paths: Sequence[Path], options: Any) -> Reading:
    """Read the files of one device."""
    from anechain_tables.read import read

    return read(paths, options)

"""Importer for delimited text: one file per direction with columns for frequency, level and, if measured, phase."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from anechain.hooks import Description, Reading, Verdict, hookimpl

__all__ = ["anechain_describe", "anechain_identify", "anechain_read"]


@hookimpl
def anechain_describe() -> Description:
    """Describe this importer."""
    from anechain.importing.direction_options import TAKE_METHODS
    from anechain_delimited.options import DelimitedOptions

    return Description(
        title="Delimited text, one file per direction",
        reads="text tables of frequency, level and optional phase, separated by commas, tabs, semicolons or blanks",
        version="1",
        options=DelimitedOptions,
        methods=TAKE_METHODS,
    )


@hookimpl
def anechain_identify(path: Path) -> Verdict:
    """Return whether the file holds a table of numbers."""
    from anechain_delimited.identify import identify

    return identify(path)


@hookimpl
def anechain_read(paths: Sequence[Path], options: Any) -> Reading:
    """Read the files of one device."""
    from anechain_delimited.read import read

    return read(paths, options)

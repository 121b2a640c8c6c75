"""Importer of arrays in generic containers (MATLAB, HDF5, netCDF), with a declared mapping."""

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
    from anechain_arrays.options import ArraysOptions

    return Description(
        title="Arrays in MATLAB, HDF5 or netCDF files",
        reads="levels or complex pressures over direction and frequency, with a declared mapping of variables and axes",
        version="1",
        options=ArraysOptions,
        methods=(*TAKE_METHODS, "solid-angle-weights", "sphere-interpolation"),
    )


@hookimpl
def anechain_identify(path: Path) -> Verdict:
    """Return whether the file is a container with numeric variables."""
    from anechain_arrays.identify import identify

    return identify(path)


@hookimpl
def anechain_read(paths: Sequence[Path], options: Any) -> Reading:
    """Read the files of one device."""
    from anechain_arrays.read import read

    return read(paths, options)

"""Importer of directivities that are stored as spherical-harmonic coefficients, with a declared mapping."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from anechain.hooks import Description, Reading, Verdict, hookimpl

__all__ = ["anechain_describe", "anechain_identify", "anechain_read"]


@hookimpl
def anechain_describe() -> Description:
    """Describe this importer."""
    from anechain_spherical.options import SphericalOptions

    return Description(
        title="Spherical-harmonic coefficients",
        reads="coefficients over degree, order and frequency in a MATLAB, HDF5 or netCDF file, with a declared mapping",
        version="1",
        options=SphericalOptions,
    )


@hookimpl
def anechain_identify(path: Path) -> Verdict:
    """Return whether a container seems to contain spherical-harmonic coefficients."""
    from anechain_spherical.identify import identify

    return identify(path)


@hookimpl
def anechain_read(paths: Sequence[Path], options: Any) -> Reading:
    """Read the file of coefficients of one device."""
    from anechain_spherical.read import read

    return read(paths, options)

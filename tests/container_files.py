"""The same variables written into each kind of container, by libraries or by a format's published layout."""

from __future__ import annotations

from pathlib import Path

import h5py
import netCDF4
import numpy as np
import scipy.io

KINDS = ("v5.mat", "v73.mat", "hdf5", "netcdf4.nc", "classic.nc")


def save(folder: Path, kind: str, variables: dict, texts: dict | None = None) -> Path:
    """Write real or complex arrays and texts; classic netCDF cannot hold complex numbers or groups."""
    path = folder / f"rowan.{kind}"
    writer = {"v5.mat": _matlab_5, "v73.mat": _matlab_73, "hdf5": _hdf5, "netcdf4.nc": _netcdf, "classic.nc": _netcdf}
    writer[kind](path, variables, texts or {})
    return path


def _nested(variables: dict) -> dict:
    nested: dict = {}
    for name, value in variables.items():
        *groups, last = name.split("/")
        at = nested
        for group in groups:
            at = at.setdefault(group, {})
        at[last] = value
    return nested


def _matlab_5(path: Path, variables: dict, texts: dict) -> None:
    scipy.io.savemat(path, _nested(variables | texts), do_compression=True)


def _matlab_73(path: Path, variables: dict, texts: dict) -> None:
    # What MATLAB writes as version 7.3, as far as its own files show it (recalled): 512 bytes before the HDF5 file,
    # arrays of two dimensions or more, stored with the axes reversed, class names in attributes.
    with h5py.File(path, "w", userblock_size=512) as file:
        for name, value in variables.items():
            array = np.atleast_2d(value).T
            if np.iscomplexobj(array):
                pairs = np.zeros(array.shape, dtype=[("real", "<f8"), ("imag", "<f8")])
                pairs["real"], pairs["imag"] = array.real, array.imag
                array = pairs
            file.create_dataset(name, data=array).attrs["MATLAB_class"] = np.bytes_("double")
        for name, text in texts.items():
            data = np.array([[ord(letter)] for letter in text], np.uint16)
            file.create_dataset(name, data=data).attrs["MATLAB_class"] = np.bytes_("char")
    with path.open("r+b") as raw:
        raw.write(b"MATLAB 7.3 MAT-file, Platform: GLNXA64".ljust(124) + b"\x00\x02IM")


def _hdf5(path: Path, variables: dict, texts: dict) -> None:
    with h5py.File(path, "w") as file:
        for name, value in variables.items():
            file.create_dataset(name, data=value, compression="gzip")
        for name, text in texts.items():
            file.create_dataset(name, data=text)


def _netcdf(path: Path, variables: dict, texts: dict) -> None:
    with netCDF4.Dataset(path, "w", format="NETCDF3_CLASSIC" if "classic" in path.name else "NETCDF4") as file:
        for name, value in variables.items():
            array = np.asarray(value)
            dims = [f"{name.replace('/', '_')}_{axis}" for axis in range(array.ndim)]
            for dim, length in zip(dims, array.shape, strict=True):
                file.createDimension(dim, length)
            file.createVariable(name, array.dtype, dims)[...] = array
        for name, text in texts.items():
            file.setncattr(name, text)

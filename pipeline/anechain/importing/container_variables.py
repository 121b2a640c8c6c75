"""Variables of MATLAB, HDF5 and netCDF files, listed under common paths and read when needed."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from anechain.importing.hdf5_storage import refuse_data_elsewhere, unwritten
from anechain.importing.size_limit import check_size

__all__ = ["Variable", "hdf5_variables", "matlab5_variables", "netcdf_variables", "open_hdf5", "open_netcdf"]


@dataclass(frozen=True)
class Variable:
    """One variable of a container, not yet read.

    Attributes
    ----------
    shape : tuple of int
        Lengths of the axes in the order of the program that wrote the file (for MATLAB files: MATLAB's order).
    kind : str
        "number", "text" or "other".
    load : callable
        Function that reads and returns it: an array of real or complex numbers, or a text.
    """

    shape: tuple[int, ...]
    kind: str
    load: Callable[[], Any]


# MATLAB 5

_COMPRESSED = 15
"""Type of a compressed element: miCOMPRESSED in The MathWorks, MAT-File Format (R2019b), table 1-1; recalled."""


def matlab5_variables(path: Path, where: str) -> Iterator[tuple[str, Variable]]:
    """Yield path and variable for all variables of a MATLAB 5 file."""
    from scipy.io import loadmat, whosmat

    check_size(where, sum(_matlab5_sizes(path)))
    # loadmat returns true and false as 1 and 0.
    logical = {name for name, _, kind in whosmat(path) if kind == "logical"}
    for name, value in loadmat(path, struct_as_record=True, chars_as_strings=True).items():
        if name in logical:
            yield name, Variable(np.shape(value), "other", lambda: None)
        elif not name.startswith("__"):
            yield from _matlab5_value(name, value)


def _matlab5_sizes(path: Path) -> Iterator[int]:
    """Yield the unpacked size in bytes of each variable of a MATLAB 5 file, from the tags of its elements."""
    with path.open("rb") as file:
        header = file.read(128)
        order = "<" if header[126:128] == b"IM" else ">"
        while len(tag := file.read(8)) == 8:
            kind, size = struct.unpack(f"{order}II", tag)
            start = file.tell()
            if kind == _COMPRESSED:
                inner = zlib.decompressobj().decompress(file.read(min(size, 4096)), 8)
                yield struct.unpack(f"{order}II", inner)[1] if len(inner) == 8 else 0
            else:
                yield size
            file.seek(start + size)


def _matlab5_value(name: str, value: Any) -> Iterator[tuple[str, Variable]]:
    if not isinstance(value, np.ndarray):
        yield name, Variable((), "other", lambda: value)
    elif value.dtype.names is not None or value.dtype == object:
        # MATLAB counts the elements of an array column by column.
        elements = value.ravel(order="F")
        for number, element in enumerate(elements, start=1):
            element_name = f"{name}({number})" if value.dtype.names is None or elements.size > 1 else name
            if value.dtype.names is None:
                yield from _matlab5_value(element_name, element)
            else:
                for field in value.dtype.names:
                    yield from _matlab5_value(f"{element_name}/{field}", element[field])
    elif value.dtype.kind == "U":
        yield name, Variable(value.shape, "text", lambda: " ".join(map(str, value.ravel())))
    else:
        yield name, Variable(value.shape, "number" if value.dtype.kind in "iufc" else "other", lambda: value)


# netCDF classic

_NETCDF_FILL = 9.9692099683868690e36
"""NC_FILL_FLOAT and NC_FILL_DOUBLE of netCDF; recalled, and checked in the tests against the netCDF library."""


def open_netcdf(path: Path, _where: str) -> Any:
    """Open a file in the classic netCDF format."""
    # scipy's reader, because the netCDF library itself returns zeros for what a truncated file lacks, without an error.
    from scipy.io import netcdf_file

    return netcdf_file(path, "r", mmap=False, maskandscale=True)


def netcdf_variables(file: Any) -> Iterator[tuple[str, Variable]]:
    """Yield path and variable for all variables and text attributes of a classic netCDF file."""
    for name, value in file._attributes.items():
        if isinstance(value, bytes):
            yield name, Variable((), "text", partial(_decoded, value))
    for name, variable in file.variables.items():
        is_text = variable.typecode() == "c"
        load = partial(_netcdf_value, variable, is_text)
        yield name, Variable(tuple(variable.shape), "text" if is_text else "number", load)


def _netcdf_value(variable: Any, is_text: bool) -> Any:
    """Read a variable: a text, or an array with NaN for fill values."""
    if is_text:
        return _joined_text(variable.data)
    values = variable[...]
    if np.ma.isMaskedArray(values):
        return np.ma.filled(values.astype(np.float64), np.nan)
    # What the netCDF library writes where a program has written nothing, and states no fill value of its own.
    return np.where(values == values.dtype.type(_NETCDF_FILL), np.nan, values) if values.dtype.kind == "f" else values


# HDF5, netCDF-4 and MATLAB 7.3


def open_hdf5(path: Path, where: str) -> Any:
    """Open an HDF5 file, which netCDF-4 and MATLAB 7.3 files are; refused if it takes data from other files."""
    import h5py

    refuse_data_elsewhere(path, where)
    return h5py.File(path, "r")


def hdf5_variables(file: Any, matlab: bool) -> Iterator[tuple[str, Variable]]:
    """Yield path and variable for all datasets, and for the text attributes of the root group.

    Parameters
    ----------
    file : h5py.File
        The open file.
    matlab : bool
        Whether it is a MATLAB 7.3 file.
    """
    import h5py

    datasets: list[tuple[str, Any]] = []
    file.visititems(lambda name, item: datasets.append((name, item)) if isinstance(item, h5py.Dataset) else None)
    for name, value in file.attrs.items():
        if isinstance(value, str | bytes):
            yield name, Variable((), "text", partial(_decoded, value))
    for name, item in datasets:
        # MATLAB keeps the elements of cell arrays in the group #refs#; they are listed under the names of the cells.
        if not name.startswith("#"):
            yield from _hdf5_dataset(file, name, item, matlab)


def _hdf5_dataset(file: Any, name: str, item: Any, matlab: bool) -> Iterator[tuple[str, Variable]]:
    import h5py

    # MATLAB stores its arrays column by column, and therefore with reversed axes.
    stored_shape = tuple(item.shape or ())
    shape = stored_shape[::-1] if matlab else stored_shape
    if h5py.check_ref_dtype(item.dtype) is not None:
        if matlab:
            for number, reference in enumerate(item[...].ravel(), start=1):
                target = file[reference]
                if isinstance(target, h5py.Dataset):
                    yield from _hdf5_dataset(file, f"{name}({number})", target, matlab)
        return
    if matlab and _decoded(item.attrs.get("MATLAB_class", b"")) == "char":
        yield name, Variable(shape, "text", lambda: "".join(map(chr, item[...].T.ravel())))
    elif h5py.check_string_dtype(item.dtype) is not None:
        yield name, Variable(shape, "text", lambda: _joined_text(np.asarray(item.asstr()[...])))
    elif matlab and _decoded(item.attrs.get("MATLAB_class", b"")) == "logical":
        yield name, Variable(shape, "other", lambda: None)
    elif item.dtype.names is not None and len(item.dtype.names) == 2:
        real, imaginary = item.dtype.names
        is_complex = real[:1].lower() == "r" and imaginary[:1].lower() == "i"
        yield name, Variable(shape, "number" if is_complex else "other", lambda: _complex_values(item, matlab))
    elif item.dtype.kind in "iufc" and h5py.check_enum_dtype(item.dtype) is None:
        yield name, Variable(shape, "number", lambda: _scaled_values(item, matlab))
    else:
        yield name, Variable(shape, "other", lambda: None)


def _complex_values(item: Any, matlab: bool) -> Any:
    pairs = item[...]
    real, imaginary = pairs.dtype.names
    values = _with_missing(item, pairs[real] + 1j * pairs[imaginary])
    return values.T if matlab else values


def _with_missing(item: Any, values: Any) -> Any:
    """Return the values of a dataset with NaN where none was written."""
    missing = unwritten(item)
    return values if missing is None else np.where(missing, np.nan, values)


def _scaled_values(item: Any, matlab: bool) -> Any:
    """Read a numeric dataset; fill values, scale factor and offset of the netCDF conventions are applied."""
    if matlab:
        return np.zeros(0) if "MATLAB_empty" in item.attrs else _with_missing(item, item[...]).T
    values = item[...]
    is_fill = np.zeros(values.shape, dtype=bool)
    fills = [item.attrs[name] for name in ("_FillValue", "missing_value") if name in item.attrs]
    # netCDF-4 defines a fill value of its own, such as 9.97e36, where the author of the file states none.
    if item.fillvalue != 0:
        fills.append(item.fillvalue)
    for fill in fills:
        is_fill |= np.isin(values, fill)
    if (missing := unwritten(item)) is not None:
        is_fill |= missing
    if is_fill.any() or "scale_factor" in item.attrs or "add_offset" in item.attrs:
        values = np.where(is_fill, np.nan, values.astype(np.complex128 if values.dtype.kind == "c" else np.float64))
        values = values * np.ravel(item.attrs.get("scale_factor", 1.0))[0]
        values = values + np.ravel(item.attrs.get("add_offset", 0.0))[0]
    return values


def _decoded(value: str | bytes) -> str:
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else value


def _joined_text(values: Any) -> str:
    flat = np.ma.filled(values, b"" if values.dtype.kind == "S" else "").ravel()
    return "".join(_decoded(value) if isinstance(value, bytes) else str(value) for value in flat)

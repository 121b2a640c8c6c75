"""Variables of generic containers, by one kind of path: MATLAB files (version 5 and 7.3), HDF5 and netCDF."""

from __future__ import annotations

import difflib
import warnings
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from anechain.errors import InputError, Problem

__all__ = ["Container", "Variable", "container_kind", "open_container"]

Values = NDArray[np.float64] | NDArray[np.complex128]

_HDF5 = b"\x89HDF\r\n\x1a\n"
_CLASSIC = (b"CDF\x01", b"CDF\x02", b"CDF\x05")
_CONTAINERS = "a whole MATLAB file (version 5 or 7.3), HDF5 or netCDF file"


@dataclass(frozen=True)
class Variable:
    """One variable of a container, not yet read.

    Attributes
    ----------
    shape : tuple of int
        As the program that wrote it counts its axes (MATLAB's own order for its files).
    kind : str
        "number", "text" or "other".
    load : callable
        Reads it: an array of float or complex numbers, or a text.
    """

    shape: tuple[int, ...]
    kind: str
    load: Callable[[], Any]


@dataclass(frozen=True)
class Container:
    """An open container.

    Attributes
    ----------
    where : str
        Its name in messages.
    kind : str
        "MATLAB 5", "MATLAB 7.3", "HDF5" or "netCDF classic".
    variables : mapping of str to Variable
        By path: names joined by "/", elements of cell and structure arrays counted from 1 as in "tests(2)/level".
    """

    where: str
    kind: str
    variables: Mapping[str, Variable]

    def name_of(self, wanted: str) -> str | None:
        """Path as the container has it; a leading slash, and MATLAB's points for slashes, are accepted."""
        for name in (wanted, wanted.strip("/"), wanted.strip("/").replace(".", "/")):
            if name in self.variables:
                return name
        return None

    def listing(self, limit: int = 12) -> str:
        """Paths and shapes of the numeric variables, as words."""
        numeric = [
            f"{name} ({' × '.join(map(str, one.shape)) or 'one number'})"
            for name, one in self.variables.items()
            if one.kind == "number"
        ]
        more = f" and {len(numeric) - limit} more" if len(numeric) > limit else ""
        return ", ".join(numeric[:limit]) + more or "no numeric variable"

    def numbers(self, wanted: str, option: str) -> Values:
        """Numeric variable that an option names.

        Raises
        ------
        InputError
            If there is none of that path, if it is not numeric, or if it cannot be read.
        """
        name = self.name_of(wanted)
        if name is None:
            near = difflib.get_close_matches(wanted, self.variables, 1, 0.6)
            raise InputError.single(
                self.where,
                f"it has no variable {wanted!r}, which the option `{option}` names",
                self.listing(),
                f"correct the option `{option}`" + (f"; did you mean {near[0]!r}?" if near else ""),
            )
        found = self.variables[name]
        if found.kind != "number":
            raise InputError.single(
                self.where,
                f"{name}, which the option `{option}` names, is {'text' if found.kind == 'text' else 'not numeric'}",
                self.listing(),
                f"correct the option `{option}`",
            )
        with _damage_told(self.where, self.kind):
            values = np.asarray(found.load())
            return values.astype(np.complex128) if np.iscomplexobj(values) else values.astype(np.float64)

    def frequencies(self, wanted: str, unit: str, option: str = "frequency") -> NDArray[np.float64]:
        """Frequencies in Hz that an option names.

        Parameters
        ----------
        wanted : str
            Path.
        unit : {"hertz", "kilohertz"}
            Unit in the file.
        option : str
            Name of the option, for messages.

        Raises
        ------
        InputError
            If they are not one list of finite frequencies that rises from 0 Hz or above.
        """
        found = self.numbers(wanted, option)
        flat = found.ravel()
        if max(found.shape, default=1) != flat.size or not flat.size:
            what = f"has the shape {' × '.join(map(str, found.shape))}"
        elif np.iscomplexobj(flat) or not np.isfinite(flat).all() or (flat < 0).any():
            what = "holds values that are negative or not finite"
        elif (np.diff(flat) <= 0).any():
            at = int(np.argmax(np.diff(flat) <= 0))
            what = f"does not rise: {flat[at + 1]:g} comes after {flat[at]:g}"
        else:
            return np.asarray(flat.real * (1000.0 if unit == "kilohertz" else 1.0))
        raise InputError.single(
            self.where, f"{wanted} {what}", "one list of rising frequencies", f"correct the option `{option}`"
        )

    def text(self, wanted: str, option: str) -> str:
        """Text that an option names.

        Raises
        ------
        InputError
            If there is no text of that path.
        """
        name = self.name_of(wanted)
        if name is None or self.variables[name].kind != "text":
            texts = [path for path, one in self.variables.items() if one.kind == "text"]
            raise InputError.single(
                self.where,
                f"it has no text {wanted!r}, which the option `{option}` names",
                ", ".join(texts[:12]) or "no text is in the file",
                f"correct or leave out the option `{option}`",
            )
        with _damage_told(self.where, self.kind):
            return str(self.variables[name].load()).strip()


def container_kind(path: Path) -> str | None:
    """Kind of container by its signature; None if it is none.

    Raises
    ------
    OSError
        If the file cannot be read.
    """
    with path.open("rb") as file:
        head = file.read(2056)
    if head[:4] in _CLASSIC:
        return "netCDF 64-bit data" if head[3] == 5 else "netCDF classic"
    if head.startswith(b"MATLAB 7.3 MAT-file") and head[512:520] == _HDF5:
        return "MATLAB 7.3"
    if any(head[at : at + 8] == _HDF5 for at in (0, 512, 1024, 2048)):
        return "HDF5"
    # The header of a MATLAB 5 file: 116 bytes of text, version 0x0100 in the byte order that "IM" or "MI" tells.
    if head[:6] == b"MATLAB" and head[124:128] in (b"\x00\x01IM", b"\x01\x00MI"):
        return "MATLAB 5"
    return None


@contextmanager
def open_container(path: Path, where: str) -> Iterator[Container]:
    """Open a container for reading and list what is in it.

    Parameters
    ----------
    path : Path
        The file; never written.
    where : str
        Its name in messages.

    Yields
    ------
    Container
        Usable inside the `with` block only.

    Raises
    ------
    InputError
        If it is no such container, or damaged.
    """
    try:
        kind = container_kind(path)
    except OSError as error:
        raise InputError.single(
            where,
            f"cannot be read: {error.strerror or error}",
            "a readable file",
            "check that it exists and its rights",
        ) from None
    if kind == "netCDF 64-bit data":
        raise InputError.single(
            where, "it is netCDF in the 64-bit data format (CDF-5)", _CONTAINERS, "convert it to netCDF-4"
        )
    if kind is None:
        raise InputError.single(
            where,
            "it begins with the signature of no container that is read here",
            _CONTAINERS,
            "save it in one of these formats, or choose another importer",
        )
    if kind == "MATLAB 5":
        with _damage_told(where, kind):
            variables = dict(_of_matlab_5(path))
        yield Container(where, kind, variables)
        return
    opened = _netcdf_file if kind == "netCDF classic" else _hdf5_file
    with _damage_told(where, kind):
        file = opened(path)
    try:
        with _damage_told(where, kind):
            listed = _of_netcdf(file) if kind == "netCDF classic" else _of_hdf5(file, kind == "MATLAB 7.3")
            variables = dict(listed)
        yield Container(where, kind, variables)
    finally:
        file.close()


@contextmanager
def _damage_told(where: str, kind: str) -> Iterator[None]:
    """Turn whatever a library raises on a damaged file into a refusal: their kinds of exception are many."""
    try:
        with warnings.catch_warnings():
            # A library that warns about the data (a variable stored twice) is not sure of what it gives.
            warnings.simplefilter("error", UserWarning)
            yield
    except InputError:
        raise
    except Exception as error:
        said = " ".join(str(error).split())[:200] or type(error).__name__
        raise InputError(
            [
                Problem(
                    where,
                    f"it begins as {kind} but cannot be read (damaged, or cut short): {said}",
                    _CONTAINERS,
                    "copy or export it again",
                )
            ]
        ) from None


def _of_matlab_5(path: Path) -> Iterator[tuple[str, Variable]]:
    from scipy.io import loadmat

    for name, value in loadmat(path, struct_as_record=True, chars_as_strings=True).items():
        if not name.startswith("__"):
            yield from _of_matlab_value(name, value)


def _of_matlab_value(name: str, value: Any) -> Iterator[tuple[str, Variable]]:
    if not isinstance(value, np.ndarray):
        yield name, Variable((), "other", lambda: value)
    elif value.dtype.names is not None or value.dtype == object:
        # MATLAB counts the elements of an array column by column.
        elements = value.ravel(order="F")
        for at, element in enumerate(elements, start=1):
            whole = f"{name}({at})" if value.dtype.names is None or elements.size > 1 else name
            if value.dtype.names is None:
                yield from _of_matlab_value(whole, element)
            else:
                for field in value.dtype.names:
                    yield from _of_matlab_value(f"{whole}/{field}", element[field])
    elif value.dtype.kind == "U":
        yield name, Variable(value.shape, "text", lambda: " ".join(map(str, value.ravel())))
    else:
        yield name, Variable(value.shape, "number" if value.dtype.kind in "biufc" else "other", lambda: value)


def _netcdf_file(path: Path) -> Any:
    # The netCDF library itself gives zeros for what a cut file lacks, without a word; scipy's reader fails, as it must.
    from scipy.io import netcdf_file

    return netcdf_file(path, "r", mmap=False, maskandscale=True)


def _of_netcdf(file: Any) -> Iterator[tuple[str, Variable]]:
    for name, value in file._attributes.items():
        if isinstance(value, bytes):
            yield name, Variable((), "text", partial(_plain_text, value))
    for name, one in file.variables.items():
        text = one.typecode() == "c"
        yield name, Variable(tuple(one.shape), "text" if text else "number", partial(_of_netcdf_variable, one, text))


def _of_netcdf_variable(one: Any, text: bool) -> Any:
    """Text, or plain array: fill values are no numbers."""
    if text:
        return _joined_text(one.data)
    values = one[...]
    return np.ma.filled(values.astype(np.float64), np.nan) if np.ma.isMaskedArray(values) else values


def _joined_text(values: Any) -> str:
    flat = np.ma.filled(values, b"" if values.dtype.kind == "S" else "").ravel()
    return "".join(one.decode("utf-8", "replace") if isinstance(one, bytes) else str(one) for one in flat)


def _hdf5_file(path: Path) -> Any:
    import h5py

    return h5py.File(path, "r")


def _of_hdf5(file: Any, matlab: bool) -> Iterator[tuple[str, Variable]]:
    import h5py

    found: list[tuple[str, Any]] = []
    # Only what hangs below the root by its own name: MATLAB keeps the elements of its cells in #refs#.
    file.visititems(lambda name, item: found.append((name, item)) if isinstance(item, h5py.Dataset) else None)
    for name, value in file.attrs.items():
        if isinstance(value, str | bytes):
            yield name, Variable((), "text", partial(_plain_text, value))
    for name, item in found:
        if not name.startswith("#"):
            yield from _of_hdf5_dataset(file, name, item, matlab)


def _plain_text(value: str | bytes) -> str:
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else value


def _of_hdf5_dataset(file: Any, name: str, item: Any, matlab: bool) -> Iterator[tuple[str, Variable]]:
    import h5py

    # MATLAB stores its arrays column by column and so with the axes reversed.
    stored = tuple(item.shape or ())
    shape = stored[::-1] if matlab else stored
    if h5py.check_ref_dtype(item.dtype) is not None:
        if matlab:
            for at, reference in enumerate(item[...].ravel(), start=1):
                target = file[reference]
                if isinstance(target, h5py.Dataset):
                    yield from _of_hdf5_dataset(file, f"{name}({at})", target, matlab)
        return
    if matlab and _plain_text(item.attrs.get("MATLAB_class", b"")) == "char":
        yield name, Variable(shape, "text", lambda: "".join(map(chr, item[...].T.ravel())))
    elif h5py.check_string_dtype(item.dtype) is not None:
        yield name, Variable(shape, "text", lambda: _joined_text(np.asarray(item.asstr()[...])))
    elif item.dtype.names is not None and len(item.dtype.names) == 2:
        real, imaginary = item.dtype.names
        alike = real[:1].lower() == "r" and imaginary[:1].lower() == "i"
        yield name, Variable(shape, "number" if alike else "other", lambda: _complex(item[...], matlab))
    elif item.dtype.kind in "biufc":
        yield name, Variable(shape, "number", lambda: _scaled(item, matlab))
    else:
        yield name, Variable(shape, "other", lambda: None)


def _complex(pairs: Any, matlab: bool) -> Any:
    real, imaginary = pairs.dtype.names
    values = pairs[real] + 1j * pairs[imaginary]
    return values.T if matlab else values


def _scaled(item: Any, matlab: bool) -> Any:
    """Values of a dataset; what netCDF's conventions say of filling and packing is followed where it is there."""
    if matlab:
        return np.zeros(0) if "MATLAB_empty" in item.attrs else item[...].T
    values = item[...]
    filled = np.zeros(values.shape, dtype=bool)
    for attribute in ("_FillValue", "missing_value"):
        if attribute in item.attrs:
            filled |= np.isin(values, item.attrs[attribute])
    if filled.any() or "scale_factor" in item.attrs or "add_offset" in item.attrs:
        values = np.where(filled, np.nan, values.astype(np.complex128 if values.dtype.kind == "c" else np.float64))
        values = values * np.ravel(item.attrs.get("scale_factor", 1.0))[0]
        values = values + np.ravel(item.attrs.get("add_offset", 0.0))[0]
    return values

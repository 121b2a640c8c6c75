"""Open MATLAB (version 5 and 7.3), HDF5 and netCDF files, and read their variables by path."""

from __future__ import annotations

import difflib
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from anechain.errors import InputError
from anechain.importing.container_variables import (
    Variable,
    hdf5_variables,
    matlab5_variables,
    netcdf_variables,
    open_hdf5,
    open_netcdf,
)
from anechain.importing.size_limit import check_size
from anechain.regular_files import require_regular_file

__all__ = ["Container", "container_kind", "open_container"]

Values = NDArray[np.float64] | NDArray[np.complex128]

_HDF5 = b"\x89HDF\r\n\x1a\n"
_CLASSIC = (b"CDF\x01", b"CDF\x02", b"CDF\x05")
_EXPECTED = "a complete MATLAB file (version 5 or 7.3), HDF5 or netCDF file"


@dataclass(frozen=True)
class Container:
    """An open container.

    Attributes
    ----------
    where : str
        Name of the file in messages.
    kind : str
        "MATLAB 5", "MATLAB 7.3", "HDF5" or "netCDF classic".
    variables : mapping of str to Variable
        By path: names joined by "/", elements of cell and structure arrays numbered from 1 as in "tests(2)/level".
    """

    where: str
    kind: str
    variables: Mapping[str, Variable]

    def name_of(self, path: str) -> str | None:
        """Return a path as the container spells it; None if there is no such variable.

        A leading slash is accepted, and points (as MATLAB writes them) in place of slashes.
        """
        for name in (path, path.strip("/"), path.strip("/").replace(".", "/")):
            if name in self.variables:
                return name
        return None

    def listing(self, limit: int = 12) -> str:
        """Return the paths and shapes of the numeric variables as text."""
        numeric = [
            f"{name} ({' × '.join(map(str, variable.shape)) or 'one number'})"
            for name, variable in self.variables.items()
            if variable.kind == "number"
        ]
        more = f" and {len(numeric) - limit} more" if len(numeric) > limit else ""
        return ", ".join(numeric[:limit]) + more or "no numeric variable"

    def numbers(self, path: str, option: str) -> Values:
        """Return a numeric variable.

        Parameters
        ----------
        path : str
            Its path.
        option : str
            Name of the option that states the path, for messages.

        Raises
        ------
        InputError
            If there is no such variable, if it is not numeric, or if it cannot be read.
        """
        name = self.name_of(path)
        if name is None:
            similar = difflib.get_close_matches(path, self.variables, 1, 0.6)
            raise InputError.single(
                self.where,
                f"it has no variable {path!r}, which the option `{option}` names",
                self.listing(),
                f"correct the option `{option}`" + (f"; did you mean {similar[0]!r}?" if similar else ""),
            )
        variable = self.variables[name]
        if variable.kind != "number":
            kind = "text" if variable.kind == "text" else "not numeric"
            raise InputError.single(
                self.where,
                f"{name}, which the option `{option}` names, is {kind}",
                self.listing(),
                f"correct the option `{option}`",
            )
        # Complex numbers of 16 bytes while they are converted.
        check_size(f"{self.where}, {name}", 16.0 * float(np.prod(variable.shape, dtype=np.float64)))
        with _damage_as_input_error(self.where, self.kind):
            values = np.asarray(variable.load())
            return values.astype(np.complex128) if np.iscomplexobj(values) else values.astype(np.float64)

    def frequencies(self, path: str, unit: str, option: str = "frequency") -> NDArray[np.float64]:
        """Return the frequencies in Hz.

        Parameters
        ----------
        path : str
            Path of the variable.
        unit : {"hertz", "kilohertz"}
            Unit in the file.
        option : str
            Name of the option that states the path, for messages.

        Raises
        ------
        InputError
            If they are not one list of finite, rising frequencies of 0 Hz or above.
        """
        values = self.numbers(path, option)
        flat = values.ravel()
        if max(values.shape, default=1) != flat.size or not flat.size:
            problem = f"has the shape {' × '.join(map(str, values.shape))}"
        elif np.iscomplexobj(flat) or not np.isfinite(flat).all() or (flat < 0).any():
            problem = "contains values that are negative or not finite"
        elif (np.diff(flat) <= 0).any():
            index = int(np.argmax(np.diff(flat) <= 0))
            problem = f"does not rise: {flat[index + 1]:g} follows {flat[index]:g}"
        else:
            return np.asarray(flat.real * (1000.0 if unit == "kilohertz" else 1.0))
        raise InputError.single(
            self.where, f"{path} {problem}", "one list of rising frequencies", f"correct the option `{option}`"
        )

    def text(self, path: str, option: str) -> str:
        """Return a text.

        Parameters
        ----------
        path : str
            Path of the variable or attribute.
        option : str
            Name of the option that states the path, for messages.

        Raises
        ------
        InputError
            If there is no text of that path.
        """
        name = self.name_of(path)
        if name is None or self.variables[name].kind != "text":
            texts = [other for other, variable in self.variables.items() if variable.kind == "text"]
            raise InputError.single(
                self.where,
                f"it has no text {path!r}, which the option `{option}` names",
                ", ".join(texts[:12]) or "the file contains no text",
                f"correct or leave out the option `{option}`",
            )
        with _damage_as_input_error(self.where, self.kind):
            return str(self.variables[name].load()).strip()


def container_kind(path: Path) -> str | None:
    """Return the kind of container according to the signature of a file; None if it is not a container.

    Raises
    ------
    OSError
        If the file cannot be read.
    """
    require_regular_file(path)
    with path.open("rb") as file:
        head = file.read(2056)
    if head[:4] in _CLASSIC:
        return "netCDF 64-bit data" if head[3] == 5 else "netCDF classic"
    if head.startswith(b"MATLAB 7.3 MAT-file") and head[512:520] == _HDF5:
        return "MATLAB 7.3"
    if any(head[start : start + 8] == _HDF5 for start in (0, 512, 1024, 2048)):
        return "HDF5"
    # The header of a MATLAB 5 file: 116 bytes of text, then version 0x0100 in the byte order that "IM" or "MI" states.
    if head[:6] == b"MATLAB" and head[124:128] in (b"\x00\x01IM", b"\x01\x00MI"):
        return "MATLAB 5"
    return None


@contextmanager
def open_container(path: Path, where: str) -> Iterator[Container]:
    """Open a container for reading, and list its variables.

    Parameters
    ----------
    path : Path
        The file; it is not changed.
    where : str
        Its name in messages.

    Yields
    ------
    Container
        Can be used inside the `with` block only.

    Raises
    ------
    InputError
        If it is not a container of these kinds, or damaged.
    """
    try:
        kind = container_kind(path)
    except OSError as error:
        raise InputError.single(
            where,
            f"cannot be read: {error.strerror or error}",
            "a readable file",
            "check that it exists, and its permissions",
        ) from None
    if kind == "netCDF 64-bit data":
        raise InputError.single(
            where, "it is netCDF in the 64-bit data format (CDF-5)", _EXPECTED, "convert it to netCDF-4"
        )
    if kind is None:
        raise InputError.single(
            where,
            "it does not begin with the signature of a container",
            _EXPECTED,
            "save it in one of these formats, or choose another importer",
        )
    if kind == "MATLAB 5":
        with _damage_as_input_error(where, kind):
            variables = dict(matlab5_variables(path, where))
        yield Container(where, kind, variables)
        return
    open_file = open_netcdf if kind == "netCDF classic" else open_hdf5
    with _damage_as_input_error(where, kind):
        file = open_file(path, where)
    try:
        with _damage_as_input_error(where, kind):
            variables = dict(
                netcdf_variables(file) if kind == "netCDF classic" else hdf5_variables(file, kind == "MATLAB 7.3")
            )
        yield Container(where, kind, variables)
    finally:
        file.close()


@contextmanager
def _damage_as_input_error(where: str, kind: str) -> Iterator[None]:
    """Turn any exception of a library into an InputError: damaged files raise exceptions of many types."""
    try:
        with warnings.catch_warnings():
            # Libraries warn if the data are doubtful, for example if a variable is stored twice.
            warnings.simplefilter("error", UserWarning)
            yield
    except InputError:
        raise
    except Exception as error:
        message = " ".join(str(error).split())[:200] or type(error).__name__
        raise InputError.single(
            where,
            f"it begins as {kind} but cannot be read (damaged or truncated): {message}",
            _EXPECTED,
            "copy or export it again",
        ) from None

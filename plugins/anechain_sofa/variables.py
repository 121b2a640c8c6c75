"""Variables and attributes of an open AES69 file, as arrays with known dimensions."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from anechain.acoustics.directivity.directions import unit_vectors
from anechain.arrays import Floats
from anechain.errors import Problem
from anechain.hooks import check_size

__all__ = [
    "SofaFile",
    "attribute",
    "data_dimensions",
    "directions_of",
    "numbers",
    "positions",
    "size",
    "strings",
    "variable",
]


_METRE = {"metre", "metres", "meter", "meters", "m"}
_DEGREE = {"degree", "degrees", "deg"}
_RADIAN = {"radian", "radians", "rad"}


@dataclass
class SofaFile:
    """An open file, its problems and its import report.

    Attributes
    ----------
    path : Path
        The file.
    stream : sofar.SofaStream
        The open file.
    problems : list of Problem
        Reasons why it cannot be used.
    report : list of str
        What was assumed, dropped or repaired.
    """

    path: Path
    stream: Any
    problems: list[Problem] = field(default_factory=list)
    report: list[str] = field(default_factory=list)

    def refuse(self, what: str, expected: str = "", fix: str = "") -> None:
        """Add a problem."""
        self.problems.append(Problem(str(self.path), what, expected, fix))


def attribute(file: SofaFile, name: str) -> str:
    """Return the text of an attribute such as "GLOBAL_Title" or "N_Units"; empty if there is none."""
    try:
        value = getattr(file.stream, name)
    except AttributeError:
        return ""
    return str(value).strip()


def size(file: SofaFile, dimension: str) -> int:
    """Return the length of a dimension; 1 if the file has none of that name."""
    try:
        return int(file.stream.get_dimension(dimension))
    except ValueError:
        return 1


def variable(file: SofaFile, name: str) -> Any | None:
    """Return a netCDF variable; None if there is none of that name."""
    return getattr(file.stream, name, None)


def data_dimensions(file: SofaFile) -> tuple[str, ...]:
    """Return the dimensions of the measured data; empty if there are none."""
    for name in ("Data_IR", "Data_Real"):
        found = variable(file, name)
        if found is not None:
            return tuple(str(dimension) for dimension in found.dimensions)
    return ()


def numbers(file: SofaFile, name: str, where: dict[str, int] | None = None) -> tuple[tuple[str, ...], Floats] | None:
    """Return the dimensions and the values of a numeric variable, missing values as NaN; None if it is absent.

    Parameters
    ----------
    file : SofaFile
        The open file.
    name : str
        "Data_Real", "ReceiverPosition"...
    where : dict of str to int, optional
        Index on each of these dimensions, which the result then lacks; only that part is read from the file.
        Dimensions that the variable lacks are ignored; on those of length one the index is 0.
    """
    found = variable(file, name)
    if found is None:
        return None
    if not np.issubdtype(found.dtype, np.number):
        file.refuse(f"{name} is text", "numbers")
        return None
    dims = tuple(str(dim) for dim in found.dimensions)
    index: list[int | slice] = [slice(None)] * len(dims)
    for at, dim in enumerate(dims):
        if where and dim in where:
            index[at] = where[dim] if found.shape[at] > 1 else 0
    taken_shape = [length for length, at in zip(found.shape, index, strict=True) if isinstance(at, slice)]
    # Complex numbers of 16 bytes when they are put together.
    check_size(f"{file.path}, {name}", 16.0 * float(np.prod(taken_shape, dtype=np.float64)))
    values = np.ma.filled(np.ma.asarray(found[tuple(index)], dtype=np.float64), np.nan)
    return tuple(dim for dim, taken in zip(dims, index, strict=True) if isinstance(taken, slice)), np.asarray(values)


def strings(file: SofaFile, name: str) -> tuple[str, list[str]] | None:
    """Return the first dimension and the texts of a character variable; None if it is absent or not one."""
    found = variable(file, name)
    if found is None or np.issubdtype(found.dtype, np.number) or found.ndim != 2:
        return None
    values = np.ma.asarray(found[:])
    # netCDF4 joins the characters itself if the variable states an encoding.
    if values.ndim == 1:
        return str(found.dimensions[0]), [str(value).strip("\x00 ") for value in np.ma.filled(values, "")]
    rows = np.asarray(np.ma.filled(values, b""), dtype="S1")
    return str(found.dimensions[0]), [b"".join(row).decode("utf-8", "replace").strip("\x00 ") for row in rows]


def _split(units: str) -> list[str]:
    return [unit for unit in units.lower().replace(",", " ").split() if unit]


def _angles_in_degrees(file: SofaFile, name: str, angles: Floats, units: list[str]) -> Floats | None:
    """Return azimuth and elevation in degrees; None, with a problem, if the stated unit is not plausible."""
    azimuth, elevation = np.abs(angles[..., 0]), np.abs(angles[..., 1])
    if all(unit in _RADIAN for unit in units[:2]):
        if (azimuth > 2 * np.pi + 0.01).any() or (elevation > np.pi / 2 + 0.01).any():
            file.refuse(
                f"{name} is labelled radian, but reaches {azimuth.max():g} in azimuth and {elevation.max():g} in "
                "elevation",
                "azimuth within ±2π and elevation within ±π/2",
                f"correct {name}:Units in the file; the numbers look like degrees",
            )
            return None
        return np.rad2deg(angles)
    if not all(unit in _DEGREE for unit in units[:2]):
        file.refuse(f"{name}:Units is {', '.join(units)!r}", "degree, degree, metre (or radian)")
        return None
    if _are_radians(angles):
        file.refuse(
            f"{name} is labelled degree, but no angle exceeds {max(azimuth.max(), elevation.max()):.4g}, and the "
            "fractions are typical of radians",
            "degrees that match their label",
            f"correct {name}:Units in the file; the numbers look like radians",
        )
        return None
    if (azimuth > 360.01).any() or (elevation > 90.01).any():
        file.refuse(
            f"{name} reaches {azimuth.max():g}° in azimuth and {elevation.max():g}° in elevation",
            "azimuth within ±360°, elevation within ±90° (not an angle from the pole)",
            "convert the positions to AES69's azimuth and elevation",
        )
        return None
    return angles


def _are_radians(angles: Floats) -> bool:
    """Return whether numbers labelled degrees can only be radians.

    This is the case if all are within a turn in radians and span half a turn in azimuth (or a quarter in elevation),
    and most are not multiples of 0.05, as the angles of such a narrow scan in degrees would be.
    """
    azimuth, elevation = angles[..., 0], angles[..., 1]
    if (np.abs(azimuth) > 2 * np.pi + 0.01).any() or (np.abs(elevation) > np.pi / 2 + 0.01).any():
        return False
    if np.ptp(azimuth) < 3.1 and np.ptp(elevation) < 1.55:
        return False
    nonzero = angles[..., :2]
    nonzero = nonzero[nonzero != 0]
    is_multiple = np.abs(nonzero / 0.05 - np.round(nonzero / 0.05)) < 1e-3
    return nonzero.size > 0 and float(is_multiple.mean()) < 0.5


def _coordinates_last(file: SofaFile, name: str, dims: tuple[str, ...], values: Floats) -> Floats | None:
    """Bring IC, MC, RC, RCI, RCM, EC, ... to (element, measurement, coordinate), with length one if constant."""
    if "C" not in dims or values.ndim not in (2, 3) or values.shape[dims.index("C")] != 3:
        file.refuse(f"{name} has the dimensions {' × '.join(dims)}", "one of AES69's, with C = 3 coordinates")
        return None
    values = np.moveaxis(values, dims.index("C"), -1)
    rest = [dim for dim in dims if dim != "C"]
    if len(rest) == 1:
        return values[None] if rest[0] == "M" else values[:, None]
    return np.moveaxis(values, rest.index("M"), 1) if "M" in rest else values


def positions(file: SofaFile, name: str) -> Floats | None:
    """Return cartesian positions in metres, shape (elements or 1, measurements or 1, 3).

    None, with a problem, if the variable is missing or not plausible.
    """
    found = numbers(file, name)
    if found is None:
        file.refuse(f"{name} is missing", fix="AES69 requires it; complete the file")
        return None
    values = _coordinates_last(file, name, *found)
    if values is None:
        return None
    if not np.isfinite(values).all():
        file.refuse(
            f"{name} has {int((~np.isfinite(values)).any(axis=-1).sum())} positions that are not finite numbers"
        )
        return None
    kind, units = attribute(file, f"{name}_Type").lower(), _split(attribute(file, f"{name}_Units"))
    if kind == "cartesian":
        if not units or any(unit not in _METRE for unit in units):
            file.refuse(f"{name}:Units is {', '.join(units) or 'missing'!r}", "metre")
            return None
        return values
    if kind == "spherical":
        if len(units) != 3 or units[2] not in _METRE:
            file.refuse(f"{name}:Units is {', '.join(units) or 'missing'!r}", "degree, degree, metre (or radian)")
            return None
        if (values[..., 2] < 0).any():
            file.refuse(f"{name} has a negative radius", "radii above zero")
            return None
        angles = _angles_in_degrees(file, name, values, units)
        if angles is None:
            return None
        return np.asarray(unit_vectors(angles[..., 0], angles[..., 1]) * values[..., 2:])
    harmonic = ": coefficients over the sphere, not directions" if "harmonic" in kind else ""
    file.refuse(f"{name}:Type is {kind or 'missing'!r}{harmonic}", "cartesian or spherical")
    return None


def directions_of(file: SofaFile, name: str, typed_by: str) -> Floats | None:
    """Return view or up vectors, shape (measurements or 1, 3); None if they are missing or not plausible.

    Parameters
    ----------
    file : SofaFile
        The open file.
    name : str
        "SourceView", "SourceUp", "ListenerView" or "ListenerUp".
    typed_by : str
        Variable whose Type and Units apply if this one has none (the view, for an up vector).
    """
    found = numbers(file, name)
    if found is None:
        return None
    values = _coordinates_last(file, name, *found)
    if values is None:
        return None
    values = values[0]
    kind = attribute(file, f"{name}_Type") or attribute(file, f"{typed_by}_Type") or "cartesian"
    units = _split(attribute(file, f"{name}_Units") or attribute(file, f"{typed_by}_Units"))
    if not np.isfinite(values).all():
        file.refuse(f"{name} is not finite", "a direction")
        return None
    if kind.lower() == "spherical":
        if len(units) < 2:
            file.refuse(f"{name}:Units is {', '.join(units) or 'missing'!r}", "degree, degree, metre (or radian)")
            return None
        angles = _angles_in_degrees(file, name, values, units)
        return None if angles is None else np.asarray(unit_vectors(angles[..., 0], angles[..., 1]))
    if kind.lower() != "cartesian":
        file.refuse(f"{name}:Type is {kind!r}", "cartesian or spherical")
        return None
    if not (np.linalg.norm(values, axis=-1) > 0).all():
        file.refuse(f"{name} has no length", "a direction")
        return None
    return np.asarray(values)

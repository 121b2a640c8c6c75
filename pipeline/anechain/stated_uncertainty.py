"""What the campaign states of its uncertainty, and what repeated takes show of it, as errors of each direction."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.uncertainty import (
    Distribution,
    distance_component,
    setting_angle_uncertainty,
    standard_of_limits,
)

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["ErrorParts", "error_parts"]

Floats = NDArray[np.float64]

_IN_DECIBELS = {"calibration": "calibration", "microphone": "microphone's response", "level_chain": "level chain"}


@dataclass(frozen=True)
class ErrorParts:
    """Standard uncertainties of the level in each direction.

    Attributes
    ----------
    common : numpy.ndarray, shape (n,)
        dB; alike in all directions.
    microphone : numpy.ndarray, shape (n,)
        dB; the part of that which comes of the microphone's response, and so varies over frequency.
    own : numpy.ndarray, shape (plane, angle, n)
        dB; each direction's own. NaN where a direction was not measured.
    said : list of str
        What it is made of, one line each.
    """

    common: Floats
    microphone: Floats
    own: Floats
    said: list[str]


def _standard(stated: Mapping[str, Any], frequency: Floats) -> Floats:
    """Standard uncertainty at each frequency, in the unit it is stated in."""
    value = stated["value"]
    if isinstance(value, list | tuple):
        at, values = np.asarray(value, dtype=np.float64).T
        spread = np.interp(np.log(frequency), np.log(at), values)
    else:
        spread = np.full(frequency.size, float(value))
    if stated["kind"] == "standard":
        return np.asarray(spread)
    kind: Distribution = "normal" if stated["kind"] == "expanded" else stated["kind"]
    return np.asarray(spread * standard_of_limits(1.0, kind, stated["coverage_factor"]))


def _words(name: str, standard: Floats, unit: str, stated: Mapping[str, Any]) -> str:
    low, high = float(np.nanmin(standard)), float(np.nanmax(standard))
    size = f"{low:.2g}" if np.isclose(low, high) else f"{low:.2g} to {high:.2g}"
    told = f" ({stated['source']})" if stated.get("source") else ""
    return f"{name}: standard uncertainty {size} {unit}, from {stated['kind']}{told}"


def error_parts(responses: xr.Dataset, stated: Mapping[str, Any], notes: list[str]) -> ErrorParts | None:
    """Uncertainty of every direction, or None where nothing is stated and no take was repeated.

    Parameters
    ----------
    responses : xarray.Dataset
        After the contract `responses`; its `level_std` (and `takes`) where takes were repeated.
    stated : mapping
        The campaign's section `uncertainty` as plain values.
    notes : list of str
        Told what could not be used.
    """
    frequency = np.asarray(responses["frequency"].values)
    level = np.asarray(responses["level"].transpose("plane", "angle", "frequency").values)
    held = np.asarray(responses["measured"].transpose("plane", "angle").values) == 1
    common, own = np.zeros(frequency.size), np.where(held[..., np.newaxis], np.zeros(level.shape), np.nan)
    microphone = np.zeros(frequency.size)
    said: list[str] = []
    for name, title in _IN_DECIBELS.items():
        if name in stated:
            standard = _standard(stated[name], frequency)
            common = np.hypot(common, standard)
            microphone = standard if name == "microphone" else microphone
            said.append(_words(title, standard, "dB", stated[name]) + "; alike in all directions")
    if "distance" in stated:
        distance = responses.attrs.get("measured_distance", responses.attrs.get("distance"))
        if distance is None:
            notes.append("uncertainty of the distance not used: the distance itself is not known")
        else:
            metres = _standard(stated["distance"], frequency)
            part = distance_component(float(distance), float(metres.max())).standard_db
            common = np.hypot(common, part)
            words = _words("distance", metres, "m", stated["distance"])
            said.append(f"{words} of {distance:g} m, that is {part:.2g} dB; alike in all directions")
    if "angle" in stated:
        degrees = float(_standard(stated["angle"], frequency).max())
        own = np.hypot(own, _of_the_angle(np.asarray(responses["angle"].values), level, held, degrees, notes))
        said.append(
            _words("setting of the angle", np.array([degrees]), "°", stated["angle"]) + " times the slope there"
        )
    if (spread := _of_repeats(responses, stated, frequency, said)) is not None:
        own = np.hypot(own, spread)
    return ErrorParts(common, microphone, own, said) if said else None


def _of_the_angle(angles: Floats, level: Floats, held: NDArray[np.bool_], degrees: float, notes: list[str]) -> Floats:
    part = np.full(level.shape, np.nan)
    for row in range(level.shape[0]):
        known = held[row]
        if known.sum() >= 3:
            part[row, known] = setting_angle_uncertainty(angles[known], level[row, known], degrees)
        else:
            part[row, known] = 0.0
            notes.append("uncertainty of the angle not used in a plane of fewer than three directions")
    # A level that is missing, or none at all, has no slope, and no share in any mean.
    return np.where(np.isfinite(part), part, 0.0)


def _of_repeats(responses: xr.Dataset, stated: Mapping[str, Any], frequency: Floats, said: list[str]) -> Floats | None:
    """Standard uncertainty of the mean of the takes of each direction; of a single take where there is but one."""
    single = _standard(stated["repeatability"], frequency) if "repeatability" in stated else None
    if "level_std" not in responses:
        if single is None:
            return None
        said.append(_words("repeatability", single, "dB", stated["repeatability"]) + "; each direction's own")
        return single
    spread = np.asarray(responses["level_std"].transpose("plane", "angle", "frequency").values)
    count = np.asarray(responses["takes"].transpose("plane", "angle").values) if "takes" in responses else None
    shared = np.ones(spread.shape[:2]) if count is None else np.maximum(count, 1)
    repeated = np.isfinite(spread)
    # Of all directions together; a frequency at which none was repeated has none.
    squares, counts = np.where(repeated, spread**2, 0.0).sum(axis=(0, 1)), repeated.sum(axis=(0, 1))
    together = np.sqrt(np.divide(squares, counts, out=np.full(counts.shape, np.nan), where=counts > 0))
    pooled = together if single is None else single
    most = f"{int(shared.min())} to {int(shared.max())} takes" if count is not None else "repeated takes"
    of_one = np.sqrt(squares.sum() / max(counts.sum(), 1))
    said.append(
        f"repeatability: of the mean of {most}, {of_one:.2g} dB r.m.s. for one; each direction's own"
        + ("" if repeated.all() else "; a direction taken once has that of one take")
    )
    return np.asarray(np.where(repeated, spread / np.sqrt(shared)[..., np.newaxis], pooled))

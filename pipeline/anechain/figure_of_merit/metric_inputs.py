"""What the numbers of a device are computed from: curves and directions inside the valid band, and the options."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.acoustics.curve.smoothing import smooth
from anechain.acoustics.directivity.arrivals import arrival_from_phase
from anechain.arrays import Floats
from anechain.campaign.derivation import Derivation
from anechain.campaign.numbers import DeviceNumbers, Numbers
from anechain.figure_of_merit import curve_uncertainty
from anechain.figure_of_merit.curve_uncertainty import StatedErrors
from anechain.figure_of_merit.direction_errors import direction_errors
from anechain.figure_of_merit.labels import curve_title

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["USES", "MetricInputs", "Orbits", "gather"]


USES = (
    "distance-uncertainty",
    "fractional-octave-smoothing",
    "setting-angle-uncertainty",
    "standard-uncertainty-of-limits",
    *curve_uncertainty.USES,
)
"""Methods that any number may use."""

BAND_TOLERANCE = 1.0 / 48.0
"""Octaves that a sample may be outside the valid band and still count: half the step of a 1/24-octave grid."""


@dataclass(frozen=True)
class Orbits:
    """Levels of the measured directions, smoothed as the curves are, NaN outside the valid band.

    Attributes
    ----------
    planes : tuple of str
    angles : numpy.ndarray, shape (m,)
        Degrees.
    level : numpy.ndarray, shape (plane, m, n)
        dB.
    axis_phase : numpy.ndarray, shape (n,), or None
        Phase on the axis in degrees without its delay, not smoothed; None if it is not known.
    """

    planes: tuple[str, ...]
    angles: Floats
    level: Floats
    axis_phase: Floats | None = None

    def in_plane(self, plane: str) -> Floats | None:
        """Return the levels of one orbit, shape (m, n).

        None if the orbit was not measured, apart from 0° and 180°, which both orbits share.
        """
        if plane not in self.planes:
            return None
        level = self.level[self.planes.index(plane)]
        measured = ~np.isin(self.angles, (0.0, 180.0)) & ~np.isnan(level).all(axis=1)
        return level if measured.any() else None


@dataclass(frozen=True)
class MetricInputs:
    """Everything that a module of figures of merit may read.

    Attributes
    ----------
    options : Numbers
        The options of the campaign.
    device_options : DeviceNumbers
        Options for this device only.
    datasets : mapping of str to xarray.Dataset
        Outputs of the earlier stages, by file name without ending; only those that exist.
    level_kind : str
        "spl" or "relative".
    frequency : numpy.ndarray, shape (n,)
        Hz, of the curves.
    curves, indices : mapping of str to numpy.ndarray, shape (n,)
        dB; NaN outside the valid band.
    gaps : mapping of str to str
        Why a curve or index is missing.
    orbits : Orbits
        Measured directions, on the same frequencies.
    errors : StatedErrors
        Stated uncertainties of the directions, and their shares in the curves.
    targets : mapping of str to (numpy.ndarray, numpy.ndarray)
        Target curves, Hz and dB, by curve.
    stated : mapping
        The campaign's section `uncertainty` as plain values; empty if nothing is stated.
    smoothing : float or None
        Smoothing of the curves as a fraction of an octave: 20 for 1/20; None if they are not smoothed.
    """

    options: Numbers
    device_options: DeviceNumbers
    datasets: Mapping[str, xr.Dataset]
    level_kind: str
    frequency: Floats
    curves: Mapping[str, Floats]
    indices: Mapping[str, Floats]
    gaps: Mapping[str, str]
    orbits: Orbits
    errors: StatedErrors
    targets: Mapping[str, tuple[Floats, Floats]]
    stated: Mapping[str, Any]
    smoothing: float | None

    def missing_reason(self, *names: str) -> str:
        """Return why the first missing one of some curves or indices is missing; empty if all exist."""
        for name in names:
            if name not in self.curves and name not in self.indices:
                return f"{curve_title(name)}: {self.gaps.get(name, 'was not derived')}"
        return ""


def gather(
    options: Numbers,
    device_options: DeviceNumbers,
    datasets: Mapping[str, xr.Dataset],
    derivation: Derivation,
    targets: Mapping[str, tuple[Floats, Floats]] | None = None,
    stated: Mapping[str, Any] | None = None,
) -> MetricInputs:
    """Read the inputs of the numbers from the datasets of a device.

    Parameters
    ----------
    options, device_options
        Options of the campaign and of the device.
    datasets : mapping of str to xarray.Dataset
        "curves" and "responses"; others are optional.
    derivation : Derivation
        How the curves were derived: the directions are smoothed in the same way.
    targets, stated : mapping, optional
        As in :class:`MetricInputs`.
    """
    curves, responses = datasets["curves"], datasets["responses"]
    frequency = np.asarray(curves["frequency"].values, dtype=np.float64)
    attributes = curves.attrs
    # A band that ends between two samples would lose its last interval, and with it every number of that band.
    slack = 2.0**BAND_TOLERANCE
    valid = (frequency >= attributes.get("valid_low", 0.0) / slack) & (
        frequency <= attributes.get("valid_high", np.inf) * slack
    )

    def levels_by_name(variable: str, dim: str) -> dict[str, Floats]:
        if variable not in curves:
            return {}
        values = np.asarray(curves[variable].transpose(dim, "frequency").values, dtype=np.float64)
        return {str(name): np.where(valid, row, np.nan) for name, row in zip(curves[dim].values, values, strict=True)}

    level = np.asarray(responses["level"].transpose("plane", "angle", "frequency").values, dtype=np.float64)
    if derivation.smoothing:
        level = smooth(np.asarray(responses["frequency"].values, dtype=np.float64), level, derivation.smoothing)
    return MetricInputs(
        options=options,
        device_options=device_options,
        datasets=datasets,
        level_kind=str(attributes["level_kind"]),
        frequency=frequency,
        curves=levels_by_name("level", "curve"),
        indices=levels_by_name("directivity_index", "index"),
        gaps=json.loads(str(attributes["gaps"])),
        orbits=Orbits(
            tuple(str(plane) for plane in responses["plane"].values),
            np.asarray(responses["angle"].values, dtype=np.float64),
            np.where(valid, level, np.nan),
            _axis_phase(responses),
        ),
        errors=direction_errors(options, datasets, derivation, level, stated or {}),
        targets=targets or {},
        stated=stated or {},
        smoothing=derivation.smoothing,
    )


def _axis_phase(responses: xr.Dataset) -> Floats | None:
    """Return the phase on the axis in degrees without its delay; None if the responses have none."""
    if "phase" not in responses or 0.0 not in responses["angle"].values:
        return None
    frequency = np.asarray(responses["frequency"].values, dtype=np.float64)
    on_axis = responses["phase"].sel(angle=0.0).transpose("plane", "frequency")
    rows = np.asarray(on_axis.values, dtype=np.float64)
    known = np.flatnonzero(np.isfinite(rows).any(axis=1))
    if not known.size:
        return None
    phase = rows[known[0]]
    if "arrival" not in responses:
        finite = np.isfinite(phase)
        delay = float(arrival_from_phase(frequency[finite], phase[finite]))
        if not np.isfinite(delay):
            return None
        phase = phase + 360.0 * frequency * delay
    return np.asarray(phase)

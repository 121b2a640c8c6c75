"""Stated uncertainties of captures at several drives, for distortion, compression and usable limits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.curve.levels import power_of_level
from anechain.acoustics.nonlinear.harmonic_errors import OrderErrors, sounding_frequencies
from anechain.acoustics.nonlinear.octave_weights import band_weights
from anechain.acoustics.uncertainty.components import distance_component
from anechain.acoustics.uncertainty.drawn_errors import DirectionErrors, first_order
from anechain.arrays import Floats
from anechain.campaign.stated_uncertainty import standard_uncertainty
from anechain.data.numbers import Uncertainty
from anechain.figure_of_merit.curve_uncertainty import NOT_STATED, REPEATABILITY_ONLY, octaves_text
from anechain.figure_of_merit.metric_inputs import MetricInputs

if TYPE_CHECKING:
    import xarray as xr

__all__ = [
    "NOT_REPEATED",
    "REPEATED_FIRST_DRIVE",
    "USES",
    "CaptureErrors",
    "band_power_weights",
    "capture_errors",
    "change_name",
    "drive_name",
    "level_uncertainty",
    "with_propagation",
]


USES = ("distance-uncertainty", "drawn-errors", "first-order-errors")
NOT_REPEATED = "the repeatability of a capture is not known: it is not stated, and no take on the axis was repeated"
REPEATED_FIRST_DRIVE = "again"
"""Name of the shares of a second capture at the lowest drive minus the first one."""


@dataclass(frozen=True)
class CaptureErrors:
    """Stated uncertainties of captures.

    Attributes
    ----------
    at_orders : AtOrders
        Errors at the frequencies of the fundamental and of the orders; shares of the captures by name, see
        :func:`drive_name` and :func:`change_name`.
    not_stated_reason : str
        Why no uncertainty is known; empty if some component is known.
    withheld_reason : str
        Why a number in which common errors do not cancel has no uncertainty; empty if it may have one.
    repeated : bool
        Whether the repeatability of a capture is known.
    """

    at_orders: OrderErrors
    not_stated_reason: str
    withheld_reason: str
    repeated: bool

    @property
    def unknown_reason(self) -> str:
        """Why a level or an order of these captures has no uncertainty; empty if it may have one."""
        return self.not_stated_reason or self.withheld_reason

    @property
    def components(self) -> str:
        """The components of the uncertainty, in print."""
        errors = self.at_orders.errors
        known = (
            (
                "calibration, gain, drive and distance, one error at all frequencies",
                bool((errors.broadband_error > 0).any()),
            ),
            (f"microphone response over {octaves_text(errors.response_octaves)}", bool((errors.response > 0).any())),
            ("setting of the angle", bool((errors.angle_error != 0).any())),
            (f"repeatability of a capture over {octaves_text(errors.own_octaves)}", self.repeated),
        )
        components = "; ".join(text for text, included in known if included)
        return components + ("" if self.repeated else "; repeatability is not known and not included")


def drive_name(row: int) -> str:
    """Return the name of the shares of the capture at a drive."""
    return f"drive {row}"


def change_name(row: int) -> str:
    """Return the name of the shares of the capture at a drive minus that at the lowest drive."""
    return f"change {row}"


def capture_errors(
    inputs: MetricInputs,
    data: xr.Dataset,
    takes: Floats,
    orders: Sequence[int] = (),
    measured: NDArray[np.bool_] | None = None,
    shares: Mapping[str, Floats] | None = None,
) -> CaptureErrors:
    """Return the errors of captures on the axis, one at each drive, from what the campaign states of the device.

    Parameters
    ----------
    inputs : MetricInputs
    data : xarray.Dataset
        Dataset of the captures: its frequencies, and the distance at which they were measured.
    takes : numpy.ndarray, shape (drives,)
        Number of captures that were averaged at each drive.
    orders : sequence of int
        Harmonic orders in the captures, without the fundamental.
    measured : numpy.ndarray of bool, shape (orders, n), optional
        Where the orders were measured.
    shares : mapping of str to numpy.ndarray, shape (drives,), optional
        Sensitivity of further numbers to the level of each capture, besides those of :func:`drive_name` and
        :func:`change_name`.
    """
    grid = np.asarray(data["frequency"].values, dtype=np.float64)
    where = np.zeros((0, grid.size), dtype=bool) if measured is None else measured
    frequency, first, order = sounding_frequencies(grid, orders, where)
    broadband_error, response = _common_errors(inputs.stated, frequency, data.attrs)
    single, angle_error = _axis_errors(inputs, frequency)
    # Rows: the drives; a second capture at the lowest drive; the setting of the angle; zero. All captures have the same
    # angle, so its share is the sum of their shares; the row of zeros keeps the sum of all shares unchanged.
    count = takes.size
    own = np.zeros((count + 3, frequency.size))
    own[:count], own[count] = single / np.sqrt(takes)[:, np.newaxis], single
    angle = np.zeros_like(own)
    angle[-2] = angle_error
    unit = np.eye(count)
    by_drive = {
        **{drive_name(row): unit[row] for row in range(count)},
        **{change_name(row): unit[row] - unit[0] for row in range(count)},
        **(shares or {}),
    }
    # Where a drift was removed, the return take is part of the reference of each level.
    returned = np.asarray(data["return_share"].values, dtype=np.float64) if "return_share" in data else np.zeros(count)
    rows = {
        name: np.r_[share + unit[0] * (share @ returned), -share @ returned, share.sum(), -share.sum()]
        for name, share in by_drive.items()
    }
    rows[REPEATED_FIRST_DRIVE] = np.r_[-unit[0], 1.0, 0.0, 0.0]
    chosen = inputs.options.uncertainty
    errors = DirectionErrors(
        frequency=frequency,
        broadband_error=broadband_error,
        response=response,
        own=own,
        angle_error=angle,
        shares={name: np.repeat(row[:, np.newaxis], frequency.size, axis=1) for name, row in rows.items()},
        own_octaves=chosen.repeatability_octaves,
        response_octaves=chosen.response_octaves,
        draws=chosen.draws,
    )
    common, repeated = bool((broadband_error > 0).any() or (response > 0).any()), bool((single > 0).any())
    return CaptureErrors(
        OrderErrors(errors, first, order),
        "" if common or repeated else NOT_STATED,
        "" if common else REPEATABILITY_ONLY if repeated else NOT_STATED,
        repeated,
    )


def _common_errors(
    stated: Mapping[str, Any], frequency: Floats, attributes: Mapping[Any, Any]
) -> tuple[Floats, Floats]:
    """Return the common standard uncertainties of all captures: broadband, and of the microphone response; dB."""
    components = [
        standard_uncertainty(stated[name], frequency) for name in ("calibration", "gain_and_drive") if name in stated
    ]
    distance = attributes.get("measured_distance", attributes.get("distance"))
    if "distance" in stated and distance is not None:
        metres = float(standard_uncertainty(stated["distance"], frequency).max())
        components.append(np.full(frequency.size, distance_component(float(distance), metres).standard_db))
    response = (
        standard_uncertainty(stated["microphone"], frequency) if "microphone" in stated else np.zeros(frequency.size)
    )
    return np.sqrt(sum((component**2 for component in components), np.zeros(frequency.size))), response


def _axis_errors(inputs: MetricInputs, frequency: Floats) -> tuple[Floats, Floats]:
    """Return the standard uncertainty of a capture on the axis by repeatability, and by the angle's setting; dB."""
    directions, zero = inputs.errors.directions, np.zeros(frequency.size)
    if directions is None or not (inputs.orbits.angles == 0.0).any():
        return zero, zero
    column = int(np.flatnonzero(inputs.orbits.angles == 0.0)[0])
    planes = np.flatnonzero(directions.place[:, column] >= 0)
    if not planes.size:
        return zero, zero
    row = int(directions.place[planes[0], column])
    own = directions.own[row]
    responses = inputs.datasets["responses"]
    if "level_std" in responses and "takes" in responses:
        deviation = np.asarray(responses["level_std"].transpose("plane", "angle", "frequency").values)
        count = int(responses["takes"].transpose("plane", "angle").values[planes[0], column])
        # The error of the direction is that of the mean of its takes; a capture is a single take.
        own = np.where(np.isfinite(deviation[planes[0], column]), own * np.sqrt(max(count, 1)), own)
    return (
        _interpolated(directions.frequency, own, frequency),
        _interpolated(directions.frequency, directions.angle_error[row], frequency),
    )


def _interpolated(grid: Floats, values: Floats, frequency: Floats) -> Floats:
    known = np.isfinite(values)
    if not known.any():
        return np.zeros(frequency.size)
    return np.asarray(np.interp(np.log(frequency), np.log(grid[known]), values[known]))


def band_power_weights(frequency: Floats, level: Floats, low_hz: float, high_hz: float) -> Floats:
    """Return the share of each frequency in the mean squared pressure of a band; all zero without a level in it.

    Parameters
    ----------
    frequency, level : numpy.ndarray, shape (n,)
        Hz and dB.
    low_hz, high_hz : float
        The band, Hz.
    """
    inside = np.where(np.isfinite(level), band_weights(frequency, low_hz, high_hz), 0.0)
    if not (inside > 0).any():
        return inside
    top = float(level[inside > 0].max())
    weight = inside * power_of_level(np.where(inside > 0, level, top) - top)
    return np.asarray(weight / weight.sum())


def level_uncertainty(
    errors: CaptureErrors, name: str, weight: Floats, additional: float = 0.0, additional_text: str = ""
) -> Uncertainty:
    """Return the uncertainty of a weighted sum over frequency of fundamentals in dB (GUM, first order).

    Parameters
    ----------
    errors : CaptureErrors
    name : str
        Shares of the captures. If they add to zero, the number is a change, in which common errors cancel.
    weight : numpy.ndarray, shape (n,)
        Weight of each fundamental.
    additional : float
        Standard uncertainty of a further, uncorrelated component, dB.
    additional_text : str
        What that component is.
    """
    captures = errors.at_orders.errors
    if errors.not_stated_reason:
        return Uncertainty(None, reason=errors.not_stated_reason)
    if abs(float(captures.shares[name].sum(axis=0)[0])) > 1e-9 and errors.withheld_reason:
        return Uncertainty(None, reason=errors.withheld_reason)
    gradient = np.zeros(captures.frequency.size)
    np.add.at(gradient, errors.at_orders.first, weight)
    standard = float(np.hypot(first_order(captures, name, gradient), additional))
    return Uncertainty(standard, "; ".join(filter(None, (f"first order (GUM): {errors.components}", additional_text))))


def with_propagation(uncertainty: Uncertainty, propagation: str) -> Uncertainty:
    """Return an uncertainty with another text on its propagation, if it is known."""
    return uncertainty if uncertainty.standard is None else replace(uncertainty, propagation=propagation)

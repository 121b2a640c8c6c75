"""Stated uncertainties of captures at several drives: what distortion, compression and usable limits are read from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.curve.levels import power_of_level
from anechain.acoustics.nonlinear.compression import band_weights
from anechain.acoustics.nonlinear.harmonic_distortion import ReferredOrders, order_noise, referred_orders
from anechain.acoustics.nonlinear.harmonic_errors import AtOrders, sounding
from anechain.acoustics.uncertainty.drawn_errors import DirectionErrors, first_order
from anechain.acoustics.uncertainty.uncertainty import distance_component
from anechain.arrays import Floats
from anechain.campaign.stated_uncertainty import standard_at
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
    "DriveOrders",
    "band_power_weights",
    "capture_errors",
    "change_name",
    "drive_name",
    "drive_orders",
    "level_uncertainty",
    "with_propagation",
]


USES = ("distance-uncertainty", "drawn-errors", "first-order-errors", "order-noise", "referred-orders")
NOT_REPEATED = "no repeatability of a single capture is known: none is stated and no take on the axis was repeated"
REPEATED_FIRST_DRIVE = "again"
"""Share of a second capture at the lowest drive less the first one."""


@dataclass(frozen=True)
class DriveOrders:
    """Orders of a device at each drive, re the fundamental, inside the valid band.

    Attributes
    ----------
    frequency : numpy.ndarray, shape (n,)
        Hz.
    drive : numpy.ndarray, shape (drives,)
        V.
    orders : tuple of int
        Which, from the second on.
    fundamental : numpy.ndarray, shape (drives, n)
        dB.
    relative : tuple of ReferredOrders
        By drive.
    takes : numpy.ndarray, shape (drives,)
        How many captures each is the mean of.
    """

    frequency: Floats
    drive: Floats
    orders: tuple[int, ...]
    fundamental: Floats
    relative: tuple[ReferredOrders, ...]
    takes: Floats


@dataclass(frozen=True)
class CaptureErrors:
    """What is known of the errors of captures.

    Attributes
    ----------
    at : AtOrders
        Shares of the errors by name, see :func:`drive_name` and :func:`change_name`.
    stated : str
        Why nothing at all is known; empty if something is.
    withheld : str
        Why nothing that keeps what captures share has an uncertainty; empty if it may have one.
    repeated : bool
        Whether the repeatability of a capture is known.
    """

    at: AtOrders
    stated: str
    withheld: str
    repeated: bool

    @property
    def parts(self) -> str:
        """What is in the errors, in words."""
        of = self.at.errors
        known = (
            (
                "calibration, level chain and distance, one error at all frequencies",
                bool((of.broadband_error > 0).any()),
            ),
            (f"the microphone's response over {octaves_text(of.response_octaves)}", bool((of.response > 0).any())),
            ("the setting of the angle", bool((of.angle_error != 0).any())),
            (f"repeatability of a capture over {octaves_text(of.own_octaves)}", self.repeated),
        )
        words = [text for text, there in known if there]
        return "; ".join(words) + ("" if self.repeated else "; repeatability is not known and not in it")


def drive_name(row: int) -> str:
    """Share of the capture at a drive."""
    return f"drive {row}"


def change_name(row: int) -> str:
    """Share of the capture at a drive less that at the lowest one."""
    return f"change {row}"


def drive_orders(inputs: MetricInputs) -> DriveOrders | None:
    """Orders of a device at each drive, marked and cut as the stage of distortion does; None if there are none."""
    harmonics, distortion = inputs.datasets.get("harmonics"), inputs.datasets.get("distortion")
    if harmonics is None or distortion is None or 1 not in harmonics["order"].values:
        return None
    ordered = harmonics.transpose("drive", "order", "frequency")
    every = np.asarray(ordered["order"].values)
    wanted = [at for at, order in enumerate(every) if order in distortion["order"].values]
    if not wanted:
        return None
    frequency = np.asarray(ordered["frequency"].values, dtype=np.float64)
    low, high = (float(ordered.attrs.get(name, end)) for name, end in (("valid_low", 0.0), ("valid_high", np.inf)))
    beyond = (every[:, np.newaxis] > 1) & (every[:, np.newaxis] * frequency > high * (1 + 1e-9))
    outside = (frequency < low) | (frequency > high)
    level = np.where(beyond | outside, np.nan, np.asarray(ordered["level"].values, dtype=np.float64))
    uncertainty = np.asarray(ordered["level_std"].values, dtype=np.float64) if "level_std" in ordered else None
    noise = order_noise(level, np.asarray(ordered["noise"].values, dtype=np.float64), uncertainty)
    fundamental = level[:, int(np.flatnonzero(every == 1)[0])]
    margin = float(distortion.attrs["noise_margin"])
    drive = np.asarray(ordered["drive"].values, dtype=np.float64)
    takes = np.asarray(ordered["takes"].values, dtype=np.float64) if "takes" in ordered else np.ones(drive.size)
    return DriveOrders(
        frequency,
        drive,
        tuple(int(every[at]) for at in wanted),
        fundamental,
        tuple(
            referred_orders(base, row[wanted], hiss[wanted], margin)
            for base, row, hiss in zip(fundamental, level, noise, strict=True)
        ),
        np.maximum(takes, 1.0),
    )


def capture_errors(
    inputs: MetricInputs,
    data: xr.Dataset,
    takes: Floats,
    orders: Sequence[int] = (),
    there: NDArray[np.bool_] | None = None,
    shares: Mapping[str, Floats] | None = None,
) -> CaptureErrors:
    """Errors of captures on the axis, one at each drive, from what the campaign states of the device.

    Parameters
    ----------
    inputs : Given
    data : xarray.Dataset
        Which has the captures: its frequencies, and the distance that they were made at.
    takes : numpy.ndarray, shape (drives,)
        How many captures each is the mean of.
    orders : sequence of int
        Orders that sound in them beside the fundamental.
    there : numpy.ndarray of bool, shape (orders, n), optional
        Where they were measured.
    shares : mapping of str to numpy.ndarray, shape (drives,)
        By how much numbers change with each capture, beside those of :func:`drive_name` and :func:`change_name`.
    """
    grid = np.asarray(data["frequency"].values, dtype=np.float64)
    held = np.zeros((0, grid.size), dtype=bool) if there is None else there
    frequency, first, order = sounding(grid, orders, held)
    broadband_error, response = _shared(inputs.stated, frequency, data.attrs)
    single, angle_error = _on_axis(inputs, frequency)
    # After the drives a second capture at the lowest one, the pose, and nothing: the pose is one for all captures, and
    # counts as often as the levels do; what it takes from nothing leaves the sum of the shares that of the levels.
    count = takes.size
    own = np.zeros((count + 3, frequency.size))
    own[:count], own[count] = single / np.sqrt(takes)[:, np.newaxis], single
    angle = np.zeros_like(own)
    angle[-2] = angle_error
    one = np.eye(count)
    by_drive = {
        **{drive_name(row): one[row] for row in range(count)},
        **{change_name(row): one[row] - one[0] for row in range(count)},
        **(shares or {}),
    }
    rows = {name: np.r_[share, 0.0, share.sum(), -share.sum()] for name, share in by_drive.items()}
    rows[REPEATED_FIRST_DRIVE] = np.r_[-one[0], 1.0, 0.0, 0.0]
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
        AtOrders(errors, first, order),
        "" if common or repeated else NOT_STATED,
        "" if common else REPEATABILITY_ONLY if repeated else NOT_STATED,
        repeated,
    )


def _shared(stated: Mapping[str, Any], frequency: Floats, attributes: Mapping[Any, Any]) -> tuple[Floats, Floats]:
    """What is alike in all captures: at all frequencies, and by the microphone's response; dB."""
    sizes = [standard_at(stated[name], frequency) for name in ("calibration", "gain_and_drive") if name in stated]
    distance = attributes.get("measured_distance", attributes.get("distance"))
    if "distance" in stated and distance is not None:
        metres = float(standard_at(stated["distance"], frequency).max())
        sizes.append(np.full(frequency.size, distance_component(float(distance), metres).standard_db))
    response = standard_at(stated["microphone"], frequency) if "microphone" in stated else np.zeros(frequency.size)
    return np.sqrt(sum((one**2 for one in sizes), np.zeros(frequency.size))), response


def _on_axis(inputs: MetricInputs, frequency: Floats) -> tuple[Floats, Floats]:
    """Standard uncertainty of a single capture on the axis by repeats, and by the setting of the angle; dB."""
    of, nothing = inputs.errors.directions, np.zeros(frequency.size)
    if of is None or not (inputs.orbits.angles == 0.0).any():
        return nothing, nothing
    column = int(np.flatnonzero(inputs.orbits.angles == 0.0)[0])
    planes = np.flatnonzero(of.place[:, column] >= 0)
    if not planes.size:
        return nothing, nothing
    row = int(of.place[planes[0], column])
    own = of.own[row]
    responses = inputs.datasets["responses"]
    if "level_std" in responses and "takes" in responses:
        uncertainty = np.asarray(responses["level_std"].transpose("plane", "angle", "frequency").values)[
            planes[0], column
        ]
        count = int(responses["takes"].transpose("plane", "angle").values[planes[0], column])
        # What is known there is of the mean of the takes.
        own = np.where(np.isfinite(uncertainty), own * np.sqrt(max(count, 1)), own)
    return _read_at(of.frequency, own, frequency), _read_at(of.frequency, of.angle_error[row], frequency)


def _read_at(grid: Floats, values: Floats, frequency: Floats) -> Floats:
    known = np.isfinite(values)
    if not known.any():
        return np.zeros(frequency.size)
    return np.asarray(np.interp(np.log(frequency), np.log(grid[known]), values[known]))


def band_power_weights(frequency: Floats, level: Floats, low_hz: float, high_hz: float) -> Floats:
    """Share of each frequency in the level of the mean squared pressure over a band; zero everywhere if it has none.

    Parameters
    ----------
    frequency, level : numpy.ndarray, shape (n,)
        Hz and dB.
    low_hz, high_hz : float
        The band.
    """
    inside = np.where(np.isfinite(level), band_weights(frequency, low_hz, high_hz), 0.0)
    if not (inside > 0).any():
        return inside
    top = float(level[inside > 0].max())
    weight = inside * power_of_level(np.where(inside > 0, level, top) - top)
    return np.asarray(weight / weight.sum())


def level_uncertainty(
    errors: CaptureErrors, name: str, weight: Floats, beside: float = 0.0, what: str = ""
) -> Uncertainty:
    """Uncertainty of a number that is a sum over frequency of the decibels of fundamentals (GUM, first order).

    Parameters
    ----------
    errors : CaptureErrors
    name : str
        Share of the captures. One that adds to zero is a change, in which all that captures share cancels.
    weight : numpy.ndarray, shape (n,)
        Of each fundamental.
    beside : float
        Standard uncertainty of what comes on top by itself.
    what : str
        What that is.
    """
    of = errors.at.errors
    if errors.stated:
        return Uncertainty(None, reason=errors.stated)
    if abs(float(of.shares[name].sum(axis=0)[0])) > 1e-9 and errors.withheld:
        return Uncertainty(None, reason=errors.withheld)
    gradient = np.zeros(of.frequency.size)
    np.add.at(gradient, errors.at.first, weight)
    found = first_order(of, name, gradient)
    return Uncertainty(
        float(np.hypot(found, beside)), "; ".join(filter(None, (f"first order (GUM): {errors.parts}", what)))
    )


def with_propagation(uncertainty: Uncertainty, propagation: str) -> Uncertainty:
    """A spread with other words for how it was carried, if it was."""
    return uncertainty if uncertainty.standard is None else replace(uncertainty, propagation=propagation)

"""Uncertainty of the usable limits: all limits are determined again in each draw of a Monte Carlo propagation."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.nonlinear.compression_deltas import COVERAGE_FACTOR
from anechain.acoustics.nonlinear.harmonic_errors import (
    draw_order_errors,
    draw_sum_ratio,
    order_noise_uncertainty,
    order_power_shares,
)
from anechain.acoustics.nonlinear.harmonic_sums import harmonic_sum, percent_of_level
from anechain.acoustics.nonlinear.listening_level import lowest_level
from anechain.acoustics.nonlinear.usable_limits import frequency_at_level, lowest_usable, take_over
from anechain.acoustics.uncertainty.monte_carlo import SEED
from anechain.arrays import Floats
from anechain.data.numbers import Uncertainty
from anechain.figure_of_merit import capture_uncertainty, drive_orders
from anechain.figure_of_merit.capture_uncertainty import (
    CaptureErrors,
    band_power_weights,
    capture_errors,
    change_name,
    drive_name,
    level_uncertainty,
    with_propagation,
)
from anechain.figure_of_merit.curve_uncertainty import (
    CANCELS,
    StatedErrors,
    level_without_noise,
    uncertainties_of_draws,
)
from anechain.figure_of_merit.distortion_uncertainty import MEASURED, NO_ORDERS, WITHOUT_NOISE, percent_without_noise
from anechain.figure_of_merit.drive_orders import DriveOrders
from anechain.figure_of_merit.metric_inputs import MetricInputs

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["USES", "UsableLimitUncertainties", "usable_limit_uncertainties"]


USES = (*capture_uncertainty.USES, *drive_orders.USES, "drawn-harmonic-errors", "harmonic-sum")
AT_DATA_END = "it is at the end of the data in every draw"
SAME_BAND = "the same third-octave band in every draw"


@dataclass(frozen=True)
class UsableLimitUncertainties:
    """Uncertainties of the usable limits.

    Attributes
    ----------
    by_name : mapping of str to Uncertainty
        "lowest" and the row of the drive, "loudest", "held", "listening", "take_over", "wanted".
    reason : str
        Why there are none; empty otherwise.
    """

    by_name: Mapping[str, Uncertainty] = field(default_factory=dict)
    reason: str = ""

    def get(self, name: str) -> Uncertainty:
        """Return an uncertainty by its name."""
        return self.by_name.get(name) or Uncertainty(None, reason=self.reason)


def usable_limit_uncertainties(inputs: MetricInputs, data: xr.Dataset, last: int | None) -> UsableLimitUncertainties:
    """Return the uncertainties of the usable limits.

    Parameters
    ----------
    inputs : MetricInputs
        With the datasets "harmonics" and "distortion".
    data : xarray.Dataset
        As the contract `compression` describes it, with usable limits.
    last : int or None
        Row of the highest drive that is usable; None if none is.
    """
    orders = drive_orders.drive_orders(inputs)
    if orders is None or not np.array_equal(data["frequency"].values, orders.frequency):
        return UsableLimitUncertainties(reason=NO_ORDERS)
    measured = np.asarray(np.isfinite(np.stack([row.level_db for row in orders.relative])).any(axis=0), dtype=np.bool_)
    # Compression is relative to first takes, so the errors are those of single captures even where orders are means.
    errors = capture_errors(inputs, data, np.ones(orders.drive.size), orders.orders, measured)
    if errors.unknown_reason:
        return UsableLimitUncertainties(reason=errors.unknown_reason)
    captures = errors.at_orders.errors
    draws = _drawn_inputs(data, orders, errors, last)

    undisturbed = _limits(draws, MEASURED)
    drawn = (_limits(draws, draw) for draw in range(captures.draws))
    base = _limits(draws, WITHOUT_NOISE)
    uncertainties = uncertainties_of_draws(StatedErrors(captures), undisturbed, drawn, base, jumps=True)
    propagation = f"Monte Carlo, {captures.draws} draws (JCGM 101) of all limits; {errors.components}; noise"
    by_name = {name: with_propagation(known, propagation) for name, known in uncertainties.items()}
    for name, known in by_name.items():
        if known.reason == CANCELS:
            by_name[name] = Uncertainty(None, reason=SAME_BAND if name == "take_over" else AT_DATA_END)
    if "listening" in by_name:
        # Its draws are levels at 1 m: the standard uncertainty is the same, the interval is not.
        by_name["listening"] = replace(by_name["listening"], interval=None)
    if last is not None:
        band = float(data.attrs["band_low"]), float(data.attrs["band_high"])
        weight = band_power_weights(orders.frequency, draws.level[last], *band)
        by_name["loudest"] = level_uncertainty(errors, drive_name(last), weight)
    return UsableLimitUncertainties(by_name)


DistortionRange = Callable[[int], tuple[Floats, Floats]]
"""Takes the number of a draw, :data:`MEASURED` or :data:`WITHOUT_NOISE`; returns lower and upper limit of the
distortion, per cent."""


@dataclass(frozen=True)
class _DrawnInputs:
    """What the limits are determined from in each draw, by drive."""

    data: xr.Dataset
    frequency: Floats
    valid: NDArray[np.bool_]
    limit: Floats
    judged_to: Floats
    delta: Floats
    delta_without_noise: list[Floats]
    delta_errors: list[Floats]
    distortion: list[DistortionRange]
    level: Floats
    level_errors: list[Floats]
    last: int | None
    room: float | None


def _drawn_inputs(data: xr.Dataset, orders: DriveOrders, errors: CaptureErrors, last: int | None) -> _DrawnInputs:
    def values(name: str) -> Floats:
        variable = data[name]
        ordered = variable.transpose("drive", ...) if variable.ndim > 1 else variable
        return np.asarray(ordered.values, dtype=np.float64)

    def drawn(name: str) -> Floats:
        return np.asarray(errors.at_orders.errors.rows(name)[:, errors.at_orders.first])

    low, high = (float(data.attrs.get(name, end)) for name, end in (("valid_low", 0.0), ("valid_high", np.inf)))
    drives = range(orders.drive.size)
    noise = np.nan_to_num(values("uncertainty"), posinf=0.0) / COVERAGE_FACTOR
    room = data.attrs.get("longest_dimension")
    delta_errors = [_delta_errors(drawn(change_name(row)), noise[row], row) for row in drives]
    deltas = values("delta")
    return _DrawnInputs(
        data,
        orders.frequency,
        (orders.frequency >= low) & (orders.frequency <= high),
        values("distortion_limit"),
        values("judged_to"),
        deltas,
        [level_without_noise(orders.frequency, deltas[row], delta_errors[row]) for row in drives],
        delta_errors,
        [_distortion(orders, errors, row) for row in drives],
        values("level"),
        [drawn(drive_name(row)) for row in drives],
        last,
        None if room is None else float(room),
    )


def _distortion(orders: DriveOrders, errors: CaptureErrors, row: int) -> DistortionRange:
    """Return the distortion range at a drive."""
    relative = orders.relative[row]
    total = harmonic_sum(relative.level_db, relative.bound, orders.orders, 2, orders.orders[-1])
    low, high = percent_of_level(total.lower_db), percent_of_level(total.upper_db)
    noise = order_noise_uncertainty(relative.level_db, relative.noise_db, relative.bound)
    drawn = draw_order_errors(errors.at_orders, drive_name(row), noise)
    known = np.where(relative.bound, np.nan, relative.level_db)
    ratios = [draw_sum_ratio(order_power_shares(levels), drawn) for levels in (known, relative.level_db)]

    bases = [
        percent_without_noise(orders.frequency, limit, ratio) for limit, ratio in zip((low, high), ratios, strict=True)
    ]

    def in_draw(draw: int) -> tuple[Floats, Floats]:
        if draw == MEASURED:
            return low, high
        if draw == WITHOUT_NOISE:
            return bases[0], bases[1]
        return bases[0] * ratios[0][draw], bases[1] * ratios[1][draw]

    return in_draw


def _delta_errors(errors: Floats, noise: Floats, row: int) -> Floats:
    """Return the errors of the compression at a drive, shape (draws, n), dB; without noise at the lowest drive."""
    generator = np.random.Generator(np.random.PCG64([SEED, 3, row]))
    return np.asarray(errors + generator.standard_normal(errors.shape) * (noise if row else 0.0))


def _limits(inputs: _DrawnInputs, draw: int) -> dict[str, float | None]:
    """Return the limits in a draw, by name; as measured, or without noise, for a negative `draw`.

    Errors are subtracted from the measured values, as the errors of the orders are: a microphone that is too sensitive
    at the fundamental makes the distortion look too small and the level too high.
    """
    valid = inputs.valid
    lowest: list[float | None] = []
    for row, distortion_range in enumerate(inputs.distortion):
        low, high = distortion_range(draw)
        delta = inputs.delta[row] if draw == MEASURED else inputs.delta_without_noise[row]
        delta = delta - inputs.delta_errors[row][draw] if draw >= 0 else delta
        lowest.append(
            lowest_usable(
                inputs.frequency[valid],
                low[valid],
                high[valid],
                inputs.limit[valid],
                delta[valid],
                float(inputs.data.attrs["compression_limit"]),
                float(inputs.judged_to[row]) if np.isfinite(inputs.judged_to[row]) else None,
            ).frequency_hz
        )
    limits: dict[str, float | None] = {f"lowest {row}": hz for row, hz in enumerate(lowest)}
    if inputs.last is not None:
        hz = lowest[inputs.last]
        limits["held"] = _held(inputs, draw, inputs.last, hz, None)
        limits["listening"] = _held(inputs, draw, inputs.last, hz, inputs.room) if inputs.room else limits["held"]
        limits["take_over"] = None if hz is None else take_over(hz)
    if "wanted_frequency" in inputs.data.attrs:
        limits["wanted"] = _wanted(inputs, draw, lowest)
    return limits


def _wanted(inputs: _DrawnInputs, draw: int, lowest: list[float | None]) -> float | None:
    """Return the lowest usable frequency at the level wanted at the listening position."""
    known = np.asarray(inputs.data["listening_level"].values, dtype=np.float64)
    row = int(np.flatnonzero(np.isfinite(known))[0])
    at_1_m = _held(inputs, -1, row, float(inputs.data["lowest_usable"].values[row]), inputs.room)
    from_1_m = known[row] - (np.nan if at_1_m is None else at_1_m)
    levels = [_held(inputs, draw, row, hz, inputs.room) for row, hz in enumerate(lowest)]
    return frequency_at_level(
        [np.nan if level is None else level + from_1_m for level in levels],
        [np.nan if hz is None else hz for hz in lowest],
        float(inputs.data.attrs["wanted_level"]),
    )


def _held(inputs: _DrawnInputs, draw: int, row: int, lowest: float | None, room: float | None) -> float | None:
    if lowest is None:
        return None
    level = inputs.level[row] if draw < 0 else inputs.level[row] - inputs.level_errors[row][draw]
    return lowest_level(inputs.frequency, level, lowest, float(inputs.data.attrs["band_high"]), room)

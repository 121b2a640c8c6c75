"""Uncertainty of the usable limits: all limits are determined again in each draw of a Monte Carlo propagation."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.curve.segments import mean_power_level, segment_in_band
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
    capture_errors,
    change_name,
    drive_name,
    with_propagation,
)
from anechain.figure_of_merit.curve_uncertainty import (
    CANCELS,
    StatedErrors,
    averaged_without_noise,
    uncertainties_of_draws,
)
from anechain.figure_of_merit.distortion_uncertainty import MEASURED, NO_ORDERS, percent_averaged
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


def usable_limit_uncertainties(inputs: MetricInputs, data: xr.Dataset) -> UsableLimitUncertainties:
    """Return the uncertainties of the usable limits.

    Parameters
    ----------
    inputs : MetricInputs
        With the datasets "harmonics" and "distortion".
    data : xarray.Dataset
        As the contract `compression` describes it, with usable limits.
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
    draws = _drawn_inputs(data, orders, errors)

    every = range(captures.draws)
    uncertainties = uncertainties_of_draws(
        StatedErrors(captures),
        _limits(draws, MEASURED),
        (_limits(draws, draw) for draw in every),
        other_draws=((_limits(draws, draw, estimate) for draw in every) for estimate in range(1, ESTIMATES)),
    )
    propagation = f"Monte Carlo, {captures.draws} draws (JCGM 101) of all limits; {errors.components}; noise"
    by_name = {name: with_propagation(known, propagation) for name, known in uncertainties.items()}
    for name, known in by_name.items():
        if known.reason == CANCELS:
            by_name[name] = Uncertainty(None, reason=SAME_BAND if name == "take_over" else AT_DATA_END)
        elif known.interval is not None and name not in ("loudest", "held", "listening"):
            # The bias that is removed from a frequency can be larger than the frequency.
            low, high = np.clip(known.interval, *draws.frequency[draws.valid][[0, -1]]).tolist()
            by_name[name] = replace(known, interval=(low, high))
    return UsableLimitUncertainties(by_name)


NARROWING = 4.0
"""By how much narrower the windows of the second average are than those that errors alone would explain."""
ESTIMATES = 4
"""Each curve is averaged over the windows that errors alone would explain, and over narrower ones. To each average the
errors are added, and the errors after the same average. Wide windows shift a limit that a gentle slope reaches, noise
that narrow windows leave over shifts it to the other side, and with all errors it is biased as the measured limit is:
the interval contains the limits of all four."""

DistortionRange = Callable[[int, int], tuple[Floats, Floats]]
"""Takes the number of a draw or :data:`MEASURED`, and that of an estimate; returns lower and upper limit of the
distortion, per cent."""


@dataclass(frozen=True)
class _Curve:
    """A curve as measured, and the estimates of the curve without noise, each with drawn errors."""

    measured: Floats
    estimates: list[tuple[Floats, Floats]]

    def in_draw(self, draw: int, estimate: int) -> Floats:
        """Return the curve as measured, or an estimate less the errors of a draw.

        Errors are subtracted, as the errors of the orders are: a microphone that is too sensitive at the fundamental
        makes the distortion look too small and the level too high.
        """
        if draw == MEASURED:
            return self.measured
        base, errors = self.estimates[estimate]
        return np.asarray(base - errors[draw])


@dataclass(frozen=True)
class _DrawnInputs:
    """What the limits are determined from in each draw, by drive."""

    data: xr.Dataset
    frequency: Floats
    valid: NDArray[np.bool_]
    limit: Floats
    judged_to: list[float | None]
    delta: list[_Curve]
    distortion: list[DistortionRange]
    level: list[_Curve]
    room: float | None
    to_listener: float | None


def _drawn_inputs(data: xr.Dataset, orders: DriveOrders, errors: CaptureErrors) -> _DrawnInputs:
    def values(name: str) -> Floats:
        variable = data[name]
        ordered = variable.transpose("drive", ...) if variable.ndim > 1 else variable
        return np.asarray(ordered.values, dtype=np.float64)

    def drawn(name: str) -> Floats:
        return np.asarray(errors.at_orders.errors.rows(name)[:, errors.at_orders.first])

    def curve(level: Floats, errors_db: Floats) -> _Curve:
        estimates = []
        for narrowing in (1.0, NARROWING):
            base, averaged = averaged_without_noise(
                orders.frequency, level, errors_db, simultaneous=True, narrowing=narrowing
            )
            estimates += [(base, errors_db), (base, averaged)]
        return _Curve(level, estimates)

    low, high = (float(data.attrs.get(name, end)) for name, end in (("valid_low", 0.0), ("valid_high", np.inf)))
    drives = range(orders.drive.size)
    noise = np.nan_to_num(values("uncertainty"), posinf=0.0) / COVERAGE_FACTOR
    room = data.attrs.get("longest_dimension")
    deltas, levels = values("delta"), values("level")
    inputs = _DrawnInputs(
        data,
        orders.frequency,
        (orders.frequency >= low) & (orders.frequency <= high),
        values("distortion_limit"),
        [hz if np.isfinite(hz) else None for hz in values("judged_to").tolist()],
        [curve(deltas[row], _delta_errors(drawn(change_name(row)), noise[row], row)) for row in drives],
        [_distortion(orders, errors, row) for row in drives],
        # The mean and the lowest level of a band are hardly biased, so nothing is averaged.
        [_Curve(levels[row], [(levels[row], drawn(drive_name(row)))] * ESTIMATES) for row in drives],
        None if room is None else float(room),
        None,
    )
    return replace(inputs, to_listener=_to_listener(inputs))


def _to_listener(inputs: _DrawnInputs) -> float | None:
    """Return the step from 1 m to the listening position, dB; None if no level there is known."""
    known = np.asarray(inputs.data["listening_level"].values, dtype=np.float64)
    rows = np.flatnonzero(np.isfinite(known))
    if not rows.size:
        return None
    row = int(rows[0])
    at_1_m = _held(inputs, inputs.level[row].measured, float(inputs.data["lowest_usable"].values[row]), inputs.room)
    return None if at_1_m is None else float(known[row]) - at_1_m


def _distortion(orders: DriveOrders, errors: CaptureErrors, row: int) -> DistortionRange:
    """Return the distortion range at a drive."""
    relative = orders.relative[row]
    total = harmonic_sum(relative.level_db, relative.bound, orders.orders, 2, orders.orders[-1])
    measured = percent_of_level(total.lower_db), percent_of_level(total.upper_db)
    noise = order_noise_uncertainty(relative.level_db, relative.noise_db, relative.bound)
    drawn = draw_order_errors(errors.at_orders, drive_name(row), noise)
    known = np.where(relative.bound, np.nan, relative.level_db)
    ratios = [draw_sum_ratio(order_power_shares(levels), drawn) for levels in (known, relative.level_db)]
    estimates: list[list[tuple[Floats, Floats]]] = []
    for narrowing in (1.0, NARROWING):
        averages = [
            percent_averaged(orders.frequency, percent, ratio, simultaneous=True, narrowing=narrowing)
            for percent, ratio in zip(measured, ratios, strict=True)
        ]
        estimates.append([(base, ratio) for (base, _), ratio in zip(averages, ratios, strict=True)])
        estimates.append(averages)

    def in_draw(draw: int, estimate: int) -> tuple[Floats, Floats]:
        if draw == MEASURED:
            return measured
        low, high = (base * ratio[draw] for base, ratio in estimates[estimate])
        return low, high

    return in_draw


def _delta_errors(errors: Floats, noise: Floats, row: int) -> Floats:
    """Return the errors of the compression at a drive, shape (draws, n), dB; without noise at the lowest drive."""
    generator = np.random.Generator(np.random.PCG64([SEED, 3, row]))
    return np.asarray(errors + generator.standard_normal(errors.shape) * (noise if row else 0.0))


def _limits(inputs: _DrawnInputs, draw: int, estimate: int = 0) -> dict[str, float | None]:
    """Return the limits in a draw, by name; as measured if `draw` is :data:`MEASURED`."""
    valid, attributes = inputs.valid, inputs.data.attrs
    lowest: list[float | None] = []
    for delta, distortion_range, judged_to in zip(inputs.delta, inputs.distortion, inputs.judged_to, strict=True):
        low, high = distortion_range(draw, estimate)
        lowest.append(
            lowest_usable(
                inputs.frequency[valid],
                low[valid],
                high[valid],
                inputs.limit[valid],
                delta.in_draw(draw, estimate)[valid],
                float(attributes["compression_limit"]),
                judged_to,
            ).frequency_hz
        )
    levels = [level.in_draw(draw, estimate) for level in inputs.level]
    band = float(attributes["band_low"]), float(attributes["band_high"])
    limits: dict[str, float | None] = {f"lowest {row}": hz for row, hz in enumerate(lowest)}
    limits |= dict.fromkeys(("loudest", "held", "listening", "take_over"))
    # The highest usable drive is not the same in all draws where a limit is nearly reached.
    for level, hz in reversed(list(zip(levels, lowest, strict=True))):
        segment = segment_in_band(inputs.frequency, level, *band)
        if hz is None or segment.reason:
            continue
        limits["loudest"] = mean_power_level(segment)
        limits["held"] = _held(inputs, level, hz, None)
        limits["listening"] = _at_listener(inputs, level, hz)
        limits["take_over"] = take_over(hz)
        break
    if "wanted_frequency" in attributes:
        at_listener = [_at_listener(inputs, level, hz) for level, hz in zip(levels, lowest, strict=True)]
        limits["wanted"] = frequency_at_level(
            [np.nan if level is None else level for level in at_listener],
            [np.nan if hz is None else hz for hz in lowest],
            float(attributes["wanted_level"]),
        )
    return limits


def _at_listener(inputs: _DrawnInputs, level: Floats, lowest: float | None) -> float | None:
    at_1_m = _held(inputs, level, lowest, inputs.room)
    return None if at_1_m is None or inputs.to_listener is None else at_1_m + inputs.to_listener


def _held(inputs: _DrawnInputs, level: Floats, lowest: float | None, room: float | None) -> float | None:
    if lowest is None:
        return None
    return lowest_level(inputs.frequency, level, lowest, float(inputs.data.attrs["band_high"]), room)

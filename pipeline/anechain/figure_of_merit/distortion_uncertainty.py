"""Uncertainty of the distortion at a level, and of the distortion and noise of a multitone signal."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from anechain.acoustics.nonlinear.distortion_in_bands import distortion_in_band, lowest_frequency_below_limit
from anechain.acoustics.nonlinear.harmonic_errors import (
    draw_order_errors,
    draw_sum_ratio,
    order_noise_uncertainty,
    order_power_shares,
    sum_uncertainty,
)
from anechain.acoustics.nonlinear.level_slopes import LevelSlopes, slopes_at_take, slopes_between
from anechain.acoustics.nonlinear.octave_weights import band_weights
from anechain.arrays import Floats
from anechain.data.numbers import Uncertainty
from anechain.figure_of_merit import capture_uncertainty, drive_orders
from anechain.figure_of_merit.capture_uncertainty import (
    CaptureErrors,
    band_power_weights,
    capture_errors,
    drive_name,
    level_uncertainty,
    with_propagation,
)
from anechain.figure_of_merit.curve_uncertainty import (
    CANCELS,
    StatedErrors,
    averaged_without_noise,
    uncertainties_of_draws,
)
from anechain.figure_of_merit.drive_orders import DriveOrders
from anechain.figure_of_merit.labels import band_id, id_part
from anechain.figure_of_merit.metric_inputs import MetricInputs

if TYPE_CHECKING:
    import xarray as xr

__all__ = [
    "MEASURED",
    "NO_ORDERS",
    "USES",
    "WITHOUT_NOISE",
    "DistortionUncertainties",
    "multitone_uncertainty",
    "percent_averaged",
    "uncertainties_at_level",
]


USES = (*capture_uncertainty.USES, *drive_orders.USES, "drawn-harmonic-errors", "harmonic-sum-uncertainty")
ONE_TAKE = "the change of distortion with level is not known: only one take has a level"
MEASURED, WITHOUT_NOISE = -1, -2
"""In place of the number of a draw: the values as measured, and those that the errors of the draws are added to."""
NO_ORDERS = "the harmonics at single drives are not available"
_AT_LEVEL = "at"
"""Name of the shares of the captures in the level of the distortion."""
_SUMS: dict[str, tuple[int, float]] = {
    "thd_f": (2, np.inf),
    "thd_r": (2, np.inf),
    "orders_plus_noise": (2, np.inf),
    "second_third": (2, 3),
    "fourth_up": (4, np.inf),
}
"""First and last order of each sum."""


@dataclass(frozen=True)
class DistortionUncertainties:
    """Uncertainties of the numbers at one level.

    Attributes
    ----------
    by_key : mapping of str to Uncertainty
        By the keys of :func:`_sum_key` and :func:`_limit_key`.
    reason : str
        Why there are none; empty otherwise.
    """

    by_key: Mapping[str, Uncertainty] = field(default_factory=dict)
    reason: str = ""

    def of_sum(self, name: str, statistic: str, band: tuple[float, float]) -> Uncertainty:
        """Return the uncertainty of the "worst" or "mean" of a sum in a band."""
        return self.by_key.get(_sum_key(name, statistic, band)) or Uncertainty(None, reason=self.reason)

    def of_limit(self, percent: float) -> Uncertainty:
        """Return the uncertainty of the lowest frequency with distortion below a limit in per cent."""
        return self.by_key.get(_limit_key(percent)) or Uncertainty(None, reason=self.reason)


def _sum_key(name: str, statistic: str, band: tuple[float, float]) -> str:
    return f"{name} {statistic} {band_id(band)}"


def _limit_key(percent: float) -> str:
    return f"under {id_part(percent)}"


def uncertainties_at_level(
    inputs: MetricInputs, distortion: xr.Dataset, percent: Floats, least: Floats
) -> DistortionUncertainties:
    """Return the uncertainties of all numbers of the distortion at one level.

    Parameters
    ----------
    inputs : MetricInputs
        With the datasets "harmonics" and "distortion".
    distortion : xarray.Dataset
        The dataset "distortion" at one level.
    percent, least : numpy.ndarray, shape (sums, n)
        Upper and lower limit of each sum, per cent, NaN outside the valid band.
    """
    orders = drive_orders.drive_orders(inputs)
    if orders is None:
        return DistortionUncertainties(reason=NO_ORDERS)
    shares_and_slopes = _shares_and_slopes(distortion, orders)
    if shares_and_slopes is None:
        return DistortionUncertainties(reason=ONE_TAKE)
    share, (softer, louder) = shares_and_slopes
    harmonic = np.asarray(distortion["harmonic"].transpose("order", "frequency").values, dtype=np.float64)
    bound = np.asarray(distortion["harmonic_limit"].transpose("order", "frequency").values) == 1
    noise = np.asarray(distortion["noise"].transpose("order", "frequency").values, dtype=np.float64)
    errors = capture_errors(
        inputs, inputs.datasets["harmonics"], orders.takes, orders.orders, np.isfinite(harmonic), {_AT_LEVEL: share}
    )
    if errors.unknown_reason:
        return DistortionUncertainties(reason=errors.unknown_reason)
    band = float(distortion.attrs["band_low"]), float(distortion.attrs["band_high"])
    weight = band_power_weights(orders.frequency, np.asarray(distortion["fundamental"].values, dtype=np.float64), *band)
    at_level = _AtLevel(
        inputs,
        orders,
        errors,
        LevelSlopes(softer, louder, weight),
        harmonic,
        order_noise_uncertainty(harmonic, noise, bound),
        [str(name) for name in distortion["sum"].values],
    )
    return DistortionUncertainties({**dict(_means(at_level, percent)), **_monte_carlo(at_level, percent, least)})


@dataclass(frozen=True)
class _AtLevel:
    """What the uncertainties at one level are computed from."""

    inputs: MetricInputs
    orders: DriveOrders
    errors: CaptureErrors
    slopes: LevelSlopes
    harmonic: Floats
    noise: Floats
    sums: list[str]

    def shares(self, name: str) -> Floats:
        """Return the share of each order in one of the sums."""
        first, last = _SUMS[name]
        inside = [first <= order <= last for order in self.orders.orders]
        return order_power_shares(np.where(np.array(inside)[:, np.newaxis], self.harmonic, np.nan))

    @property
    def components(self) -> str:
        """The components of the uncertainty, in print."""
        noise = "; noise in the orders" if (self.noise > 0).any() else ""
        return f"the level, and the levels at f and at n f: {self.errors.components}{noise}"


def _shares_and_slopes(distortion: xr.Dataset, orders: DriveOrders) -> tuple[Floats, tuple[Floats, Floats]] | None:
    """Return the share of each capture in the level, and the slopes of the orders; None if there is only one take."""
    levels = np.asarray(distortion["take_level"].values, dtype=np.float64)
    first, second, reached = (float(distortion[name].values) for name in ("first_drive", "second_drive", "reached"))
    share = np.zeros(orders.drive.size)
    low = int(np.argmin(np.abs(orders.drive - first)))
    relative = np.stack([row.level_db for row in orders.relative])
    if not np.isfinite(second):
        share[low] = 1.0
        bound = np.stack([row.bound for row in orders.relative])
        slopes = slopes_at_take(levels.tolist(), relative, bound, low)
        return None if slopes is None else (share, slopes)
    high = int(np.argmin(np.abs(orders.drive - second)))
    step = float(levels[high] - levels[low])
    share[high] = (reached - levels[low]) / step
    share[low] = 1.0 - share[high]
    slope = slopes_between(relative[low], relative[high], step)
    return share, (slope, slope)


def _means(at_level: _AtLevel, percent: Floats) -> Iterator[tuple[str, Uncertainty]]:
    """Yield the uncertainties of the means in bands by key, to first order."""
    frequency = at_level.orders.frequency
    for name in ("thd_f", "second_third", "fourth_up"):
        row = percent[at_level.sums.index(name)]
        shares = at_level.shares(name)
        for band in at_level.inputs.options.distortion.bands:
            mean = distortion_in_band(frequency, row, row, *band).mean
            weight = np.where(np.isfinite(row), band_weights(frequency, *band) * np.nan_to_num(row) ** 2, 0.0)
            key = _sum_key(name, "mean", band)
            if mean is None or not weight.sum() > 0:
                yield key, Uncertainty(None, reason="the number is not determined")
                continue
            relative = sum_uncertainty(
                at_level.errors.at_orders,
                _AT_LEVEL,
                shares,
                weight / weight.sum(),
                at_level.noise,
                at_level.slopes,
            )
            if relative > 0:
                yield key, Uncertainty(mean * relative, f"first order (GUM); {at_level.components}")
            else:
                yield key, Uncertainty(None, reason=CANCELS)


def _monte_carlo(at_level: _AtLevel, percent: Floats, least: Floats) -> dict[str, Uncertainty]:
    """Return the uncertainties of the worst values and of the lowest frequencies by key, by Monte Carlo."""
    frequency, chosen = at_level.orders.frequency, at_level.inputs.options.distortion
    errors = draw_order_errors(at_level.errors.at_orders, _AT_LEVEL, at_level.noise, at_level.slopes)
    ratios = {name: draw_sum_ratio(at_level.shares(name), errors) for name in _SUMS if name != "thd_r"}
    upper_base, least_base = (
        {name: percent_averaged(frequency, rows[at_level.sums.index(name)], ratios[name])[0] for name in ratios}
        for rows in (percent, least)
    )

    def drawn_row(name: str, values: Floats, base: Mapping[str, Floats], draw: int) -> Floats:
        """Return a sum as measured, without noise, or with the errors of a draw; see :data:`MEASURED`."""
        if draw == MEASURED:
            return np.asarray(values[at_level.sums.index(name)])
        if name == "thd_r":
            ratio = drawn_row("thd_f", values, base, draw) / 100.0
            return np.asarray(100.0 * ratio / np.sqrt(1.0 + ratio**2))
        return base[name] if draw == WITHOUT_NOISE else np.asarray(base[name] * ratios[name][draw])

    def values_of(draw: int) -> dict[str, float | None]:
        values: dict[str, float | None] = {}
        for name in _SUMS:
            upper = drawn_row(name, percent, upper_base, draw)
            for band in chosen.bands:
                values[_sum_key(name, "worst", band)] = distortion_in_band(frequency, upper, upper, *band).worst
        upper = drawn_row("thd_f", percent, upper_base, draw)
        lower = drawn_row("thd_f", least, least_base, draw)
        for limit in chosen.limits:
            under = lowest_frequency_below_limit(frequency, upper, lower, limit, chosen.start)
            values[_limit_key(limit)] = under.frequency_hz
        return values

    captures = at_level.errors.at_orders.errors
    uncertainties = uncertainties_of_draws(
        StatedErrors(captures),
        values_of(MEASURED),
        (values_of(draw) for draw in range(captures.draws)),
        values_of(WITHOUT_NOISE),
    )
    propagation = f"Monte Carlo, {captures.draws} draws (JCGM 101); {at_level.components}"
    return {key: with_propagation(uncertainty, propagation) for key, uncertainty in uncertainties.items()}


def percent_averaged(
    frequency: Floats, percent: Floats, ratios: Floats, *, simultaneous: bool = False, narrowing: float = 1.0
) -> tuple[Floats, Floats]:
    """Average a distortion and its errors as :func:`averaged_without_noise` does levels.

    Parameters
    ----------
    frequency, percent : numpy.ndarray, shape (n,)
        Hz, ascending, and per cent.
    ratios : numpy.ndarray, shape (draws, n)
        Distortion with errors re that without errors.
    simultaneous, narrowing
        As for :func:`averaged_without_noise`.

    Returns
    -------
    percent : numpy.ndarray, shape (n,)
        Per cent, without the noise that the errors would explain.
    ratios : numpy.ndarray, shape (draws, n)
        Averaged distortion with errors re that without errors.
    """
    with np.errstate(divide="ignore"):
        level, errors = 20.0 * np.log10(percent), 20.0 * np.log10(ratios)
    base, averaged = averaged_without_noise(frequency, level, errors, simultaneous=simultaneous, narrowing=narrowing)
    return (percent, ratios) if base is level else (10.0 ** (base / 20.0), 10.0 ** (averaged / 20.0))


def multitone_uncertainty(inputs: MetricInputs, multitone: xr.Dataset) -> Uncertainty:
    """Return the uncertainty of the level between the tones re the tones at one drive, to first order by band.

    Parameters
    ----------
    inputs : MetricInputs
    multitone : xarray.Dataset
        As the contract `multitone` describes it, at one drive.
    """
    tones, between = (np.asarray(multitone[name].values, dtype=np.float64) for name in ("tones", "between"))
    weight = order_power_shares(between[:, np.newaxis])[:, 0] - order_power_shares(tones[:, np.newaxis])[:, 0]
    errors = capture_errors(inputs, multitone, np.ones(1))
    if errors.unknown_reason:
        return Uncertainty(None, reason=errors.unknown_reason)
    uncertainty = level_uncertainty(errors, drive_name(0), weight)
    if uncertainty.standard is not None and uncertainty.standard <= 1e-9:
        return Uncertainty(None, reason=CANCELS)
    return uncertainty

"""Uncertainty of what is read off distortion: at a level, and between the tones of a multitone signal."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from anechain.acoustics.nonlinear.compression import band_weights
from anechain.acoustics.nonlinear.distortion_in_bands import distortion_in_band, lowest_frequency_under
from anechain.acoustics.nonlinear.harmonic_errors import (
    LevelSlopes,
    drawn_orders,
    drawn_sum,
    noise_of_orders,
    order_shares,
    slopes_at_take,
    slopes_between,
    sum_uncertainty,
)
from anechain.arrays import Floats
from anechain.data.numbers import Uncertainty
from anechain.figure_of_merit.capture_uncertainty import (
    USES as LEVEL_USES,
)
from anechain.figure_of_merit.capture_uncertainty import (
    CaptureErrors,
    DriveOrders,
    band_power_weights,
    capture_errors,
    drive_name,
    drive_orders,
    level_uncertainty,
    with_propagation,
)
from anechain.figure_of_merit.curve_uncertainty import CANCELS, StatedErrors, uncertainties_of_draws
from anechain.figure_of_merit.labels import band_id, id_part
from anechain.figure_of_merit.metric_inputs import MetricInputs

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["USES", "DistortionUncertainties", "multitone_uncertainty", "uncertainties_at_level"]


USES = (*LEVEL_USES, "drawn-harmonic-errors", "harmonic-sum-uncertainty")
ONE_TAKE = "by how much it changes with the level is not known: one take alone has a level"
_AT = "at"
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
    found : mapping of str to Spread
        By what :func:`uncertainties_at_level` calls them.
    reason : str
        Why there are none; empty if there are.
    """

    found: Mapping[str, Uncertainty] = field(default_factory=dict)
    reason: str = ""

    def of(self, name: str, what: str, band: tuple[float, float]) -> Uncertainty:
        """Uncertainty of a sum's "worst" or "mean" in a band."""
        return self.found.get(f"{name} {what} {band_id(band)}") or Uncertainty(None, reason=self.reason)

    def under(self, limit: float) -> Uncertainty:
        """Uncertainty of the lowest frequency under a limit."""
        return self.found.get(f"under {id_part(limit)}") or Uncertainty(None, reason=self.reason)


def uncertainties_at_level(
    inputs: MetricInputs, one: xr.Dataset, percent: Floats, least: Floats
) -> DistortionUncertainties:
    """Uncertainties of everything that is read off the distortion at one level.

    Parameters
    ----------
    inputs : Given
        With the datasets "harmonics" and "distortion".
    one : xarray.Dataset
        The latter at one level.
    percent, least : numpy.ndarray, shape (sums, n)
        What its numbers are read from, NaN outside the valid band.
    """
    orders = drive_orders(inputs)
    if orders is None:
        return DistortionUncertainties(reason="the harmonics at single drives are not there")
    read = _read_from(one, orders)
    if read is None:
        return DistortionUncertainties(reason=ONE_TAKE)
    share, (softer, louder) = read
    harmonic = np.asarray(one["harmonic"].transpose("order", "frequency").values, dtype=np.float64)
    bound = np.asarray(one["harmonic_limit"].transpose("order", "frequency").values) == 1
    noise = np.asarray(one["noise"].transpose("order", "frequency").values, dtype=np.float64)
    errors = capture_errors(
        inputs, inputs.datasets["harmonics"], orders.takes, orders.orders, np.isfinite(harmonic), {_AT: share}
    )
    if reason := errors.stated or errors.withheld:
        return DistortionUncertainties(reason=reason)
    band = float(one.attrs["band_low"]), float(one.attrs["band_high"])
    weight = band_power_weights(orders.frequency, np.asarray(one["fundamental"].values, dtype=np.float64), *band)
    slopes = LevelSlopes(softer, louder, weight)
    left = noise_of_orders(harmonic, noise, bound)
    made = _Made(inputs, orders, errors, slopes, harmonic, left, [str(name) for name in one["sum"].values])
    return DistortionUncertainties({**dict(_means(made, percent)), **_drawn(made, percent, least)})


@dataclass(frozen=True)
class _Made:
    inputs: MetricInputs
    orders: DriveOrders
    errors: CaptureErrors
    slopes: LevelSlopes
    harmonic: Floats
    noise: Floats
    sums: list[str]

    def shares(self, name: str) -> Floats:
        """Of each order in one of the sums."""
        first, last = _SUMS[name]
        inside = [first <= order <= last for order in self.orders.orders]
        return order_shares(np.where(np.array(inside)[:, np.newaxis], self.harmonic, np.nan))

    @property
    def parts(self) -> str:
        noise = "; noise beside the orders" if (self.noise > 0).any() else ""
        return f"the level at which it is read, and the readings at f and at n f: {self.errors.parts}{noise}"


def _read_from(one: xr.Dataset, orders: DriveOrders) -> tuple[Floats, tuple[Floats, Floats]] | None:
    """By how much each take counts, and the slopes of the orders; None if there is one take only."""
    levels = np.asarray(one["take_level"].values, dtype=np.float64)
    first, second, reached = (float(one[name].values) for name in ("first_drive", "second_drive", "reached"))
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


def _means(made: _Made, percent: Floats) -> Iterator[tuple[str, Uncertainty]]:
    frequency = made.orders.frequency
    for name in ("thd_f", "second_third", "fourth_up"):
        row = percent[made.sums.index(name)]
        shares = made.shares(name)
        for band in made.inputs.options.distortion.bands:
            found = distortion_in_band(frequency, row, row, *band).mean
            over = np.where(np.isfinite(row), band_weights(frequency, *band) * np.nan_to_num(row) ** 2, 0.0)
            key = f"{name} mean {band_id(band)}"
            if found is None or not over.sum() > 0:
                yield key, Uncertainty(None, reason="the number is not determined")
                continue
            relative = sum_uncertainty(made.errors.at, _AT, shares, over / over.sum(), made.noise, made.slopes)
            if relative > 0:
                yield key, Uncertainty(found * relative, f"first order (GUM); {made.parts}")
            else:
                yield key, Uncertainty(None, reason=CANCELS)


def _drawn(made: _Made, percent: Floats, least: Floats) -> dict[str, Uncertainty]:
    frequency, chosen = made.orders.frequency, made.inputs.options.distortion
    errors = drawn_orders(made.errors.at, _AT, made.noise, made.slopes)
    ratios = {name: drawn_sum(made.shares(name), errors) for name in _SUMS if name != "thd_r"}
    plain = made.sums.index("thd_f")

    def row(name: str, values: Floats, draw: int) -> Floats:
        if draw < 0:
            return np.asarray(values[made.sums.index(name)])
        if name == "thd_r":
            moved = values[plain] * ratios["thd_f"][draw] / 100.0
            return np.asarray(100.0 * moved / np.sqrt(1.0 + moved**2))
        return np.asarray(values[made.sums.index(name)] * ratios[name][draw])

    def found(draw: int) -> dict[str, float | None]:
        read: dict[str, float | None] = {}
        for name in _SUMS:
            upper = row(name, percent, draw)
            for band in chosen.bands:
                read[f"{name} worst {band_id(band)}"] = distortion_in_band(frequency, upper, upper, *band).worst
        upper, lower = row("thd_f", percent, draw), row("thd_f", least, draw)
        for limit in chosen.limits:
            under = lowest_frequency_under(frequency, upper, lower, limit, chosen.start)
            read[f"under {id_part(limit)}"] = under.frequency_hz
        return read

    of = made.errors.at.errors
    uncertainties = uncertainties_of_draws(StatedErrors(of), found(-1), (found(draw) for draw in range(of.draws)))
    return {
        key: with_propagation(one, f"Monte Carlo, {of.draws} draws (JCGM 101); {made.parts}")
        for key, one in uncertainties.items()
    }


def multitone_uncertainty(inputs: MetricInputs, one: xr.Dataset) -> Uncertainty:
    """Uncertainty of what lies between the tones re the tones, at one drive: first order, band by band.

    Parameters
    ----------
    inputs : Given
    one : xarray.Dataset
        After the contract `multitone`, at one drive.
    """
    tones, between = (np.asarray(one[name].values, dtype=np.float64) for name in ("tones", "between"))
    weight = order_shares(between[:, np.newaxis])[:, 0] - order_shares(tones[:, np.newaxis])[:, 0]
    errors = capture_errors(inputs, one, np.ones(1))
    if reason := errors.stated or errors.withheld:
        return Uncertainty(None, reason=reason)
    uncertainty = level_uncertainty(errors, drive_name(0), weight)
    if uncertainty.standard is not None and uncertainty.standard <= 1e-9:
        return Uncertainty(None, reason=CANCELS)
    return uncertainty

"""Uncertainty of how loud and how low a device stays usable: all limits read again in every draw."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.nonlinear.compression import COVERAGE_FACTOR
from anechain.acoustics.nonlinear.harmonic_distortion import harmonic_sum, percent_of_level
from anechain.acoustics.nonlinear.harmonic_errors import drawn_orders, drawn_sum, noise_of_orders, order_shares
from anechain.acoustics.nonlinear.usable_limits import frequency_at_level, held_level, lowest_usable, take_over
from anechain.acoustics.uncertainty.uncertainty import SEED
from anechain.arrays import Floats
from anechain.data.numbers import Uncertainty
from anechain.figure_of_merit.capture_uncertainty import USES as LEVEL_USES
from anechain.figure_of_merit.capture_uncertainty import (
    CaptureErrors,
    DriveOrders,
    band_power_weights,
    capture_errors,
    change_name,
    drive_name,
    drive_orders,
    level_uncertainty,
    with_propagation,
)
from anechain.figure_of_merit.curve_uncertainty import CANCELS, StatedErrors, uncertainties_of_draws
from anechain.figure_of_merit.metric_inputs import MetricInputs

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["USES", "UsableLimitUncertainties", "usable_limit_uncertainties"]


USES = (*LEVEL_USES, "drawn-harmonic-errors", "harmonic-sum")
UNMOVED = "it is where the data, or what is known, end in every draw"
SAME_BAND = "the same third-octave band in every draw"


@dataclass(frozen=True)
class UsableLimitUncertainties:
    """Uncertainties of the usable limits.

    Attributes
    ----------
    found : mapping of str to Spread
        "lowest" and the drive's place, "loudest", "held", "listening", "take_over", "wanted".
    reason : str
        Why there are none; empty if there are.
    """

    found: Mapping[str, Uncertainty] = field(default_factory=dict)
    reason: str = ""

    def of(self, name: str) -> Uncertainty:
        """Uncertainty by its name."""
        return self.found.get(name) or Uncertainty(None, reason=self.reason)


def usable_limit_uncertainties(inputs: MetricInputs, data: xr.Dataset, last: int | None) -> UsableLimitUncertainties:
    """Uncertainties of everything that is said of usable limits.

    Parameters
    ----------
    inputs : Given
        With the datasets "harmonics" and "distortion".
    data : xarray.Dataset
        After the contract `compression`, with usable limits.
    last : int or None
        The loudest drive that is usable.
    """
    orders = drive_orders(inputs)
    if orders is None or not np.array_equal(data["frequency"].values, orders.frequency):
        return UsableLimitUncertainties(reason="the harmonics at single drives are not there")
    there = np.asarray(np.isfinite(np.stack([row.level_db for row in orders.relative])).any(axis=0), dtype=np.bool_)
    # Compression is held against first takes: the errors are those of single captures, also where orders are means.
    errors = capture_errors(inputs, data, np.ones(orders.drive.size), orders.orders, there)
    if reason := errors.stated or errors.withheld:
        return UsableLimitUncertainties(reason=reason)
    of = errors.at.errors
    made = _made(data, orders, errors, last)

    def read(draw: int) -> dict[str, float | None]:
        return _read(made, draw)

    uncertainties = uncertainties_of_draws(StatedErrors(of), read(-1), (read(draw) for draw in range(of.draws)))
    propagation = f"Monte Carlo, {of.draws} draws (JCGM 101), all limits read again in each; {errors.parts}; noise"
    found = {name: with_propagation(one, propagation) for name, one in uncertainties.items()}
    for name, one in found.items():
        if one.reason == CANCELS:
            found[name] = Uncertainty(None, reason=SAME_BAND if name == "take_over" else UNMOVED)
    if "listening" in found:
        # Its draws are those at 1 m: as wide, and elsewhere.
        found["listening"] = replace(found["listening"], interval=None)
    if last is not None:
        band = float(data.attrs["band_low"]), float(data.attrs["band_high"])
        weight = band_power_weights(orders.frequency, made.level[last], *band)
        found["loudest"] = level_uncertainty(errors, drive_name(last), weight)
    return UsableLimitUncertainties(found)


Ends = Callable[[int], tuple[Floats, Floats]]


@dataclass(frozen=True)
class _Made:
    """What is read again in each draw, by drive."""

    data: xr.Dataset
    frequency: Floats
    kept: NDArray[np.bool_]
    limit: Floats
    judged: Floats
    delta: Floats
    changes: list[Floats]
    distortion: list[Ends]
    level: Floats
    moved: list[Floats]
    last: int | None
    room: float | None


def _made(data: xr.Dataset, orders: DriveOrders, errors: CaptureErrors, last: int | None) -> _Made:
    def values(name: str) -> Floats:
        over = data[name]
        return np.asarray((over.transpose("drive", ...) if over.ndim > 1 else over).values, dtype=np.float64)

    def moved(name: str) -> Floats:
        return np.asarray(errors.at.errors.rows(name)[:, errors.at.first])

    low, high = (float(data.attrs.get(name, end)) for name, end in (("valid_low", 0.0), ("valid_high", np.inf)))
    drives = range(orders.drive.size)
    noise = np.nan_to_num(values("uncertainty"), posinf=0.0) / COVERAGE_FACTOR
    room = data.attrs.get("longest_dimension")
    return _Made(
        data,
        orders.frequency,
        (orders.frequency >= low) & (orders.frequency <= high),
        values("distortion_limit"),
        values("judged_to"),
        values("delta"),
        [_changed(moved(change_name(row)), noise[row], row) for row in drives],
        [_distortion(orders, errors, row) for row in drives],
        values("level"),
        [moved(drive_name(row)) for row in drives],
        last,
        None if room is None else float(room),
    )


def _distortion(orders: DriveOrders, errors: CaptureErrors, row: int) -> Ends:
    """Least and greatest distortion at a drive in a draw, per cent; without errors before the first one."""
    relative = orders.relative[row]
    total = harmonic_sum(relative.level_db, relative.bound, orders.orders, 2, orders.orders[-1])
    low, high = percent_of_level(total.lower_db), percent_of_level(total.upper_db)
    noise = noise_of_orders(relative.level_db, relative.noise_db, relative.bound)
    drawn = drawn_orders(errors.at, drive_name(row), noise)
    known = np.where(relative.bound, np.nan, relative.level_db)
    ratios = [drawn_sum(order_shares(levels), drawn) for levels in (known, relative.level_db)]

    def at(draw: int) -> tuple[Floats, Floats]:
        return (low, high) if draw < 0 else (low * ratios[0][draw], high * ratios[1][draw])

    return at


def _changed(moved: Floats, noise: Floats, row: int) -> Floats:
    """Errors of the compression at a drive, shape (draws, n), dB; at the lowest one it is zero by definition."""
    generator = np.random.Generator(np.random.PCG64([SEED, 3, row]))
    return np.asarray(moved + generator.standard_normal(moved.shape) * (noise if row else 0.0))


def _read(made: _Made, draw: int) -> dict[str, float | None]:
    """Everything that is read again, in one draw; without errors before the first one.

    An error is taken off what was read, as the errors of the orders are: a microphone that hears the fundamental too
    loud makes the distortion look too small and the level too high.
    """
    kept = made.kept
    lowest: list[float | None] = []
    for row, ends in enumerate(made.distortion):
        low, high = ends(draw)
        delta = made.delta[row] if draw < 0 else made.delta[row] - made.changes[row][draw]
        lowest.append(
            lowest_usable(
                made.frequency[kept],
                low[kept],
                high[kept],
                made.limit[kept],
                delta[kept],
                float(made.data.attrs["compression_limit"]),
                float(made.judged[row]) if np.isfinite(made.judged[row]) else None,
            ).frequency_hz
        )
    read: dict[str, float | None] = {f"lowest {row}": hz for row, hz in enumerate(lowest)}
    if made.last is not None:
        hz = lowest[made.last]
        read["held"] = _held(made, draw, made.last, hz, None)
        read["listening"] = _held(made, draw, made.last, hz, made.room) if made.room else read["held"]
        read["take_over"] = None if hz is None else take_over(hz)
    if "wanted_frequency" in made.data.attrs:
        read["wanted"] = _wanted(made, draw, lowest)
    return read


def _wanted(made: _Made, draw: int, lowest: list[float | None]) -> float | None:
    """Lowest usable frequency at the level wanted at the listening place, which is so many decibels from 1 m."""
    known = np.asarray(made.data["listening_level"].values, dtype=np.float64)
    row = int(np.flatnonzero(np.isfinite(known))[0])
    at_1_m = _held(made, -1, row, float(made.data["lowest_usable"].values[row]), made.room)
    step = known[row] - (np.nan if at_1_m is None else at_1_m)
    levels = [_held(made, draw, row, hz, made.room) for row, hz in enumerate(lowest)]
    return frequency_at_level(
        [np.nan if one is None else one + step for one in levels],
        [np.nan if hz is None else hz for hz in lowest],
        float(made.data.attrs["wanted_level"]),
    )


def _held(made: _Made, draw: int, row: int, lowest: float | None, room: float | None) -> float | None:
    if lowest is None:
        return None
    level = made.level[row] if draw < 0 else made.level[row] - made.moved[row][draw]
    return held_level(made.frequency, level, lowest, float(made.data.attrs["band_high"]), room)

"""Results of the takes of a device in their measuring order: drift, long-term compression and recovery."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.acoustics.nonlinear.compression_deltas import COVERAGE_FACTOR
from anechain.acoustics.recording.drift import Drift, drift
from anechain.acoustics.recording.drift_fit import DriftFit
from anechain.acoustics.recording.take_changes import TakeChange, long_term, recovery
from anechain.acoustics.recording.take_order import order_of_drives
from anechain.arrays import Floats
from anechain.figure_of_merit.fundamentals import Fundamentals, inside, unequal
from anechain.figure_of_merit.take_drift import drift_note, without_drift

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["MeasuringOrder", "measuring_order", "six_digits"]


@dataclass(frozen=True)
class MeasuringOrder:
    """Results of takes in their measuring order.

    Attributes
    ----------
    results : dict of str to object
        Order, drift as measured, drift that was removed, long-term compression and recovery, as JSON can hold them.
    drift : numpy.ndarray, shape (n,), or None
        dB; level of the first take when repeated last, minus that of the first take, by frequency. None if it is not
        known, or the takes have other frequencies than the fundamentals.
    notes : tuple of str
        Remarks for the reader, one line each.
    gaps : dict of str to str
        Why the drift is not known.
    """

    results: dict[str, Any]
    drift: Floats | None
    notes: tuple[str, ...]
    gaps: dict[str, str]


def measuring_order(
    takes: xr.Dataset,
    fit: DriftFit | None,
    fundamentals: Fundamentals,
    band: tuple[float, float],
    fraction: float | None,
    drift_limit: float,
) -> MeasuringOrder:
    """Compute what the takes show in their measuring order.

    Parameters
    ----------
    takes : xarray.Dataset
        Dataset of the contract `takes`, as measured.
    fit : DriftFit or None
        Linear drift of the takes, which is removed before takes are compared; None if the campaign switches it off.
    fundamentals : Fundamentals
        Fundamentals from which the compression is computed.
    band : (float, float)
        Hz; band of the change of level.
    fraction : float or None
        Smoothing as a fraction of an octave; None for none.
    drift_limit : float
        dB r.m.s. above which a drift is reported.
    """
    frequency = np.asarray(takes["frequency"].values, dtype=np.float64)
    level, corrected = (
        np.where(inside(takes), np.asarray(data["level"].transpose("take", "frequency").values), np.nan)
        for data in (takes, without_drift(takes, fit))
    )
    volts = np.asarray(takes["drive"].values, dtype=np.float64)
    started = np.asarray(takes["started"].values, dtype=np.float64) if "started" in takes else None
    notes = unequal(takes.attrs, fundamentals.attributes)
    order = order_of_drives(volts, started)
    if order.note:
        notes.append(order.note)
    difference = drift(frequency, level, volts, fraction, drift_limit)
    notes.append(drift_note(fit, COVERAGE_FACTOR))
    removed = fit is not None and not fit.reason
    if removed and fundamentals.made_of == "harmonics":
        notes.append(
            "drift: not removed from the compression, which is computed from joined takes: the takes have other "
            "frequencies, drives or conditions"
        )
    if difference.verdict == "beyond":
        notes.append(
            f"drift: the first level, repeated last, differs by {difference.rms_db:.2f} dB r.m.s., more than "
            f"{drift_limit:g} dB" + (", before the drift was removed" if removed else ": the compression includes this")
        )
    known = not difference.reason and np.array_equal(frequency, fundamentals.frequency)
    arguments = (frequency, corrected, volts, band, started, fraction)
    results = {
        "drives": volts.tolist(),
        "started": [
            seconds if np.isfinite(seconds) else None for seconds in (started.tolist() if started is not None else [])
        ],
        "order": order.order,
        "repeated_last": order.repeated_last,
        "pauses": None if order.pauses_s is None else order.pauses_s.tolist(),
        "drift": _without_curve(difference),
        "removed": None if fit is None else _removed(fit),
        "long_term": [_without_curve(change) for change in long_term(*arguments)],
        "recovery": [_without_curve(change) for change in recovery(*arguments)],
    }
    gaps = {"drift": difference.reason} if difference.reason else {}
    return MeasuringOrder(results, difference.difference_db if known else None, tuple(notes), gaps)


def six_digits(members: Mapping[str, Any]) -> dict[str, Any]:
    """Return members with floats rounded to six significant digits."""
    return {name: float(f"{value:.6g}") if isinstance(value, float) else value for name, value in members.items()}


def _without_curve(change: TakeChange | Drift) -> dict[str, Any]:
    """Return the members of a change except its curve over frequency."""
    return six_digits({name: value for name, value in vars(change).items() if name != "difference_db"})


def _removed(fit: DriftFit) -> dict[str, Any]:
    """Return the members of a drift fit, as JSON can hold them."""
    members = six_digits({name: value for name, value in vars(fit).items() if not isinstance(value, np.ndarray)})
    low_high = fit.interval_db
    return members | {
        "interval_db": None if low_high is None else [float(f"{end:.6g}") for end in low_high],
        "reference_takes": list(fit.reference_takes),
    }

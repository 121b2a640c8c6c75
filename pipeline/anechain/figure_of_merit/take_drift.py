"""Drift between the takes of a device: found, removed, and stated."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from anechain.acoustics.recording.drift_fit import DriftFit, fit_drift
from anechain.acoustics.recording.take_order import first_take_of_each_drive
from anechain.arrays import Floats
from anechain.figure_of_merit.fundamentals import inside

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["SWITCHED_OFF", "by_drive", "drift_note", "drift_of_takes", "without_drift"]

SWITCHED_OFF = "the campaign switches it off (compression.remove_drift)"


def drift_of_takes(takes: xr.Dataset, band: tuple[float, float], coil_time_constant: float) -> DriftFit:
    """Return the linear drift of a `takes` dataset.

    Parameters
    ----------
    takes : xarray.Dataset
        Dataset of the contract `takes`.
    band : (float, float)
        Hz; band of the change of level.
    coil_time_constant : float
        Longest thermal time constant of the voice coil, s.
    """
    level = np.asarray(takes["level"].transpose("take", "frequency").values, dtype=np.float64)
    started = takes["started"].values if "started" in takes else None
    return fit_drift(
        takes["frequency"].values,
        np.where(inside(takes), level, np.nan),
        takes["drive"].values,
        band,
        started,
        coil_time_constant,
    )


def without_drift(takes: xr.Dataset, fit: DriftFit | None) -> xr.Dataset:
    """Return takes without the drift that was found; the same takes if none is removed."""
    if fit is None or fit.reason:
        return takes
    level = takes["level"].transpose("take", "frequency")
    return takes.assign(level=(level.dims, level.values - fit.removed_db[:, np.newaxis]))


def by_drive(values: Floats, takes: xr.Dataset) -> Floats:
    """Return values of takes for the first take at each drive, by rising drive."""
    return np.asarray(values[list(first_take_of_each_drive(takes["drive"].values))])


def drift_note(fit: DriftFit | None, coverage_factor: float) -> str:
    """Return one line on the drift: how much was removed, or why none was."""
    if fit is None:
        return f"drift: not removed: {SWITCHED_OFF}"
    if fit.per_take_db is None or fit.per_take_standard_db is None or fit.interval_db is None:
        return f"drift: not removed: {fit.reason}"
    if fit.reason:
        low, high = fit.interval_db
        verdict = "none was found" if fit.verdict == "none found" else "not removed"
        return (
            f"drift: {verdict}: {fit.reason}; from {low:+.2f} to {high:+.2f} dB per take agree with the takes, which "
            "the uncertainty includes"
        )
    minute = "" if fit.per_minute_db is None else f" ({fit.per_minute_db:+.3f} dB per minute)"
    listed = ", ".join(str(take) for take in fit.reference_takes)
    return (
        f"drift: {fit.per_take_db:+.3f} dB per take{minute} \N{PLUS-MINUS SIGN} "
        f"{coverage_factor * fit.per_take_standard_db:.2g} dB per take (k = {coverage_factor:g}) was removed, "
        f"{fit.removed_db[-1]:+.2f} dB at the last take; found from takes {listed} at one drive"
    )

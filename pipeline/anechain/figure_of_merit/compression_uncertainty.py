"""Uncertainty of what is read off compression, and off takes that were repeated.

A change between two captures of one set-up keeps nothing of calibration, distance, angle and the microphone's response:
what is left is what differs from capture to capture, twice, and noise and rounding.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from anechain.acoustics.curve.frequencies import band_edges
from anechain.acoustics.nonlinear.compression import COVERAGE_FACTOR, USED, band_weights, level_and_shape
from anechain.acoustics.nonlinear.compression_uncertainty import passing_shares, rise_uncertainty
from anechain.acoustics.uncertainty.uncertainty import SEED
from anechain.arrays import Floats
from anechain.data.numbers import Uncertainty
from anechain.figure_of_merit.capture_uncertainty import (
    NOT_REPEATED,
    REPEATED_FIRST_DRIVE,
    CaptureErrors,
    band_power_weights,
    capture_errors,
    change_name,
    level_uncertainty,
    with_propagation,
)
from anechain.figure_of_merit.capture_uncertainty import USES as LEVEL_USES
from anechain.figure_of_merit.curve_uncertainty import StatedErrors, octaves_text, uncertainties_of_draws
from anechain.figure_of_merit.metric_inputs import MetricInputs

if TYPE_CHECKING:
    import xarray as xr

__all__ = [
    "USES",
    "CompressionErrors",
    "coil_rise_uncertainty",
    "compression_errors",
    "drift_uncertainty",
    "level_at_limit_uncertainty",
    "level_change_uncertainty",
    "shape_change_uncertainty",
    "take_difference_uncertainty",
]


USES = (*LEVEL_USES, "coil-rise-uncertainty", "passing-level-shares")
NOT_IN_IT = "how linear the level chain is between the drives is not stated, and not in it"
_PASSING = "passing"


@dataclass(frozen=True)
class CompressionErrors:
    """What is known of the errors of the captures that compression is read from.

    Attributes
    ----------
    inputs : Given
    data : xarray.Dataset
        After the contract `compression`.
    captures : CaptureErrors
        A capture at each drive.
    takes : numpy.ndarray, shape (drives,)
        How many captures each level is the mean of.
    frequency : numpy.ndarray, shape (n,)
        Hz.
    noise : numpy.ndarray, shape (drives, n)
        Standard uncertainty of the change at each drive by noise and rounding, dB; 0 where it is not known.
    """

    inputs: MetricInputs
    data: xr.Dataset
    captures: CaptureErrors
    takes: Floats
    frequency: Floats
    noise: Floats

    def noise_in(self, row: int, low_hz: float, high_hz: float) -> float:
        """Of a drive, what noise and rounding at single frequencies leave of the mean of a band (GUM, 5.1.2)."""
        weight = np.where(self.noise[row] > 0, band_weights(self.frequency, low_hz, high_hz), 0.0)
        if not weight.sum() > 0:
            return 0.0
        return float(np.sqrt(((weight * self.noise[row]) ** 2).sum()) / weight.sum())


def compression_errors(inputs: MetricInputs, data: xr.Dataset) -> CompressionErrors:
    """Errors of the captures of a device at its drives, from what its campaign states.

    Parameters
    ----------
    inputs : Given
    data : xarray.Dataset
        After the contract `compression`.
    """
    takes = np.ones(data.sizes["drive"])
    harmonics = inputs.datasets.get("harmonics")
    if data.attrs["made_of"] == "harmonics" and harmonics is not None and "takes" in harmonics:
        takes = np.maximum(np.asarray(harmonics["takes"].values, dtype=np.float64), 1.0)
    noise = np.asarray(data["uncertainty"].transpose("drive", "frequency").values, dtype=np.float64) / COVERAGE_FACTOR
    return CompressionErrors(
        inputs,
        data,
        capture_errors(inputs, data, takes),
        takes,
        np.asarray(data["frequency"].values, dtype=np.float64),
        np.nan_to_num(noise, posinf=0.0),
    )


def level_change_uncertainty(errors: CompressionErrors, row: int, band: tuple[float, float]) -> Uncertainty:
    """Uncertainty of the mean change of level in a band at a drive.

    Parameters
    ----------
    errors : CompressionErrors
    row : int
        The drive.
    band : (float, float)
        Hz.
    """
    noise = errors.noise_in(row, *band)
    said = (
        "noise and rounding of single frequencies, each its own" if noise > 0 else "no noise is known",
        NOT_IN_IT,
    )
    if not errors.captures.repeated:
        if not noise > 0:
            return Uncertainty(None, reason=f"neither noise nor rounding is known; {NOT_REPEATED}")
        return Uncertainty(noise, "; ".join((*said, NOT_REPEATED)))
    weight = np.where(np.isfinite(_delta(errors, row)), band_weights(errors.frequency, *band), 0.0)
    uncertainty = level_uncertainty(errors.captures, change_name(row), weight / weight.sum(), noise)
    return with_propagation(uncertainty, "; ".join((f"first order (GUM): {_twice(errors)}", *said)))


def _twice(errors: CompressionErrors) -> str:
    octaves = octaves_text(errors.captures.at.errors.own_octaves)
    return f"repeatability of two captures, each independent from {octaves} to the next; all else cancels"


def _delta(errors: CompressionErrors, row: int) -> Floats:
    return np.asarray(errors.data["delta"].transpose("drive", "frequency").values[row], dtype=np.float64)


def shape_change_uncertainty(errors: CompressionErrors, row: int, band: tuple[float, float]) -> Uncertainty:
    """Uncertainty of the r.m.s. change of shape at a drive, by Monte Carlo.

    Parameters
    ----------
    errors, row, band
        As in :func:`level_change_uncertainty`.
    """
    noise = errors.noise[row]
    if not errors.captures.repeated and not (noise > 0).any():
        return Uncertainty(None, reason=f"neither noise nor rounding is known; {NOT_REPEATED}")
    delta = _delta(errors, row)

    def rms(values: Floats) -> dict[str, float | None]:
        return {"rms": float(level_and_shape(errors.frequency, values[np.newaxis], band).shape_rms_db[0])}

    of = errors.captures.at.errors
    moved = of.rows(change_name(row))[:, errors.captures.at.first]
    generator = np.random.Generator(np.random.PCG64([SEED, 2]))
    moved = moved + generator.standard_normal(moved.shape) * noise
    found = uncertainties_of_draws(StatedErrors(of), rms(delta), (rms(delta + one) for one in moved))["rms"]
    own = _twice(errors) if errors.captures.repeated else NOT_REPEATED
    said = (f"Monte Carlo, {of.draws} draws (JCGM 101)", own, "noise and rounding at single frequencies", NOT_IN_IT)
    return with_propagation(found, "; ".join(said))


def coil_rise_uncertainty(change_db: float, rise_k: float, change: Uncertainty) -> Uncertainty:
    """Uncertainty of the coil's temperature that a change of level would need.

    Parameters
    ----------
    change_db, rise_k : float
        The change, and the rise that would explain it.
    change : Spread
        Of the change.
    """
    if change.standard is None:
        return change
    if not change_db < 0:
        return Uncertainty(None, reason="a level that does not lag needs no heat")
    standard = rise_uncertainty(change_db, rise_k, change.standard)
    return Uncertainty(standard, "first order (GUM) from the change of level: the spread of that possibility only")


def level_at_limit_uncertainty(errors: CompressionErrors, column: int, limit_db: float) -> Uncertainty:
    """Uncertainty of the level at which an octave band passes a limit of compression, to first order.

    Parameters
    ----------
    errors : CompressionErrors
    column : int
        The octave band.
    limit_db : float
        dB; it is passed between two drives.
    """
    data = errors.data
    levels, deltas = (
        np.asarray(data[name].transpose("drive", "octave").values, dtype=np.float64)[:, column]
        for name in ("octave_level", "octave_delta")
    )
    known = np.flatnonzero(np.isfinite(levels) & np.isfinite(deltas))
    passing = np.flatnonzero(deltas[known] <= limit_db)
    if not passing.size or passing[0] == 0:
        return Uncertainty(None, reason="the limit is not passed between two drives")
    pair = known[[passing[0] - 1, passing[0]]]
    # As among those drives that could be used: what is held against is the lowest of all.
    shares, per_delta = passing_shares(known.size, int(passing[0]) - 1, levels[pair], deltas[pair], limit_db)
    whole = np.zeros(levels.size)
    whole[known] = shares
    if known[0] != 0:
        whole[known[0]] -= per_delta
        whole[0] += per_delta
    again = capture_errors(errors.inputs, data, errors.takes, shares={_PASSING: whole})
    centre = float(data["octave"].values[column])
    low, high = (float(edge[0]) for edge in band_edges(np.array([centre]), 1))
    level = np.asarray(data["level"].transpose("drive", "frequency").values, dtype=np.float64)[pair[1]]
    flag = np.asarray(data["reason"].transpose("drive", "frequency").values)[pair[1]]
    weight = band_power_weights(errors.frequency, np.where(flag == USED, level, np.nan), low, high)
    noise = abs(per_delta) * errors.noise_in(int(pair[1]), low, high)
    uncertainty = level_uncertainty(
        again, _PASSING, weight, noise, f"noise and rounding of the compression over its slope; {NOT_IN_IT}"
    )
    if uncertainty.standard is None:
        return uncertainty
    wide = 2.0 * uncertainty.standard > levels[pair[1]] - levels[pair[0]]
    return replace(uncertainty, note="its uncertainty reaches beyond the drives it was read between" if wide else "")


def take_difference_uncertainty(errors: CompressionErrors, band: tuple[float, float]) -> Uncertainty:
    """Uncertainty of the mean change between two takes at one drive.

    Parameters
    ----------
    errors : CompressionErrors
    band : (float, float)
        Hz.
    """
    if not errors.captures.repeated:
        return Uncertainty(None, reason=NOT_REPEATED)
    weight = band_weights(errors.frequency, *band)
    return with_propagation(
        level_uncertainty(_single(errors), REPEATED_FIRST_DRIVE, weight / weight.sum()),
        f"first order (GUM): {_twice(errors)}",
    )


def _single(errors: CompressionErrors) -> CaptureErrors:
    """Errors of single captures, however many the levels of drives are the means of."""
    return capture_errors(errors.inputs, errors.data, np.ones(errors.data.sizes["drive"]))


def drift_uncertainty(errors: CompressionErrors) -> Uncertainty:
    """Uncertainty of the r.m.s. of what a repeated level differs by, by Monte Carlo.

    Parameters
    ----------
    errors : CompressionErrors
    """
    if not errors.captures.repeated:
        return Uncertainty(None, reason=NOT_REPEATED)
    if "drift" not in errors.data:
        return Uncertainty(None, reason="the drift by frequency is on another grid than the compression")
    drift = np.asarray(errors.data["drift"].values, dtype=np.float64)
    weight = np.where(np.isfinite(drift), band_weights(errors.frequency, *errors.frequency[[0, -1]].tolist()), 0.0)
    single = _single(errors)

    def rms(values: Floats) -> float:
        return float(np.sqrt(np.average(np.where(weight > 0, values, 0.0) ** 2, weights=weight)))

    of = single.at.errors
    moved = of.rows(REPEATED_FIRST_DRIVE)[:, single.at.first]
    draws = ({"rms": rms(drift + one)} for one in moved)
    found = uncertainties_of_draws(StatedErrors(of), {"rms": rms(drift)}, draws)["rms"]
    alone = float(np.quantile([rms(one) for one in moved], 0.95))
    told = f"repeatability alone makes up to {alone:.2g} dB r.m.s. in 95 % of the draws"
    if rms(drift) <= alone:
        return Uncertainty(None, reason=f"not told apart from none: {told}")
    propagation = f"Monte Carlo, {of.draws} draws (JCGM 101): {_twice(errors)}"
    return replace(with_propagation(found, propagation), note="; ".join(filter(None, (found.note, told))))

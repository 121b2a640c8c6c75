"""Uncertainty of compression, and of differences between repeated takes.

Errors of calibration, distance, angle and microphone response cancel in a change between two captures of one set-up.
What remains is the repeatability of both captures, noise and rounding, and the drift between them.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.acoustics.curve.bands import band_edges
from anechain.acoustics.nonlinear.compression_deltas import COVERAGE_FACTOR, USED
from anechain.acoustics.nonlinear.compression_uncertainty import limit_level_sensitivities, temperature_rise_uncertainty
from anechain.acoustics.nonlinear.level_and_shape import level_and_shape
from anechain.acoustics.nonlinear.octave_weights import band_weights
from anechain.acoustics.uncertainty.monte_carlo import SEED
from anechain.arrays import Floats
from anechain.data.numbers import Uncertainty
from anechain.figure_of_merit import capture_uncertainty
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
from anechain.figure_of_merit.curve_uncertainty import StatedErrors, octaves_text, uncertainties_of_draws
from anechain.figure_of_merit.metric_inputs import MetricInputs

if TYPE_CHECKING:
    import xarray as xr

__all__ = [
    "USES",
    "CompressionErrors",
    "coil_rise_uncertainty",
    "compression_errors",
    "drift_per_take_uncertainty",
    "drift_uncertainty",
    "level_at_limit_uncertainty",
    "level_change_uncertainty",
    "shape_change_uncertainty",
    "take_difference_uncertainty",
]


USES = (*capture_uncertainty.USES, "coil-rise-uncertainty", "passing-level-shares")
LINEARITY_NOT_INCLUDED = "the linearity of the gain between the drives is not stated and not included"
_AT_LIMIT = "passing"
"""Name of the shares of the captures in the level at a limit."""


@dataclass(frozen=True)
class CompressionErrors:
    """Errors of the captures that compression is computed from.

    Attributes
    ----------
    inputs : MetricInputs
    data : xarray.Dataset
        As the contract `compression` describes it.
    captures : CaptureErrors
        Errors of a capture at each drive.
    takes : numpy.ndarray, shape (drives,)
        Number of captures that were averaged at each drive.
    frequency : numpy.ndarray, shape (n,)
        Hz.
    noise : numpy.ndarray, shape (drives, n)
        Standard uncertainty of the change by noise and rounding, dB; 0 where it is not known.
    drift : numpy.ndarray, shape (drives,)
        Standard uncertainty of the drift re the first take, dB, without repeatability; 0 where nothing is known of it.
    """

    inputs: MetricInputs
    data: xr.Dataset
    captures: CaptureErrors
    takes: Floats
    frequency: Floats
    noise: Floats
    drift: Floats

    def band_noise(self, row: int, low_hz: float, high_hz: float) -> float:
        """Return the uncertainty of a band's mean change at a drive by noise and rounding, dB (GUM, 5.1.2)."""
        weight = np.where(self.noise[row] > 0, band_weights(self.frequency, low_hz, high_hz), 0.0)
        if not weight.sum() > 0:
            return 0.0
        return float(np.sqrt(((weight * self.noise[row]) ** 2).sum()) / weight.sum())


def compression_errors(inputs: MetricInputs, data: xr.Dataset) -> CompressionErrors:
    """Return the errors of the captures of a device at its drives, from what its campaign states.

    Parameters
    ----------
    inputs : MetricInputs
    data : xarray.Dataset
        As the contract `compression` describes it.
    """
    takes = np.ones(data.sizes["drive"])
    harmonics = inputs.datasets.get("harmonics")
    if data.attrs["made_of"] == "harmonics" and harmonics is not None and "takes" in harmonics:
        takes = np.maximum(np.asarray(harmonics["takes"].values, dtype=np.float64), 1.0)
    noise = np.asarray(data["uncertainty"].transpose("drive", "frequency").values, dtype=np.float64) / COVERAGE_FACTOR
    drift = np.asarray(data["drift_uncertainty"].values) if "drift_uncertainty" in data else np.zeros(takes.size)
    return CompressionErrors(
        inputs,
        data,
        capture_errors(inputs, data, takes),
        takes,
        np.asarray(data["frequency"].values, dtype=np.float64),
        np.nan_to_num(noise, posinf=0.0),
        np.asarray(drift, dtype=np.float64),
    )


def level_change_uncertainty(errors: CompressionErrors, row: int, band: tuple[float, float]) -> Uncertainty:
    """Return the uncertainty of the mean change of level in a band at a drive.

    Parameters
    ----------
    errors : CompressionErrors
    row : int
        Row of the drive.
    band : (float, float)
        Hz.
    """
    noise, drift = errors.band_noise(row, *band), float(errors.drift[row])
    components = (
        "noise and rounding, uncorrelated between frequencies" if noise > 0 else "no noise is known",
        _drift_text(errors),
        LINEARITY_NOT_INCLUDED,
    )
    additional = float(np.hypot(noise, drift))
    if not errors.captures.repeated:
        if not additional > 0:
            return Uncertainty(None, reason=f"neither noise nor rounding is known; {NOT_REPEATED}")
        return Uncertainty(additional, "; ".join((*components, NOT_REPEATED)))
    weight = np.where(np.isfinite(_delta(errors, row)), band_weights(errors.frequency, *band), 0.0)
    uncertainty = level_uncertainty(errors.captures, change_name(row), weight / weight.sum(), additional)
    return with_propagation(uncertainty, "; ".join((f"first order (GUM): {_repeatability_text(errors)}", *components)))


def _repeatability_text(errors: CompressionErrors) -> str:
    octaves = octaves_text(errors.captures.at_orders.errors.own_octaves)
    return f"repeatability of two captures, correlated over {octaves}; all other errors cancel"


def _drift_text(errors: CompressionErrors) -> str:
    if (errors.drift > 0).any():
        return "drift between the takes: what agrees with the return takes, linear or slightly curved"
    return "drift between the takes is not known and not included"


def _delta(errors: CompressionErrors, row: int) -> Floats:
    return np.asarray(errors.data["delta"].transpose("drive", "frequency").values[row], dtype=np.float64)


def shape_change_uncertainty(errors: CompressionErrors, row: int, band: tuple[float, float]) -> Uncertainty:
    """Return the uncertainty of the r.m.s. change of shape at a drive, by Monte Carlo.

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

    captures = errors.captures.at_orders.errors
    drawn = captures.rows(change_name(row))[:, errors.captures.at_orders.first]
    generator = np.random.Generator(np.random.PCG64([SEED, 2]))
    drawn = drawn + generator.standard_normal(drawn.shape) * noise
    uncertainty = uncertainties_of_draws(StatedErrors(captures), rms(delta), (rms(delta + error) for error in drawn))[
        "rms"
    ]
    repeatability = _repeatability_text(errors) if errors.captures.repeated else NOT_REPEATED
    components = repeatability, "noise and rounding at single frequencies", LINEARITY_NOT_INCLUDED
    propagation = f"Monte Carlo, {captures.draws} draws (JCGM 101)"
    return with_propagation(uncertainty, "; ".join((propagation, *components)))


def coil_rise_uncertainty(change_db: float, rise_k: float, change: Uncertainty) -> Uncertainty:
    """Return the uncertainty of the rise of the coil's temperature that would explain a change of level.

    Parameters
    ----------
    change_db, rise_k : float
        Change of level in dB, and rise of temperature in K.
    change : Spread
        Of the change.
    """
    if change.standard is None:
        return change
    if not change_db < 0:
        return Uncertainty(None, reason="without compression there is no rise of temperature")
    standard = temperature_rise_uncertainty(change_db, rise_k, change.standard)
    return Uncertainty(standard, "first order (GUM) from the change of level; valid only if heating is the cause")


def level_at_limit_uncertainty(errors: CompressionErrors, column: int, limit_db: float) -> Uncertainty:
    """Return the uncertainty of the level at which an octave band passes a limit of compression, to first order.

    Parameters
    ----------
    errors : CompressionErrors
    column : int
        Column of the octave band.
    limit_db : float
        dB.
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
    # Compression is relative to the lowest drive of all, which may not be among the drives with a level.
    shares, per_delta = limit_level_sensitivities(known.size, int(passing[0]) - 1, levels[pair], deltas[pair], limit_db)
    all_shares = np.zeros(levels.size)
    all_shares[known] = shares
    if known[0] != 0:
        all_shares[known[0]] -= per_delta
        all_shares[0] += per_delta
    captures = capture_errors(errors.inputs, data, errors.takes, shares={_AT_LIMIT: all_shares})
    # The drift of all takes is one error: it grows from the first take on.
    drift = abs(float(all_shares @ errors.drift))
    centre = float(data["octave"].values[column])
    low, high = (float(edge[0]) for edge in band_edges(np.array([centre]), 1))
    level = np.asarray(data["level"].transpose("drive", "frequency").values, dtype=np.float64)[pair[1]]
    flag = np.asarray(data["reason"].transpose("drive", "frequency").values)[pair[1]]
    weight = band_power_weights(errors.frequency, np.where(flag == USED, level, np.nan), low, high)
    noise = abs(per_delta) * errors.band_noise(int(pair[1]), low, high)
    uncertainty = level_uncertainty(
        captures,
        _AT_LIMIT,
        weight,
        float(np.hypot(noise, drift)),
        f"noise and rounding of the compression divided by its slope; {_drift_text(errors)}; {LINEARITY_NOT_INCLUDED}",
    )
    if uncertainty.standard is None:
        return uncertainty
    wide = 2.0 * uncertainty.standard > levels[pair[1]] - levels[pair[0]]
    return replace(
        uncertainty, note="the uncertainty is larger than the interval between the two drives" if wide else ""
    )


def take_difference_uncertainty(errors: CompressionErrors, band: tuple[float, float], takes: int) -> Uncertainty:
    """Return the uncertainty of the mean change between two takes at one drive.

    Parameters
    ----------
    errors : CompressionErrors
    band : (float, float)
        Hz.
    takes : int
        Number of takes from the first of the two to the second.
    """
    if not errors.captures.repeated:
        return Uncertainty(None, reason=NOT_REPEATED)
    weight = band_weights(errors.frequency, *band)
    removed = json.loads(str(errors.data.attrs["takes"])).get("removed") or {}
    drift = takes * (removed.get("per_take_standard_db") or 0.0)
    return with_propagation(
        level_uncertainty(_single_captures(errors), REPEATED_FIRST_DRIVE, weight / weight.sum(), drift),
        f"first order (GUM): {_repeatability_text(errors)}; {_drift_text(errors)}",
    )


def drift_per_take_uncertainty(errors: CompressionErrors, removed: Mapping[str, Any]) -> Uncertainty:
    """Return the uncertainty of the drift per take.

    Parameters
    ----------
    errors : CompressionErrors
    removed : mapping
        Members of a :class:`anechain.acoustics.recording.drift_fit.DriftFit`.
    """
    drift = float(removed["per_take_standard_db"])
    text = "what agrees with the return takes: heat that remained in the coil, spread over the band"
    if not errors.captures.repeated:
        return Uncertainty(drift, f"{text}; {NOT_REPEATED}")
    references = removed["reference_takes"]
    weight = band_weights(errors.frequency, *(float(errors.data.attrs[name]) for name in ("band_low", "band_high")))
    weight = weight / (weight.sum() * (references[-1] - references[0]))
    return with_propagation(
        level_uncertainty(_single_captures(errors), REPEATED_FIRST_DRIVE, weight, drift),
        f"first order (GUM): {text}; {_repeatability_text(errors)}",
    )


def _single_captures(errors: CompressionErrors) -> CaptureErrors:
    """Return the errors of single captures, even where the levels of the drives are means of several."""
    return capture_errors(errors.inputs, errors.data, np.ones(errors.data.sizes["drive"]))


def drift_uncertainty(errors: CompressionErrors) -> Uncertainty:
    """Return the uncertainty of the r.m.s. drift of a repeated level, by Monte Carlo.

    Parameters
    ----------
    errors : CompressionErrors
    """
    if not errors.captures.repeated:
        return Uncertainty(None, reason=NOT_REPEATED)
    if "drift" not in errors.data:
        return Uncertainty(None, reason="drift and compression have different frequencies")
    drift = np.asarray(errors.data["drift"].values, dtype=np.float64)
    weight = np.where(np.isfinite(drift), band_weights(errors.frequency, *errors.frequency[[0, -1]].tolist()), 0.0)
    single = _single_captures(errors)

    def rms(values: Floats) -> float:
        return float(np.sqrt(np.average(np.where(weight > 0, values, 0.0) ** 2, weights=weight)))

    captures = single.at_orders.errors
    drawn = captures.rows(REPEATED_FIRST_DRIVE)[:, single.at_orders.first]
    draws = ({"rms": rms(drift + error)} for error in drawn)
    uncertainty = uncertainties_of_draws(StatedErrors(captures), {"rms": rms(drift)}, draws)["rms"]
    largest = float(np.quantile([rms(error) for error in drawn], 0.95))
    note = f"repeatability alone causes up to {largest:.2g} dB r.m.s. in 95 % of the draws"
    if rms(drift) <= largest:
        return Uncertainty(None, reason=f"not significant: {note}")
    propagation = f"Monte Carlo, {captures.draws} draws (JCGM 101): {_repeatability_text(errors)}"
    return replace(with_propagation(uncertainty, propagation), note="; ".join(filter(None, (uncertainty.note, note))))

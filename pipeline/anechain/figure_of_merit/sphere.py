"""Numbers of the whole sphere: true directivity index, and the error of the sound power from two orbits."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from anechain.acoustics.curve.segments import mean_over_octaves, segment_in_band
from anechain.acoustics.curve.smoothing import smooth
from anechain.acoustics.directivity.directions import unit_vectors
from anechain.acoustics.directivity.spherical_harmonics import HarmonicSphere, sphere_by_harmonics
from anechain.acoustics.nonlinear.octave_weights import band_weights
from anechain.arrays import Floats
from anechain.data.numbers import Number, Uncertainty
from anechain.figure_of_merit.curve_uncertainty import linear_uncertainty
from anechain.figure_of_merit.labels import band_label
from anechain.figure_of_merit.metric_inputs import MetricInputs
from anechain.figure_of_merit.number_builder import make_number

__all__ = ["HEADING", "USES", "WholeSphere", "numbers", "whole_sphere"]

HEADING = "Whole sphere"
USES = ("sphere-harmonics",)
NO_SPHERE = "needs directions all around the sphere"


@dataclass(frozen=True)
class WholeSphere:
    """The sphere of a device by spherical harmonics.

    Attributes
    ----------
    harmonics : HarmonicSphere
    frequency : numpy.ndarray, shape (k,)
        Hz, of the sphere.
    on_curve_grid : bool
        Whether these are exactly the frequencies of the curves.
    """

    harmonics: HarmonicSphere
    frequency: Floats
    on_curve_grid: bool


def whole_sphere(inputs: MetricInputs) -> WholeSphere | None:
    """Return the sphere by harmonics, which the numbers and the dataset `directivity` share; None without a sphere."""
    data = inputs.datasets.get("sphere")
    if data is None:
        return None
    frequency = np.asarray(data["frequency"].values, dtype=np.float64)
    level = np.asarray(data["level"].transpose("direction", "frequency").values, dtype=np.float64)
    same = frequency.size == inputs.frequency.size and np.allclose(frequency, inputs.frequency, rtol=1e-9, atol=0)
    harmonics = sphere_by_harmonics(
        unit_vectors(data["azimuth"].values, data["elevation"].values),
        # The directions are smoothed as the curves are, so that the two can be subtracted.
        level if inputs.smoothing is None else smooth(frequency, level, inputs.smoothing),
        inputs.options.directivity.order,
        inputs.curves.get("on_axis") if same else None,
        inputs.curves.get("sound_power") if same else None,
        np.asarray(data["weight"].values, dtype=np.float64),
    )
    return WholeSphere(harmonics, frequency, np.array_equal(frequency, inputs.frequency))


def numbers(inputs: MetricInputs, sphere: WholeSphere | None) -> Iterator[Number]:
    """Yield the true directivity index and the error of the sound power from two orbits."""
    values: dict[str, float | None] = {"index": None, "two_orbit_error": None, "largest_error": None}
    reasons = dict.fromkeys(values, NO_SPHERE)
    note = ""
    if sphere is not None:
        values, reasons = _values(inputs, sphere)
        order = sphere.harmonics.order
        note = f"{band_label(inputs.options.directivity.band)}; harmonics up to order {order}"
        note += _quadrature_note(inputs, sphere)
    uncertainties = _uncertainties(inputs, sphere)
    for key, title in (
        ("index", "True directivity index (re on axis), mean"),
        ("two_orbit_error", "Two-orbit sound power minus true power, mean"),
        ("largest_error", "Two-orbit sound power minus true power, largest"),
    ):
        yield make_number(
            inputs,
            "sphere-harmonics",
            f"sphere.{key}",
            HEADING,
            title,
            values[key],
            "dB",
            uncertainty=uncertainties.get(key),
            note=note,
            reason=reasons[key],
        )


def _values(inputs: MetricInputs, sphere: WholeSphere) -> tuple[dict[str, float | None], dict[str, str]]:
    """Return the numbers and the reasons of missing ones, by the last part of their id."""
    band, harmonics = inputs.options.directivity.band, sphere.harmonics
    values: dict[str, float | None] = {"index": None, "two_orbit_error": None, "largest_error": None}
    reasons = dict.fromkeys(values, harmonics.reason or "the sphere has other frequencies than the curves")
    if harmonics.index_db is not None:
        part = segment_in_band(sphere.frequency, harmonics.index_db, *band)
        values["index"] = None if part.reason else mean_over_octaves(part.frequency, part.level)
        reasons["index"] = part.reason
    if harmonics.two_orbit_error_db is not None:
        part = segment_in_band(sphere.frequency, harmonics.two_orbit_error_db, *band)
        reasons |= dict.fromkeys(("two_orbit_error", "largest_error"), part.reason)
        if not part.reason:
            values["two_orbit_error"] = mean_over_octaves(part.frequency, part.level)
            values["largest_error"] = float(part.level[np.argmax(np.abs(part.level))])
    return values, reasons


def _quadrature_note(inputs: MetricInputs, sphere: WholeSphere) -> str:
    """Return the largest difference between the power by harmonics and the power by solid angles; empty if unknown."""
    power, by_solid_angles = sphere.harmonics.power_db, inputs.curves.get("sphere_power")
    if by_solid_angles is None or power is None or power.shape != by_solid_angles.shape:
        return ""
    difference = segment_in_band(inputs.frequency, np.abs(power - by_solid_angles), *inputs.options.directivity.band)
    if difference.reason:
        return ""
    return f"; the power by solid angles of the directions differs by at most {difference.level.max():.2g} dB"


def _uncertainties(inputs: MetricInputs, sphere: WholeSphere | None) -> Mapping[str, Uncertainty]:
    """Return the uncertainties by first order, from the stated errors of the curves of the same names."""
    if sphere is None or not sphere.on_curve_grid:
        return {}
    inside = band_weights(inputs.frequency, *inputs.options.directivity.band)
    mean = inside / inside.sum()
    uncertainties = {
        "index": linear_uncertainty(inputs.errors, "sphere_index", mean),
        "two_orbit_error": linear_uncertainty(inputs.errors, "two_orbit_error", mean),
    }
    if sphere.harmonics.two_orbit_error_db is not None:
        size = np.where(inside > 0, np.abs(sphere.harmonics.two_orbit_error_db), np.nan)
        if np.isfinite(size).any():
            at_largest = np.zeros(mean.size)
            at_largest[np.nanargmax(size)] = 1.0
            uncertainties["largest_error"] = linear_uncertainty(inputs.errors, "two_orbit_error", at_largest)
    return uncertainties

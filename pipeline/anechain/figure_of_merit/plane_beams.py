"""Beams of the planes of a device: width, edges, measured angles and coverage."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from anechain.acoustics.directivity.beam_width import NOT_REACHED, BeamWidth, beam_width
from anechain.acoustics.directivity.coverage import Coverage, mean_coverage, open_coverage
from anechain.arrays import Floats
from anechain.figure_of_merit.metric_inputs import MetricInputs

__all__ = [
    "coverage_of_plane",
    "edges_of_plane",
    "last_angles",
    "measured_angles",
    "moved_by_interpolation",
    "width_of_plane",
]


def width_of_plane(inputs: MetricInputs, frequency: Floats, level: Floats, more_db: float = 0.0) -> BeamWidth:
    """Return the beam of one orbit at the drop of the campaign, or at a drop that is larger by `more_db`."""
    measured = ~np.isnan(level).all(axis=1)
    drop = inputs.options.beam.drop + more_db
    return beam_width(frequency, inputs.orbits.angles[measured], level[measured], drop)


def moved_by_interpolation(beam: BeamWidth, deviations: float) -> BeamWidth:
    """Return a beam with its edges moved by a number of standard uncertainties of their interpolation."""
    positive, negative = (
        deviations * beam.interpolation_positive_deg,
        deviations * beam.interpolation_negative_deg,
    )
    return replace(
        beam,
        first_positive_deg=np.clip(beam.first_positive_deg + positive, 0.0, 180.0),
        first_negative_deg=np.clip(beam.first_negative_deg + negative, 0.0, 180.0),
    )


def edges_of_plane(inputs: MetricInputs, plane: str, beam: BeamWidth) -> Floats:
    """Return the first angles of both sides; the last measured angle where the level does not fall by the drop."""
    sides = ((beam.first_positive_deg, beam.state_positive), (beam.first_negative_deg, beam.state_negative))
    last = last_angles(inputs, plane)
    return np.stack(
        [np.where(state == NOT_REACHED, end, first) for (first, state), end in zip(sides, last, strict=True)]
    )


def measured_angles(inputs: MetricInputs, plane: str) -> Floats:
    """Return the measured angles of a plane, degrees."""
    level = inputs.orbits.level[inputs.orbits.planes.index(plane)]
    return np.asarray(inputs.orbits.angles[~np.isnan(level).all(axis=1)], dtype=np.float64)


def last_angles(inputs: MetricInputs, plane: str) -> tuple[float, float]:
    """Return the last measured angle of the positive and of the negative side; 180 degrees belongs to both."""
    angles = measured_angles(inputs, plane)
    positive, negative = (
        180.0 if 180.0 in angles else float(np.max(sign * angles, initial=0.0)) for sign in (1.0, -1.0)
    )
    return positive, negative


def coverage_of_plane(
    inputs: MetricInputs, plane: str, beam: BeamWidth, band: tuple[float, float]
) -> tuple[Coverage, str]:
    """Return the mean coverage and its method; its lower limit where the beam is open at some frequencies."""
    mean = mean_coverage(beam, *band)
    if not mean.reason:
        return mean, "mean-coverage"
    lower_limit = open_coverage(beam, *band, *last_angles(inputs, plane))
    return (mean, "mean-coverage") if lower_limit.reason else (lower_limit, "open-coverage")

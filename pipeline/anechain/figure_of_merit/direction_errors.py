"""Stated uncertainties of a device's directions, and their shares in each curve and index."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.acoustics.directivity.orbit_interpolation import fill_orbits
from anechain.acoustics.directivity.orbits import by_direction, distinct_directions
from anechain.acoustics.uncertainty.curve_uncertainty import curve_shares, measured_shares
from anechain.acoustics.uncertainty.drawn_errors import DirectionErrors
from anechain.arrays import Floats
from anechain.campaign.derivation import Derivation
from anechain.campaign.numbers import Numbers
from anechain.campaign.stated_uncertainty import repeatability_octaves
from anechain.figure_of_merit.curve_uncertainty import REPEATABILITY_ONLY, StatedErrors
from anechain.figure_of_merit.level_uncertainty import level_uncertainty, mirrored_directions

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["direction_errors"]


def direction_errors(
    options: Numbers,
    datasets: Mapping[str, xr.Dataset],
    derivation: Derivation,
    level: Floats,
    stated: Mapping[str, Any],
) -> StatedErrors:
    """Return the uncertainties of the measured directions, and the share of each direction in each curve.

    Parameters
    ----------
    options : Numbers
        The campaign's options of the propagation.
    datasets : mapping of str to xarray.Dataset
        "curves" and "responses".
    derivation : Derivation
        How the curves were derived from the directions.
    level : numpy.ndarray, shape (plane, angle, n)
        dB; the measured directions, smoothed as the curves are.
    stated : mapping
        The campaign's section `uncertainty` as plain values.
    """
    curves, responses = datasets["curves"], datasets["responses"]
    parts = level_uncertainty(responses, stated, [])
    if parts is None:
        return StatedErrors()
    planes = [str(plane) for plane in responses["plane"].values]
    measured = np.asarray(responses["angle"].values, dtype=np.float64)
    place = distinct_directions(
        np.asarray(responses["level"].transpose("plane", "angle", "frequency").values),
        measured,
        mirrored_directions(responses),
    )
    filled, angles = fill_orbits(level, measured)[:2] if derivation.interpolate_angles else (level, measured)
    shares = {
        name: measured_shares(share, angles, measured, place)
        for name, share in curve_shares(
            filled,
            planes,
            angles,
            early_reflections_total=derivation.early_reflections_total,
            rear_wall=derivation.rear_wall,
        ).items()
    }
    own, angle_error = by_direction(parts.repeatability, place), by_direction(parts.angle_error, place)
    if "uncertainty_independent" in curves and "sphere_power" in curves["curve"].values:
        # The uncorrelated error of the sphere's mean counts as the error of one more direction, which is on no orbit.
        mean = np.asarray(curves["uncertainty_independent"].sel(curve="sphere_power").values)[np.newaxis]
        own, angle_error = np.concatenate([own, mean]), np.concatenate([angle_error, np.zeros_like(mean)])
        sphere = np.concatenate([np.zeros((len(own) - 1, mean.size)), np.ones_like(mean)])
        zero = np.zeros_like(mean)
        shares = {name: np.concatenate([share, zero]) for name, share in shares.items()}
        shares["sphere_power"] = sphere
        for name, minuend in (("sphere_index", "on_axis"), ("two_orbit_error", "sound_power")):
            if minuend in shares:
                shares[name] = shares[minuend] - sphere
    chosen = options.uncertainty
    return StatedErrors(
        DirectionErrors(
            frequency=np.asarray(curves["frequency"].values, dtype=np.float64),
            broadband_error=np.sqrt(np.maximum(parts.common**2 - parts.microphone**2, 0.0)),
            response=parts.microphone,
            own=own,
            angle_error=angle_error,
            shares=shares,
            place=place,
            own_octaves=repeatability_octaves(stated),
            response_octaves=chosen.response_octaves,
            draws=chosen.draws,
        ),
        "" if (parts.common > 0).any() else REPEATABILITY_ONLY,
    )

"""Numbers of the aim: which toe-in gives the best direct sound at the listener."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from anechain.acoustics.curve.frequencies import resample
from anechain.acoustics.curve.segments import segment_in_band
from anechain.acoustics.directivity.aim import Aim, AimedCurve, best_aim, deviations_from_trend
from anechain.acoustics.directivity.orbits import neighbours
from anechain.acoustics.uncertainty.deviation_interval import curve_without_noise
from anechain.acoustics.uncertainty.drawn_errors import DirectionErrors, curve_errors
from anechain.acoustics.uncertainty.linear_propagation import mean_shares
from anechain.arrays import Floats
from anechain.data.numbers import Number, Uncertainty
from anechain.figure_of_merit import deviation_uncertainty
from anechain.figure_of_merit.deviation_uncertainty import draws_uncertainty, interval_uncertainty
from anechain.figure_of_merit.labels import band_label
from anechain.figure_of_merit.metric_inputs import MetricInputs
from anechain.figure_of_merit.number_builder import make_number

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["HEADING", "USES", "aim_dataset", "compare_aims", "numbers"]

HEADING = "Aim"
USES = ("aimed-curve", "best-aim", "orbit-interpolation", "trend-line", *deviation_uncertainty.USES)
_CASES = ("best", "axis", "parallel")


def compare_aims(inputs: MetricInputs) -> Aim | None:
    """Compare toe-ins from "parallel to the walls" to "axis on the listener"; None without a horizontal orbit."""
    level, chosen = inputs.orbits.in_plane("horizontal"), inputs.options.aim
    if level is None:
        return None
    return best_aim(
        inputs.frequency, inputs.orbits.angles, level, chosen.listener, chosen.band, chosen.slope, chosen.step
    )


def _drawn_errors(inputs: MetricInputs, directions: DirectionErrors, off_axis: Floats) -> Floats:
    """Return the drawn errors of the direct sound at angles of the horizontal orbit, dB, shape (angles, draws, n).

    To first order: an interpolated level has the errors of its two neighbours by their shares of squared pressure.
    """
    row = inputs.orbits.planes.index("horizontal")
    place = directions.place[row]
    measured = np.flatnonzero(place >= 0)
    below, above, t = neighbours(inputs.orbits.angles[measured], off_axis)
    pairs = np.stack([measured[below], measured[above]])
    shares = {}
    for index in range(off_axis.size):
        share = np.zeros(directions.own.shape)
        levels = inputs.orbits.level[row][pairs[:, index]]
        parts = mean_shares(levels, np.array([1 - t[index], t[index]]))
        for number, part in zip(place[pairs[:, index]], parts, strict=True):
            share[number] += part
        shares[f"aimed {index}"] = share
    known = replace(directions, shares=shares)
    return np.stack([curve_errors(known, name) for name in shares])


def _uncertainties(inputs: MetricInputs, aim: Aim) -> Mapping[str, Uncertainty]:
    """Return the uncertainties of the best toe-in, and of deviation and slope of the three cases."""
    directions, chosen = inputs.errors.directions, inputs.options.aim
    candidates = [curve for curve in aim.candidates if curve.deviation_db is not None]
    names = ["toe_in", *(f"{key}.{quantity}" for key in _CASES for quantity in ("deviation", "slope"))]
    if directions is None or not candidates:
        return {}
    if inputs.errors.withheld_reason:
        return dict.fromkeys(names, Uncertainty(None, reason=inputs.errors.withheld_reason))
    parts = [
        segment_in_band(inputs.frequency, curve.level_db, *chosen.band)
        for curve in candidates
        if curve.level_db is not None
    ]
    frequency, level = parts[0].frequency, np.stack([part.level for part in parts])
    off_axis = np.array([curve.off_axis_deg for curve in candidates])
    drawn = resample(directions.frequency, _drawn_errors(inputs, directions, off_axis), frequency)
    deviations, slopes = deviations_from_trend(frequency, level[:, np.newaxis] + drawn, chosen.slope)
    toe_ins = np.array([curve.toe_in_deg for curve in candidates])
    best = np.argmin(deviations, axis=0)
    low, high = np.quantile(toe_ins[best], (0.025, 0.975), method="closest_observation")
    # A standard deviation of a few discrete steps is not meaningful; their interval is.
    choice = f"a choice among steps of {chosen.step:g}°: in 95 % of the draws from {low:g}° to {high:g}°"
    uncertainties = {"toe_in": Uncertainty(None, reason=choice)}
    for key, case in zip(_CASES, (aim.best, aim.at_listener, aim.parallel), strict=True):
        if case not in candidates:
            continue
        row = candidates.index(case)
        shape = curve_without_noise(frequency, level[row], drawn[row])
        uncertainties[f"{key}.deviation"] = interval_uncertainty(
            directions,
            lambda curves: deviations_from_trend(frequency, curves, chosen.slope)[0],
            level[row],
            shape,
            drawn[row],
        )
        of_case = slopes[best, np.arange(best.size)] if key == "best" else slopes[row]
        if case.slope_db_per_octave is not None:
            # The ends of the band, which lie between frequencies, are among the points of these slopes.
            change = of_case - deviations_from_trend(frequency, level[row], chosen.slope)[1]
            uncertainties[f"{key}.slope"] = draws_uncertainty(
                directions, case.slope_db_per_octave, case.slope_db_per_octave + change
            )
    return uncertainties


def numbers(inputs: MetricInputs, aim: Aim | None) -> Iterator[Number]:
    """Yield the best toe-in, and deviation and slope at the best toe-in, axis on the listener, and parallel."""
    chosen = inputs.options.aim
    absent = "needs the horizontal orbit"
    conditions = f"listener at {chosen.listener:g}°; {band_label(chosen.band)}" + (
        f"; reference: {aim.trend}" if aim else ""
    )
    uncertainty = {} if aim is None else _uncertainties(inputs, aim)
    best = aim.best if aim is not None else None
    yield make_number(
        inputs,
        "best-aim",
        "aim.toe_in",
        HEADING,
        "Toe-in whose direct sound is closest to the trend",
        None if best is None else best.toe_in_deg,
        "°",
        uncertainty=uncertainty.get("toe_in"),
        note=conditions,
        reason=aim.reason if aim is not None else absent,
    )
    cases: tuple[tuple[str, str, AimedCurve | None], ...] = (
        ("best", "Best toe-in", best),
        ("axis", "Axis on the listener", aim.at_listener if aim is not None else None),
        ("parallel", "Axis parallel to the side walls", aim.parallel if aim is not None else None),
    )
    for key, title, case in cases:
        missing = absent if aim is None else aim.reason if case is None else case.reason
        direction = (
            "" if case is None else f"{case.off_axis_deg:g}° off axis" + (", interpolated" if case.interpolated else "")
        )
        for quantity, text, unit, value in (
            ("deviation", "standard deviation from the trend", "dB", None if case is None else case.deviation_db),
            ("slope", "slope", "dB/octave", None if case is None else case.slope_db_per_octave),
        ):
            yield make_number(
                inputs,
                "aimed-curve",
                f"aim.{key}.{quantity}",
                HEADING,
                f"{title}: {text}",
                value,
                unit,
                uncertainty=uncertainty.get(f"{key}.{quantity}"),
                note="; ".join(filter(None, (direction, conditions))),
                reason=missing,
            )


def aim_dataset(inputs: MetricInputs, aim: Aim | None) -> xr.Dataset | None:
    """Return the dataset `aim`: direct sound at the listener for each toe-in; None if it is not known."""
    import xarray as xr

    from anechain.data import contract

    if aim is None:
        return None
    kept = [(curve, curve.level_db) for curve in aim.candidates if curve.level_db is not None]
    if not kept:
        return None
    curves = inputs.datasets["curves"].attrs
    known = {name: curves[name] for name in ("distance", "drive", "mirrored_directions") if name in curves}
    if aim.best is not None:
        known["best_toe_in"] = aim.best.toe_in_deg
    dataset = xr.Dataset(
        {
            "level": (
                ("toe_in", "frequency"),
                np.stack([level for _, level in kept]),
            )
        },
        coords={
            "toe_in": np.array([curve.toe_in_deg for curve, _ in kept]),
            "off_axis": ("toe_in", np.array([curve.off_axis_deg for curve, _ in kept])),
            "frequency": inputs.frequency,
        },
        attrs={
            "device": curves["device"],
            "title": curves["title"],
            "level_kind": curves["level_kind"],
            "smoothing": curves["smoothing"],
            "listener": float(inputs.options.aim.listener),
            **known,
        },
    )
    return contract.describe(dataset, "aim")

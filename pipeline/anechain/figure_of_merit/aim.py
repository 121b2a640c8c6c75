"""Numbers of the aim: which toe-in gives the best direct sound at the listener."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

import numpy as np

from anechain.acoustics.directivity.aim import Aim, AimedCurve, best_aim
from anechain.arrays import Floats
from anechain.data.numbers import Number, Uncertainty
from anechain.figure_of_merit.curve_uncertainty import monte_carlo_of_orbits
from anechain.figure_of_merit.labels import band_label
from anechain.figure_of_merit.metric_inputs import MetricInputs
from anechain.figure_of_merit.number_builder import make_number

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["HEADING", "USES", "aim_dataset", "compare_aims", "numbers"]

HEADING = "Aim"
USES = ("aimed-curve", "best-aim", "orbit-interpolation", "trend-line")


def compare_aims(inputs: MetricInputs) -> Aim | None:
    """Compare toe-ins from "parallel to the walls" to "axis on the listener"; None without a horizontal orbit."""
    level, chosen = inputs.orbits.in_plane("horizontal"), inputs.options.aim
    if level is None:
        return None
    return best_aim(
        inputs.frequency, inputs.orbits.angles, level, chosen.listener, chosen.band, chosen.slope, chosen.step
    )


def _uncertainties(inputs: MetricInputs) -> Mapping[str, Uncertainty]:
    """Return the uncertainties of the best toe-in, and of deviation and slope of the three cases."""
    chosen, row = inputs.options.aim, inputs.orbits.planes.index("horizontal")

    def values(frequency: Floats, level: Floats) -> dict[str, float | None]:
        aim = best_aim(
            frequency, inputs.orbits.angles, level[row], chosen.listener, chosen.band, chosen.slope, chosen.step
        )
        drawn = {"toe_in": None if aim.best is None else aim.best.toe_in_deg}
        for key, case in (("best", aim.best), ("axis", aim.at_listener), ("parallel", aim.parallel)):
            drawn[f"{key}.deviation"] = None if case is None else case.deviation_db
            drawn[f"{key}.slope"] = None if case is None else case.slope_db_per_octave
        return drawn

    uncertainties = monte_carlo_of_orbits(inputs.errors, inputs.orbits.level, values, keeps_common=True)
    if uncertainties["toe_in"].standard is not None:
        # A standard deviation of a few discrete steps is not meaningful; their interval is.
        low, high = uncertainties["toe_in"].interval or (0.0, 0.0)
        reason = f"a choice among steps of {chosen.step:g}°: in 95 % of the draws from {low:g}° to {high:g}°"
        uncertainties["toe_in"] = Uncertainty(None, reason=reason)
    return uncertainties


def numbers(inputs: MetricInputs, aim: Aim | None) -> Iterator[Number]:
    """Yield the best toe-in, and deviation and slope at the best toe-in, axis on the listener, and parallel."""
    chosen = inputs.options.aim
    absent = "needs the horizontal orbit"
    conditions = f"listener at {chosen.listener:g}°; {band_label(chosen.band)}" + (
        f"; reference: {aim.trend}" if aim else ""
    )
    uncertainty = _uncertainties(inputs) if aim is not None and inputs.errors.directions is not None else {}
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

"""Where to point it: toe-ins compared."""

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
    """Toe-ins from parallel to the walls to the axis on the listener; None without a horizontal orbit."""
    level, chosen = inputs.orbits.in_plane("horizontal"), inputs.options.aim
    if level is None:
        return None
    return best_aim(
        inputs.frequency, inputs.orbits.angles, level, chosen.listener, chosen.band, chosen.slope, chosen.step
    )


def _spreads(inputs: MetricInputs) -> Mapping[str, Uncertainty]:
    """How sure the best toe-in is, and deviation and slope of the three cases."""
    chosen, row = inputs.options.aim, inputs.orbits.planes.index("horizontal")

    def values(frequency: Floats, level: Floats) -> dict[str, float | None]:
        aim = best_aim(
            frequency, inputs.orbits.angles, level[row], chosen.listener, chosen.band, chosen.slope, chosen.step
        )
        found = {"toe_in": None if aim.best is None else aim.best.toe_in_deg}
        for key, case in (("best", aim.best), ("axis", aim.at_listener), ("parallel", aim.parallel)):
            found[f"{key}.deviation"] = None if case is None else case.deviation_db
            found[f"{key}.slope"] = None if case is None else case.slope_db_per_octave
        return found

    uncertainties = monte_carlo_of_orbits(inputs.errors, inputs.orbits.level, values, keeps_common=True)
    if uncertainties["toe_in"].standard is not None:
        # Of steps that take turns a standard deviation tells nothing.
        low, high = uncertainties["toe_in"].interval or (0.0, 0.0)
        words = f"a choice among steps of {chosen.step:g}°: in 95 % of the draws from {low:g}° to {high:g}°"
        uncertainties["toe_in"] = Uncertainty(None, reason=words)
    return uncertainties


def numbers(inputs: MetricInputs, aim: Aim | None) -> Iterator[Number]:
    """The best toe-in, and deviation and slope of it, of the axis and of the parallel case, side by side."""
    chosen = inputs.options.aim
    absent = "needs the horizontal orbit"
    about = f"listener at {chosen.listener:g}°; {band_label(chosen.band)}" + (
        f"; held against {aim.trend}" if aim else ""
    )
    uncertainty = _spreads(inputs) if aim is not None and inputs.errors.directions is not None else {}
    best = aim.best if aim is not None else None
    yield make_number(
        inputs,
        "best-aim",
        "aim.toe_in",
        HEADING,
        "Toe-in whose direct sound follows the trend best",
        None if best is None else best.toe_in_deg,
        "°",
        uncertainty=uncertainty.get("toe_in"),
        note=about,
        reason=aim.reason if aim is not None else absent,
    )
    cases: tuple[tuple[str, str, AimedCurve | None], ...] = (
        ("best", "Best toe-in", best),
        ("axis", "Axis on the listener", aim.at_listener if aim is not None else None),
        ("parallel", "Axis parallel to the side walls", aim.parallel if aim is not None else None),
    )
    for key, title, case in cases:
        missing = absent if aim is None else aim.reason if case is None else case.reason
        where = (
            "" if case is None else f"{case.off_axis_deg:g}° off axis" + (", interpolated" if case.interpolated else "")
        )
        for what, words, unit, value in (
            ("deviation", "standard deviation from the trend", "dB", None if case is None else case.deviation_db),
            ("slope", "slope", "dB/octave", None if case is None else case.slope_db_per_octave),
        ):
            yield make_number(
                inputs,
                "aimed-curve",
                f"aim.{key}.{what}",
                HEADING,
                f"{title}: {words}",
                value,
                unit,
                uncertainty=uncertainty.get(f"{key}.{what}"),
                note="; ".join(filter(None, (where, about))),
                reason=missing,
            )


def aim_dataset(inputs: MetricInputs, aim: Aim | None) -> xr.Dataset | None:
    """The dataset `aim`: the direct sound at the listener for each toe-in; None where there is none."""
    import xarray as xr

    from anechain.data import contract

    if aim is None:
        return None
    kept = [(curve, curve.level_db) for curve in aim.candidates if curve.level_db is not None]
    if not kept:
        return None
    curves = inputs.datasets["curves"].attrs
    known = {name: curves[name] for name in ("distance", "drive") if name in curves}
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

"""Numbers of the beam width: mean coverage in bands, and where the beam gets narrower than an angle."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from anechain.acoustics.curve.frequency_text import format_hertz
from anechain.acoustics.directivity.beam_width import BeamWidth, beam_width
from anechain.acoustics.directivity.coverage import Coverage, mean_coverage, open_coverage
from anechain.acoustics.directivity.directions import PLANES
from anechain.acoustics.directivity.narrowing import first_narrowing, narrowing_frequency
from anechain.arrays import Floats
from anechain.data.numbers import Mark, Number, Uncertainty
from anechain.figure_of_merit.curve_uncertainty import ROUNDING, orbit_draws, uncertainties_of_draws
from anechain.figure_of_merit.labels import band_id, band_label
from anechain.figure_of_merit.metric_inputs import MetricInputs
from anechain.figure_of_merit.number_builder import make_number

__all__ = ["HEADING", "USES", "BeamWidths", "beam_widths", "numbers"]

HEADING = "Beam width"
USES = (
    "beam-width",
    "first-narrowing",
    "mean-coverage",
    "narrowing-frequency",
    "open-coverage",
    "orbit-interpolation",
)
MIN_DETERMINED_SHARE = 0.9
"""An angle has an uncertainty only if it could be determined in at least this share of the draws."""
COARSE_STEPS = 2.0
"""Up to this number of steps between directions, an angle is coarse: interpolation in dB misses the beam's shape."""


@dataclass(frozen=True)
class BeamWidths:
    """Beam widths by plane, with their uncertainties.

    Attributes
    ----------
    by_plane : mapping of str to BeamWidth
        Only planes whose beam width could be computed.
    missing : mapping of str to str
        Why it could not be computed, by plane.
    uncertainties : mapping of str to Uncertainty
        Of the numbers, by their id.
    angle_uncertainty : mapping of str to numpy.ndarray, shape (2, n)
        By plane: standard uncertainty in degrees of the first angle, the positive side first; NaN where the angle
        could not be determined in more than a tenth of the draws.
    """

    by_plane: Mapping[str, BeamWidth]
    missing: Mapping[str, str]
    uncertainties: Mapping[str, Uncertainty]
    angle_uncertainty: Mapping[str, Floats]


def beam_widths(inputs: MetricInputs) -> BeamWidths:
    """Return the beam widths, which the numbers and the dataset `directivity` share."""
    by_plane: dict[str, BeamWidth] = {}
    missing: dict[str, str] = {}
    for plane in PLANES:
        level = inputs.orbits.in_plane(plane)
        if level is None:
            missing[plane] = f"needs the {plane} orbit"
        elif np.count_nonzero(np.abs(inputs.orbits.angles) < 0.01) != 1 or np.isnan(level[_axis_row(inputs)]).all():
            missing[plane] = "needs the level on the axis"
        else:
            by_plane[plane] = _width(inputs, inputs.frequency, level)
    return BeamWidths(by_plane, missing, *_uncertainties(inputs, tuple(by_plane)))


def _width(inputs: MetricInputs, frequency: Floats, level: Floats) -> BeamWidth:
    measured = ~np.isnan(level).all(axis=1)
    return beam_width(frequency, inputs.orbits.angles[measured], level[measured], inputs.options.beam.drop)


def _axis_row(inputs: MetricInputs) -> int:
    return int(np.argmin(np.abs(inputs.orbits.angles)))


def _uncertainties(
    inputs: MetricInputs, planes: tuple[str, ...]
) -> tuple[Mapping[str, Uncertainty], Mapping[str, Floats]]:
    """Return the uncertainties of the numbers, and of the angles by plane, from the same draws."""
    if inputs.errors.directions is None:
        return {}, {}
    values: list[Mapping[str, float | None]] = []
    angles: dict[str, list[Floats]] = {plane: [] for plane in planes}
    frequency = inputs.frequency
    for frequency, level in orbit_draws(inputs.errors, inputs.orbits.level):
        drawn: dict[str, float | None] = {}
        for plane in planes:
            beam = _width(inputs, frequency, level[inputs.orbits.planes.index(plane)])
            angles[plane].append(np.stack([beam.first_positive_deg, beam.first_negative_deg]))
            drawn |= _values(inputs, plane, beam)
        values.append(drawn)
    deviations = {plane: _angle_deviation(inputs, frequency, drawn) for plane, drawn in angles.items()}
    return uncertainties_of_draws(inputs.errors, values[0], values[1:]), deviations


def _values(inputs: MetricInputs, plane: str, beam: BeamWidth) -> dict[str, float | None]:
    """Return the numbers of a plane by id."""
    chosen = inputs.options.beam
    values = {
        f"beam.{plane}.{band_id(band)}": _coverage(inputs, plane, beam, band)[0].mean_deg for band in chosen.bands
    }
    values[f"beam.{plane}.narrows"] = narrowing_frequency(beam, chosen.narrower_than).frequency_hz
    first = first_narrowing(beam, chosen.narrower_than, chosen.narrow_for)
    values[f"beam.{plane}.first_narrows"] = first.frequency_hz
    return values


def _angle_deviation(inputs: MetricInputs, frequency: Floats, drawn: list[Floats]) -> Floats:
    """Return the standard deviation of the angles of a plane over the draws, on the frequencies of the curves."""
    angles = np.stack(drawn[1:])
    determined = (~np.isnan(angles)).mean(axis=0) >= MIN_DETERMINED_SHARE
    deviation: Floats = np.full(determined.shape, np.nan)
    deviation[determined] = np.nanstd(angles[:, determined], axis=0, ddof=1)
    # Where all stated errors cancel, only rounding errors remain.
    deviation[deviation <= ROUNDING * 180.0] = np.nan
    # The nearest drawn frequency is used: interpolation between an angle that jumps and one that does not is wrong.
    nearest = np.argmin(np.abs(np.log(inputs.frequency[:, np.newaxis] / frequency)), axis=1)
    return np.asarray(deviation[:, nearest], dtype=np.float64)


def _measured_angles(inputs: MetricInputs, plane: str) -> Floats:
    level = inputs.orbits.level[inputs.orbits.planes.index(plane)]
    return np.asarray(inputs.orbits.angles[~np.isnan(level).all(axis=1)], dtype=np.float64)


def _coverage(inputs: MetricInputs, plane: str, beam: BeamWidth, band: tuple[float, float]) -> tuple[Coverage, str]:
    """Return the mean coverage and its method; its lower limit where the beam is open at some frequencies."""
    mean = mean_coverage(beam, *band)
    if not mean.reason:
        return mean, "mean-coverage"
    angles = _measured_angles(inputs, plane)
    # 180 degrees is the last angle of both sides.
    last = [180.0 if 180.0 in angles else float(np.max(sign * angles, initial=0.0)) for sign in (1.0, -1.0)]
    lower_limit = open_coverage(beam, *band, *last)
    return (mean, "mean-coverage") if lower_limit.reason else (lower_limit, "open-coverage")


def _coarse_note(inputs: MetricInputs, plane: str, beam: BeamWidth | None, band: tuple[float, float]) -> str:
    """Return a note if the beam is too narrow for the steps between directions at some frequencies of a band."""
    if beam is None:
        return ""
    angles = np.sort(_measured_angles(inputs, plane))
    near_axis = np.abs(angles[:-1] + angles[1:]) <= 2 * np.diff(angles)
    step = float(np.diff(angles)[near_axis].max(initial=0.0))
    inside = (beam.frequency_hz >= band[0]) & (beam.frequency_hz <= band[1])
    with np.errstate(invalid="ignore"):
        narrow = (beam.first_positive_deg < COARSE_STEPS * step) | (beam.first_negative_deg < COARSE_STEPS * step)
    share = float(narrow[inside].mean()) if inside.any() else 0.0
    if not share > 0:
        return ""
    return (
        f"; at {100 * share:.0f} % of the frequencies the beam ends within {COARSE_STEPS:g} steps of {step:g}° from "
        "the axis: coarse there, which no uncertainty includes"
    )


def numbers(inputs: MetricInputs, beams: BeamWidths) -> Iterator[Number]:
    """Yield mean coverage and narrowing frequencies of each plane."""
    for plane in PLANES:
        yield from _coverage_numbers(inputs, beams, plane)
        yield from _narrowing_numbers(inputs, beams, plane)


def _drop_text(inputs: MetricInputs) -> str:
    return f"\N{MINUS SIGN}{inputs.options.beam.drop:g} dB re the axis"


def _coverage_numbers(inputs: MetricInputs, beams: BeamWidths, plane: str) -> Iterator[Number]:
    beam = beams.by_plane.get(plane)
    sides = ("left", "right") if plane == "horizontal" else ("up", "down")
    for band in inputs.options.beam.bands:
        coverage, method = (None, "mean-coverage") if beam is None else _coverage(inputs, plane, beam, band)
        note = ""
        if coverage is not None and coverage.mean_deg is not None:
            note = (
                f"{_drop_text(inputs)}; {coverage.narrowest_deg:.0f}° to {coverage.widest_deg:.0f}°; "
                f"{sides[0]} {coverage.positive_deg:.0f}°, {sides[1]} {coverage.negative_deg:.0f}°"
            )
            if method == "open-coverage":
                note += "; a side on which the level does not fall by the drop counts up to its last angle"
            note += _coarse_note(inputs, plane, beam, band)
            if coverage.ambiguous_share > 0:
                note += (
                    f"; at {100 * coverage.ambiguous_share:.0f} % of the frequencies a lobe is beyond the first angle"
                )
        yield make_number(
            inputs,
            method,
            f"beam.{plane}.{band_id(band)}",
            HEADING,
            f"{plane.capitalize()} coverage, {band_label(band)}",
            None if coverage is None else coverage.mean_deg,
            "°",
            bound="at least" if method == "open-coverage" else "",
            uncertainty=beams.uncertainties.get(f"beam.{plane}.{band_id(band)}"),
            note=note,
            reason=beams.missing.get(plane, "") if coverage is None else coverage.reason,
            marks=(Mark(f"beam_{plane}", *band),),
        )


def _narrowing_numbers(inputs: MetricInputs, beams: BeamWidths, plane: str) -> Iterator[Number]:
    chosen, beam, drop = inputs.options.beam, beams.by_plane.get(plane), _drop_text(inputs)
    first = first_narrowing(beam, chosen.narrower_than, chosen.narrow_for) if beam is not None else None
    until = "" if first is None or first.until_hz is None else f"; up to {format_hertz(first.until_hz)} Hz"
    permanent = narrowing_frequency(beam, chosen.narrower_than) if beam is not None else None
    for key, method, title, narrowing, note in (
        ("first_narrows", "first-narrowing", "first narrower than {}° from", first, drop + until),
        ("narrows", "narrowing-frequency", "narrower than {}° everywhere above", permanent, drop),
    ):
        hz = None if narrowing is None else narrowing.frequency_hz
        note += "" if hz is None else _coarse_note(inputs, plane, beam, (hz, float(inputs.frequency[-1])))
        yield make_number(
            inputs,
            method,
            f"beam.{plane}.{key}",
            HEADING,
            f"{plane.capitalize()} beam {title.format(f'{chosen.narrower_than:g}')}",
            hz,
            "Hz",
            uncertainty=beams.uncertainties.get(f"beam.{plane}.{key}"),
            note=note,
            reason=beams.missing.get(plane, "") if narrowing is None else narrowing.reason,
            marks=() if hz is None else (Mark(f"beam_{plane}", hz, hz),),
        )

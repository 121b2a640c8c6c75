"""Numbers of the beam width: mean coverage in bands, and where the beam gets narrower than an angle."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from anechain.acoustics.curve.frequency_text import format_hertz
from anechain.acoustics.directivity.beam_width import BeamWidth
from anechain.acoustics.directivity.directions import PLANES
from anechain.acoustics.directivity.narrowing import first_narrowing, narrowing_frequency
from anechain.acoustics.uncertainty.monte_carlo import SEED
from anechain.arrays import Floats
from anechain.data.numbers import Mark, Number, Uncertainty
from anechain.figure_of_merit.beam_plateau import interpolation_note, plateau_note, plateau_of_plane, with_interval
from anechain.figure_of_merit.curve_uncertainty import orbit_draws, uncertainties_of_draws
from anechain.figure_of_merit.labels import band_id, band_label
from anechain.figure_of_merit.metric_inputs import MetricInputs
from anechain.figure_of_merit.number_builder import make_number
from anechain.figure_of_merit.plane_beams import (
    coverage_of_plane,
    edges_of_plane,
    moved_by_interpolation,
    width_of_plane,
)

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
INTERPOLATION = "interpolation between the angles, one error at all frequencies and on both sides"


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
    angle_interval : mapping of str to numpy.ndarray, shape (2, 2, n)
        By plane: lower and upper end in degrees of the 95 % interval of the first angle, each with the positive side
        first; the last measured angle where the level does not fall by the drop in some draws; NaN where the angle
        could not be determined in more than a tenth of the draws.
    """

    by_plane: Mapping[str, BeamWidth]
    missing: Mapping[str, str]
    uncertainties: Mapping[str, Uncertainty]
    angle_interval: Mapping[str, Floats]


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
            by_plane[plane] = width_of_plane(inputs, inputs.frequency, level)
    return BeamWidths(by_plane, missing, *_uncertainties(inputs, tuple(by_plane)))


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
    generator = np.random.Generator(np.random.PCG64([SEED, 4]))
    for draw, (frequency, level) in enumerate(orbit_draws(inputs.errors, inputs.orbits.level)):
        drawn: dict[str, float | None] = {}
        # The first levels are without errors.
        deviations = float(generator.standard_normal()) if draw else 0.0
        for plane in planes:
            beam = moved_by_interpolation(
                width_of_plane(inputs, frequency, level[inputs.orbits.planes.index(plane)]), deviations
            )
            angles[plane].append(edges_of_plane(inputs, plane, beam))
            drawn |= _values(inputs, plane, beam)
        values.append(drawn)
    uncertainties = uncertainties_of_draws(inputs.errors, values[0], values[1:])
    return (
        {
            name: replace(known, propagation="; ".join(filter(None, (known.propagation, INTERPOLATION))))
            if known.standard is not None
            else known
            for name, known in uncertainties.items()
        },
        {plane: _angle_interval(inputs, frequency, drawn) for plane, drawn in angles.items()},
    )


def _values(inputs: MetricInputs, plane: str, beam: BeamWidth) -> dict[str, float | None]:
    """Return the numbers of a plane by id."""
    chosen = inputs.options.beam
    values = {
        f"beam.{plane}.{band_id(band)}": coverage_of_plane(inputs, plane, beam, band)[0].mean_deg
        for band in chosen.bands
    }
    values[f"beam.{plane}.narrows"] = narrowing_frequency(beam, chosen.narrower_than).frequency_hz
    first = first_narrowing(beam, chosen.narrower_than, chosen.narrow_for)
    values[f"beam.{plane}.first_narrows"] = first.frequency_hz
    return values


def _angle_interval(inputs: MetricInputs, frequency: Floats, drawn: list[Floats]) -> Floats:
    """Return the 95 % interval of the angles of a plane over the draws, on the frequencies of the curves."""
    angles = np.stack(drawn[1:])
    determined = (~np.isnan(angles)).mean(axis=0) >= MIN_DETERMINED_SHARE
    interval: Floats = np.full((2, *determined.shape), np.nan)
    interval[:, determined] = np.nanquantile(angles[:, determined], [0.025, 0.975], axis=0)
    # An edge that no draw has is not known to be anywhere.
    interval[:, interval[0] == interval[1]] = np.nan
    # The nearest drawn frequency is used: interpolation between an angle that jumps and one that does not is wrong.
    nearest = np.argmin(np.abs(np.log(inputs.frequency[:, np.newaxis] / frequency)), axis=1)
    return np.asarray(interval[..., nearest], dtype=np.float64)


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
        coverage, method = (None, "mean-coverage") if beam is None else coverage_of_plane(inputs, plane, beam, band)
        note, uncertainty = "", beams.uncertainties.get(f"beam.{plane}.{band_id(band)}")
        if coverage is not None and coverage.mean_deg is not None:
            note = (
                f"{_drop_text(inputs)}; {coverage.narrowest_deg:.0f}° to {coverage.widest_deg:.0f}°; "
                f"{sides[0]} {coverage.positive_deg:.0f}°, {sides[1]} {coverage.negative_deg:.0f}°"
            )
            if method == "open-coverage":
                note += "; a side on which the level does not fall by the drop counts up to its last angle"
            if beam is not None:
                note += interpolation_note(beam, band, inputs.options.uncertainty.coverage_factor)
                plateau = plateau_of_plane(inputs, plane, beam, band)
                note += plateau_note(plateau)
                uncertainty = with_interval(uncertainty, plateau)
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
            uncertainty=uncertainty,
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

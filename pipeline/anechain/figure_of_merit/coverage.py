"""How wide, at which heights, how evenly: beam width, vertical listening window, directivity indices, whole sphere."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.acoustics.curve.frequencies import hertz
from anechain.acoustics.curve.segments import mean_over_octaves, part_in_band
from anechain.acoustics.curve.smoothing import smooth
from anechain.acoustics.directivity.beam_width import COMES_BACK, FOUND, NO_DATA, NOT_REACHED, BeamWidth, beam_width
from anechain.acoustics.directivity.coverage import Coverage, mean_coverage, open_coverage
from anechain.acoustics.directivity.directions import PLANES, unit_vectors
from anechain.acoustics.directivity.directivity_constancy import DirectivityConstancy, directivity_constancy
from anechain.acoustics.directivity.listening_height import ListeningHeight, listening_height
from anechain.acoustics.directivity.narrowing import first_narrowing, narrowing_frequency
from anechain.acoustics.directivity.spherical_harmonics import HarmonicSphere, sphere_by_harmonics
from anechain.acoustics.nonlinear.octave_weights import band_weights
from anechain.arrays import Floats
from anechain.data.numbers import Mark, Number, Spread
from anechain.figure_of_merit.metric_inputs import MetricInputs, band_slug, band_words, name_of, number
from anechain.figure_of_merit.spreads import ROUNDING, drawn, linear_spread, orbit_draws, spreads_of

if TYPE_CHECKING:
    import xarray as xr

__all__ = [
    "HEADING",
    "HEIGHT_HEADING",
    "INDEX_HEADING",
    "SPHERE_HEADING",
    "USES",
    "Beams",
    "beams",
    "directivity",
    "numbers",
]

HEADING = "Beam width"
HEIGHT_HEADING = "Vertical listening window"
INDEX_HEADING = "Directivity indices"
SPHERE_HEADING = "Whole sphere"
USES = (
    "beam-width",
    "directivity-constancy",
    "first-narrowing",
    "listening-height",
    "mean-coverage",
    "narrowing-frequency",
    "open-coverage",
    "orbit-interpolation",
    "sphere-harmonics",
)
INDICES = ("sound_power_index", "early_reflections_index")
SIDES = ("positive", "negative")
KEPT = 0.9
"""Share of the draws, at least, in which an angle is there for its uncertainty to be told."""
STEPS = 2.0
"""Steps between directions within which a beam that ends is read coarsely: straight lines in dB miss its curve."""
STATES = (FOUND, NOT_REACHED, COMES_BACK, NO_DATA)


@dataclass(frozen=True)
class Beams:
    """Beam widths by plane, and the sphere.

    Attributes
    ----------
    width : mapping of str to BeamWidth
        By plane; only what could be had.
    missing : mapping of str to str
        Why not, by plane.
    sphere : HarmonicSphere or None
        None where there are no directions all around.
    sphere_frequency : numpy.ndarray
        Hz.
    sure : mapping of str to Spread
        Of the numbers of planes and heights, by their id.
    width_spread : mapping of str to numpy.ndarray, shape (2, n)
        By plane: standard uncertainty in degrees of the first angle, the positive side first; NaN where the angle is
        lost in more than a tenth of the draws.
    """

    width: Mapping[str, BeamWidth]
    missing: Mapping[str, str]
    sphere: HarmonicSphere | None
    sphere_frequency: Floats
    sure: Mapping[str, Spread]
    width_spread: Mapping[str, Floats]


def beams(inputs: MetricInputs) -> Beams:
    """Work out beam widths and the sphere, which numbers and dataset share."""
    width: dict[str, BeamWidth] = {}
    missing: dict[str, str] = {}
    for plane in PLANES:
        level = inputs.orbits.of(plane)
        if level is None:
            missing[plane] = f"needs the {plane} orbit"
        elif np.count_nonzero(np.abs(inputs.orbits.angles) < 0.01) != 1 or np.isnan(level[_axis(inputs)]).all():
            missing[plane] = "needs the level on the axis"
        else:
            width[plane] = _width(inputs, inputs.frequency, level)
    sphere, frequency = _sphere(inputs)
    return Beams(width, missing, sphere, frequency, *_spreads(inputs, tuple(width)))


def _width(inputs: MetricInputs, frequency: Floats, level: Floats) -> BeamWidth:
    measured = ~np.isnan(level).all(axis=1)
    return beam_width(frequency, inputs.orbits.angles[measured], level[measured], inputs.options.beam.drop)


def _spreads(inputs: MetricInputs, planes: tuple[str, ...]) -> tuple[Mapping[str, Spread], Mapping[str, Floats]]:
    """How sure beam widths, what is read off them, and heights are: from the same draws."""
    if inputs.errors.of is None:
        return {}, {}
    values: list[Mapping[str, float | None]] = []
    angles: dict[str, list[Floats]] = {plane: [] for plane in planes}
    vertical, chosen = inputs.orbits.of("vertical") is not None, inputs.options.beam
    frequency = inputs.frequency
    for frequency, level in orbit_draws(inputs.errors, inputs.orbits.level):
        found: dict[str, float | None] = {}
        for plane in planes:
            beam = _width(inputs, frequency, level[inputs.orbits.planes.index(plane)])
            angles[plane].append(np.stack([beam.first_positive_deg, beam.first_negative_deg]))
            for band in chosen.bands:
                found[f"beam.{plane}.{band_slug(band)}"] = _covered(inputs, plane, beam, band)[0].mean_deg
            found[f"beam.{plane}.narrows"] = narrowing_frequency(beam, chosen.narrower_than).frequency_hz
            found[f"beam.{plane}.first_narrows"] = first_narrowing(
                beam, chosen.narrower_than, chosen.narrow_for
            ).frequency_hz
        if vertical:
            window = _window(inputs, frequency, level[inputs.orbits.planes.index("vertical")])
            found["listening_height.up"], found["listening_height.down"] = window.up_m, window.down_m
        values.append(found)
    spread = {}
    for plane, drawn_angles in angles.items():
        seen = np.stack(drawn_angles[1:])
        there = ~np.isnan(seen)
        enough = there.mean(axis=0) >= KEPT
        deviation = np.full(enough.shape, np.nan)
        deviation[enough] = np.nanstd(seen[:, enough], axis=0, ddof=1)
        # What is stated may cancel: what is left then is rounding.
        deviation[deviation <= ROUNDING * 180.0] = np.nan
        # Of the nearest frequency that was drawn: between an angle that jumps and one that does not lies nothing.
        nearest = np.argmin(np.abs(np.log(inputs.frequency[:, np.newaxis] / frequency)), axis=1)
        spread[plane] = deviation[:, nearest]
    return spreads_of(inputs.errors, values[0], values[1:]), spread


def _window(inputs: MetricInputs, frequency: Floats, level: Floats) -> ListeningHeight:
    chosen = inputs.options.listening_height
    return listening_height(
        frequency, inputs.orbits.angles, level, chosen.distance, chosen.tolerance, chosen.band, chosen.measure
    )


def _axis(inputs: MetricInputs) -> int:
    return int(np.argmin(np.abs(inputs.orbits.angles)))


def _sphere(inputs: MetricInputs) -> tuple[HarmonicSphere | None, Floats]:
    data = inputs.datasets.get("sphere")
    if data is None:
        return None, np.empty(0)
    frequency = np.asarray(data["frequency"].values, dtype=np.float64)
    level = np.asarray(data["level"].transpose("direction", "frequency").values, dtype=np.float64)
    same = frequency.size == inputs.frequency.size and np.allclose(frequency, inputs.frequency, rtol=1e-9, atol=0)
    found = sphere_by_harmonics(
        unit_vectors(data["azimuth"].values, data["elevation"].values),
        # Curves and directions are smoothed alike, so that their differences are of like with like.
        level if inputs.smoothing is None else smooth(frequency, level, inputs.smoothing),
        inputs.options.directivity.order,
        inputs.curves.get("on_axis") if same else None,
        inputs.curves.get("sound_power") if same else None,
        np.asarray(data["weight"].values, dtype=np.float64),
    )
    return found, frequency


def numbers(inputs: MetricInputs, found: Beams) -> Iterator[Number]:
    """Coverage and narrowing of each plane, heights, indices, and the sphere."""
    for plane in PLANES:
        yield from _of_plane(inputs, found, plane)
    yield from _heights(inputs, found)
    for index in INDICES:
        yield from _index(inputs, index)
    yield from _whole(inputs, found)


def _covered(inputs: MetricInputs, plane: str, beam: BeamWidth, band: tuple[float, float]) -> tuple[Coverage, str]:
    """Mean coverage, or the least that it can be where the beam is open at some frequencies; and the method's id."""
    mean = mean_coverage(beam, *band)
    if not mean.reason:
        return mean, "mean-coverage"
    level = inputs.orbits.level[inputs.orbits.planes.index(plane)]
    angles = inputs.orbits.angles[~np.isnan(level).all(axis=1)]
    # 180 degrees is the last angle of both sides.
    last = [180.0 if 180.0 in angles else float(np.max(sign * angles, initial=0.0)) for sign in (1.0, -1.0)]
    least = open_coverage(beam, *band, *last)
    return (mean, "mean-coverage") if least.reason else (least, "open-coverage")


def _coarse(inputs: MetricInputs, plane: str, beam: BeamWidth | None, band: tuple[float, float]) -> str:
    """In words, at how many frequencies of a band the beam ends too near the axis for the steps between directions."""
    if beam is None:
        return ""
    level = inputs.orbits.level[inputs.orbits.planes.index(plane)]
    angles = np.sort(inputs.orbits.angles[~np.isnan(level).all(axis=1)])
    near = np.abs(angles[:-1] + angles[1:]) <= 2 * np.diff(angles)
    step = float(np.diff(angles)[near].max(initial=0.0))
    inside = (beam.frequency_hz >= band[0]) & (beam.frequency_hz <= band[1])
    with np.errstate(invalid="ignore"):
        narrow = (beam.first_positive_deg < STEPS * step) | (beam.first_negative_deg < STEPS * step)
    share = float(narrow[inside].mean()) if inside.any() else 0.0
    if not share > 0:
        return ""
    return (
        f"; at {100 * share:.0f} % of the frequencies the beam ends within {STEPS:g} steps of {step:g}° from the axis: "
        "read coarsely there, which is in no uncertainty"
    )


def _of_plane(inputs: MetricInputs, found: Beams, plane: str) -> Iterator[Number]:
    chosen = inputs.options.beam
    beam = found.width.get(plane)
    drop = f"\N{MINUS SIGN}{chosen.drop:g} dB re the axis"
    sides = ("left", "right") if plane == "horizontal" else ("up", "down")
    for band in chosen.bands:
        cover, method = (None, "mean-coverage") if beam is None else _covered(inputs, plane, beam, band)
        note = ""
        if cover is not None and cover.mean_deg is not None:
            note = (
                f"{drop}; {cover.narrowest_deg:.0f}° to {cover.widest_deg:.0f}°; {sides[0]} {cover.positive_deg:.0f}°, "
                f"{sides[1]} {cover.negative_deg:.0f}°"
            )
            if method == "open-coverage":
                note += "; where the level does not fall that far on a side, that side counts up to its last angle"
            note += _coarse(inputs, plane, beam, band)
            if cover.ambiguous_share > 0:
                note += (
                    f"; at {100 * cover.ambiguous_share:.0f} % of the frequencies a lobe lies beyond the first angle"
                )
        yield number(
            inputs,
            method,
            f"beam.{plane}.{band_slug(band)}",
            HEADING,
            f"{plane.capitalize()} coverage, {band_words(band)}",
            None if cover is None else cover.mean_deg,
            "°",
            bound="at least" if method == "open-coverage" else "",
            spread=found.sure.get(f"beam.{plane}.{band_slug(band)}"),
            note=note,
            reason=found.missing.get(plane, "") if cover is None else cover.reason,
            marks=(Mark(f"beam_{plane}", *band),),
        )
    first = first_narrowing(beam, chosen.narrower_than, chosen.narrow_for) if beam is not None else None
    until = "" if first is None or first.until_hz is None else f"; up to {hertz(first.until_hz)} Hz"
    narrow = narrowing_frequency(beam, chosen.narrower_than) if beam is not None else None
    for key, method, title, one, note in (
        ("first_narrows", "first-narrowing", "first narrower than {}° from", first, drop + until),
        ("narrows", "narrowing-frequency", "narrower than {}° for good from", narrow, drop),
    ):
        hz = None if one is None else one.frequency_hz
        note += "" if hz is None else _coarse(inputs, plane, beam, (hz, float(inputs.frequency[-1])))
        yield number(
            inputs,
            method,
            f"beam.{plane}.{key}",
            HEADING,
            f"{plane.capitalize()} beam {title.format(f'{chosen.narrower_than:g}')}",
            hz,
            "Hz",
            spread=found.sure.get(f"beam.{plane}.{key}"),
            note=note,
            reason=found.missing.get(plane, "") if one is None else one.reason,
            marks=() if hz is None else (Mark(f"beam_{plane}", hz, hz),),
        )


def _heights(inputs: MetricInputs, found: Beams) -> Iterator[Number]:
    chosen = inputs.options.listening_height
    level = inputs.orbits.of("vertical")
    window = None if level is None else _window(inputs, inputs.frequency, level)
    note = (
        f"{chosen.measure} deviation from the axis within {chosen.tolerance:g} dB, {band_words(chosen.band)}, "
        f"{chosen.distance:g} m away"
    )
    for side, title in (("up", "Above the reference axis"), ("down", "Below the reference axis")):
        height = None if window is None else getattr(window, f"{side}_m")
        angle = None if window is None else getattr(window, f"{side}_deg")
        reason = "needs the vertical orbit"
        if window is not None:
            own = [one for one in window.reason.split("; ") if one.startswith(f"{side}: ")]
            reason = "; ".join(own) or window.reason
        yield number(
            inputs,
            "listening-height",
            f"listening_height.{side}",
            HEIGHT_HEADING,
            title,
            height,
            "m",
            spread=found.sure.get(f"listening_height.{side}"),
            note=note if angle is None else f"{note}; {angle:.1f}°",
            reason="" if height is not None else reason,
        )


def _index(inputs: MetricInputs, index: str) -> Iterator[Number]:
    band, name = inputs.options.directivity.band, name_of(index)

    def values(one: DirectivityConstancy) -> Mapping[str, float | None]:
        return {
            "mean": one.mean_db,
            "constancy": one.constancy_db,
            "slope": one.trend.slope_db_per_octave,
            "smoothness": one.smoothness_db,
        }

    known: Mapping[str, float | None] = {}
    spreads: Mapping[str, Spread] = {}
    if not (reason := inputs.lacking(index)):
        level = inputs.indices[index]
        one = directivity_constancy(inputs.frequency, level, *band)
        known, reason = values(one), one.reason
        spreads = drawn(
            inputs.errors,
            {index: level},
            lambda errant: values(directivity_constancy(inputs.frequency, errant[index], *band)),
        )
    for key, title, unit in (
        ("mean", "mean", "dB"),
        ("constancy", "standard deviation about the mean (constancy)", "dB"),
        ("slope", "slope", "dB/octave"),
        ("smoothness", "standard deviation about its line (smoothness)", "dB"),
    ):
        yield number(
            inputs,
            "directivity-constancy",
            f"directivity.{index}.{key}",
            INDEX_HEADING,
            f"{name}: {title}",
            known.get(key),
            unit,
            spread=spreads.get(key),
            note=band_words(band),
            reason=reason,
            marks=(Mark(index, *band),),
        )


def _whole(inputs: MetricInputs, found: Beams) -> Iterator[Number]:
    band, sphere = inputs.options.directivity.band, found.sphere
    absent = "needs directions all around the sphere"
    values: dict[str, float | None] = {"index": None, "two_orbit_error": None, "largest_error": None}
    reasons = dict.fromkeys(values, absent)
    note = ""
    if sphere is not None:
        reasons = dict.fromkeys(values, sphere.reason or "the sphere has other frequencies than the curves")
        note = f"{band_words(band)}; harmonics up to order {sphere.order}{_by_solid_angles(inputs, found)}"
        if sphere.index_db is not None:
            part = part_in_band(found.sphere_frequency, sphere.index_db, *band)
            values["index"] = None if part.reason else mean_over_octaves(part.frequency, part.level)
            reasons["index"] = part.reason
        if sphere.two_orbit_error_db is not None:
            part = part_in_band(found.sphere_frequency, sphere.two_orbit_error_db, *band)
            reasons |= dict.fromkeys(("two_orbit_error", "largest_error"), part.reason)
            if not part.reason:
                values["two_orbit_error"] = mean_over_octaves(part.frequency, part.level)
                values["largest_error"] = float(part.level[np.argmax(np.abs(part.level))])
    spreads = _sphere_spreads(inputs, found)
    for key, title in (
        ("index", "True directivity index (re on axis), mean"),
        ("two_orbit_error", "Two-orbit sound power less true power, mean"),
        ("largest_error", "Two-orbit sound power less true power, largest"),
    ):
        yield number(
            inputs,
            "sphere-harmonics",
            f"sphere.{key}",
            SPHERE_HEADING,
            title,
            values[key],
            "dB",
            spread=spreads.get(key),
            note=note,
            reason=reasons[key],
        )


def _by_solid_angles(inputs: MetricInputs, found: Beams) -> str:
    """How far the mean by harmonics lies from that by the solid angles of the directions, in words."""
    other, sphere, band = inputs.curves.get("sphere_power"), found.sphere, inputs.options.directivity.band
    if other is None or sphere is None or sphere.power_db is None or sphere.power_db.shape != other.shape:
        return ""
    apart = part_in_band(inputs.frequency, np.abs(sphere.power_db - other), *band)
    if apart.reason:
        return ""
    return f"; the power by solid angles of the directions lies within {apart.level.max():.2g} dB of that by harmonics"


def _sphere_spreads(inputs: MetricInputs, found: Beams) -> Mapping[str, Spread]:
    """How sure the sphere's numbers are, by what is known of the curves of the same names."""
    band, sphere = inputs.options.directivity.band, found.sphere
    if sphere is None or not np.array_equal(found.sphere_frequency, inputs.frequency):
        return {}
    inside = band_weights(inputs.frequency, *band)
    mean = inside / inside.sum()
    known = {
        "index": linear_spread(inputs.errors, "sphere_index", mean),
        "two_orbit_error": linear_spread(inputs.errors, "two_orbit_error", mean),
    }
    if sphere.two_orbit_error_db is not None:
        size = np.where(inside > 0, np.abs(sphere.two_orbit_error_db), np.nan)
        if np.isfinite(size).any():
            at = np.zeros(mean.size)
            at[np.nanargmax(size)] = 1.0
            known["largest_error"] = linear_spread(inputs.errors, "two_orbit_error", at)
    return known


def directivity(inputs: MetricInputs, found: Beams) -> xr.Dataset | None:
    """The dataset `directivity`: beam width by plane, side and frequency; None where no plane has one."""
    import xarray as xr

    from anechain.data import contract

    if not found.width:
        return None
    planes = list(found.width)
    first, outermost, state = (np.full((len(planes), 2, inputs.frequency.size), np.nan) for _ in range(3))
    for row, beam in enumerate(found.width.values()):
        first[row] = beam.first_positive_deg, beam.first_negative_deg
        outermost[row] = beam.outermost_positive_deg, beam.outermost_negative_deg
        for column, states in enumerate((beam.state_positive, beam.state_negative)):
            state[row, column] = [STATES.index(str(one)) for one in states]
    dims = ("plane", "side", "frequency")
    variables: dict[str, Any] = {
        "first": (dims, first),
        "outermost": (dims, outermost),
        "state": (dims, state.astype(np.int8)),
    }
    known = {"drop": inputs.options.beam.drop}
    if any(np.isfinite(one).any() for one in found.width_spread.values()):
        known["coverage_factor"] = inputs.options.uncertainty.coverage_factor
        variables["first_uncertainty"] = (dims, np.stack([found.width_spread[plane] for plane in planes]))
    sphere = found.sphere
    if sphere is not None and np.array_equal(found.sphere_frequency, inputs.frequency):
        for name, values in (
            ("sphere_power", sphere.power_db),
            ("sphere_index", sphere.index_db),
            ("two_orbit_error", sphere.two_orbit_error_db),
        ):
            if values is not None:
                variables[name] = ("frequency", values)
    curves = inputs.datasets["curves"].attrs
    dataset = xr.Dataset(
        variables,
        coords={
            "plane": ("plane", np.array(planes, dtype=object)),
            "side": ("side", np.array(SIDES, dtype=object)),
            "frequency": inputs.frequency,
        },
        attrs={
            "device": curves["device"],
            "title": curves["title"],
            "level_kind": curves["level_kind"],
            "smoothing": curves["smoothing"],
            **known,
        },
    )
    return contract.describe(dataset, "directivity")

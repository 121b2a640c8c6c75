"""What the numbers of a device are made from: its curves inside the valid band, its directions, and the choices."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.acoustics.curve.curve_parts import hertz
from anechain.acoustics.curve.smoothing import smooth
from anechain.acoustics.directivity.curve_titles import TITLES
from anechain.acoustics.directivity.orbits import by_direction, distinct_directions, fill_orbits
from anechain.acoustics.uncertainty.curve_uncertainty import curve_shares, folded
from anechain.acoustics.uncertainty.drawn_errors import DirectionErrors
from anechain.arrays import Floats
from anechain.campaign.choices import Derivation, DeviceNumbers, Numbers
from anechain.campaign.stated_uncertainty import error_parts
from anechain.data.numbers import Bound, Mark, Number, Spread, shown
from anechain.figure_of_merit import spreads
from anechain.figure_of_merit.spreads import NOT_STATED, OWN_ALONE, Errors
from anechain.methods import methods, versions

if TYPE_CHECKING:
    import xarray as xr

__all__ = [
    "USES",
    "MetricInputs",
    "Orbits",
    "band_slug",
    "band_words",
    "gather",
    "name_of",
    "number",
    "on_curve",
    "slug",
]


USES = (
    "distance-uncertainty",
    "fractional-octave-smoothing",
    "setting-angle-uncertainty",
    "standard-uncertainty-of-limits",
    *spreads.USES,
)
"""Methods that every number may go through."""

UNEVEN = 0.35
"""Share of twice the standard deviation by which an end of the 95 % interval may lie elsewhere and not be told."""

BESIDE = 1.0 / 48.0
"""Octaves that a sample may lie outside the valid band and still count: half of a usual grid's step."""

_MINUS = re.compile(r"(?<![^\s(])-(?=\d)")


@dataclass(frozen=True)
class Orbits:
    """Levels of the measured directions, smoothed as the curves are, NaN outside the valid band.

    Attributes
    ----------
    planes : tuple of str
    angles : numpy.ndarray, shape (m,)
        Degrees.
    level : numpy.ndarray, shape (plane, m, n)
        dB.
    """

    planes: tuple[str, ...]
    angles: Floats
    level: Floats

    def of(self, plane: str) -> Floats | None:
        """Levels of one orbit, shape (m, n); None if it was not measured beyond the directions that both share."""
        if plane not in self.planes:
            return None
        level = self.level[self.planes.index(plane)]
        own = ~np.isin(self.angles, (0.0, 180.0)) & ~np.isnan(level).all(axis=1)
        return level if own.any() else None


@dataclass(frozen=True)
class MetricInputs:
    """Everything that a module of figures of merit may read.

    Attributes
    ----------
    options : Numbers
        The choices of the campaign.
    own : DeviceNumbers
        Choices for this device only.
    datasets : mapping of str to xarray.Dataset
        What the earlier stages made, by the name of the file without its ending; only what is there.
    level_kind : str
        "spl" or "relative".
    frequency : numpy.ndarray, shape (n,)
        Hz, of the curves.
    curves, indices : mapping of str to numpy.ndarray, shape (n,)
        dB; NaN outside the valid band.
    gaps : mapping of str to str
        Why a curve or index is missing.
    orbits : Orbits
        On the same frequencies.
    errors : Errors
        Stated uncertainties of the directions, and of the curves made of them.
    targets : mapping of str to (numpy.ndarray, numpy.ndarray)
        Target curves, Hz and dB, by curve.
    stated : mapping
        The campaign's section `uncertainty` as plain values; empty if nothing is stated.
    smoothing : float or None
        Fraction of an octave that the curves were smoothed over: 20 for 1/20; None for none.
    """

    options: Numbers
    own: DeviceNumbers
    datasets: Mapping[str, xr.Dataset]
    level_kind: str
    frequency: Floats
    curves: Mapping[str, Floats]
    indices: Mapping[str, Floats]
    gaps: Mapping[str, str]
    orbits: Orbits
    errors: Errors
    targets: Mapping[str, tuple[Floats, Floats]]
    stated: Mapping[str, Any]
    smoothing: float | None

    def lacking(self, *names: str) -> str:
        """Why one of some curves or indices cannot be had; empty if all are there."""
        for name in names:
            if name not in self.curves and name not in self.indices:
                return f"{name_of(name)}: {self.gaps.get(name, 'was not derived')}"
        return ""


def gather(
    options: Numbers,
    own: DeviceNumbers,
    datasets: Mapping[str, xr.Dataset],
    derivation: Derivation,
    targets: Mapping[str, tuple[Floats, Floats]] | None = None,
    stated: Mapping[str, Any] | None = None,
) -> MetricInputs:
    """Read what the numbers need out of the datasets of a device.

    Parameters
    ----------
    options, own
        Choices of the campaign and of the device.
    datasets : mapping of str to xarray.Dataset
        "curves" and "responses", and what else there is.
    derivation : Derivation
        How the curves were derived: the directions are smoothed alike.
    targets, stated : mapping, optional
        As in :class:`MetricInputs`.
    """
    curves, responses = datasets["curves"], datasets["responses"]
    frequency = np.asarray(curves["frequency"].values, dtype=np.float64)
    attributes = curves.attrs
    # A band that ends between two samples would lose its last stretch, and with it every number of that band.
    slack = 2.0**BESIDE
    valid = (frequency >= attributes.get("valid_low", 0.0) / slack) & (
        frequency <= attributes.get("valid_high", np.inf) * slack
    )

    def rows(variable: str, dim: str) -> dict[str, Floats]:
        if variable not in curves:
            return {}
        values = np.asarray(curves[variable].transpose(dim, "frequency").values, dtype=np.float64)
        return {str(name): np.where(valid, row, np.nan) for name, row in zip(curves[dim].values, values, strict=True)}

    level = np.asarray(responses["level"].transpose("plane", "angle", "frequency").values, dtype=np.float64)
    grid = np.asarray(responses["frequency"].values, dtype=np.float64)
    if derivation.smoothing:
        level = smooth(grid, level, derivation.smoothing)
    return MetricInputs(
        options=options,
        own=own,
        datasets=datasets,
        level_kind=str(attributes["level_kind"]),
        frequency=frequency,
        curves=rows("level", "curve"),
        indices=rows("directivity_index", "index"),
        gaps=json.loads(str(attributes["gaps"])),
        orbits=Orbits(
            tuple(str(plane) for plane in responses["plane"].values),
            np.asarray(responses["angle"].values, dtype=np.float64),
            np.where(valid, level, np.nan),
        ),
        errors=_errors(options, datasets, derivation, level, stated or {}),
        targets=targets or {},
        stated=stated or {},
        smoothing=derivation.smoothing,
    )


def _errors(
    options: Numbers,
    datasets: Mapping[str, xr.Dataset],
    derivation: Derivation,
    level: Floats,
    stated: Mapping[str, Any],
) -> Errors:
    """What is known of the errors of directions, and by how much each is in each curve.

    `level` has the directions as measured, smoothed as the curves are.
    """
    curves, responses = datasets["curves"], datasets["responses"]
    parts = error_parts(responses, stated, [])
    if parts is None:
        return Errors()
    planes = [str(plane) for plane in responses["plane"].values]
    measured = np.asarray(responses["angle"].values, dtype=np.float64)
    place = distinct_directions(
        np.asarray(responses["level"].transpose("plane", "angle", "frequency").values), measured
    )
    filled, angles = fill_orbits(level, measured)[:2] if derivation.interpolate_angles else (level, measured)
    shares = {
        name: folded(share, angles, measured, place)
        for name, share in curve_shares(
            filled,
            planes,
            angles,
            early_reflections_total=derivation.early_reflections_total,
            rear_wall=derivation.rear_wall,
        ).items()
    }
    own, angle_error = by_direction(parts.own, place), by_direction(parts.angle_error, place)
    # A sphere's own error is that of its mean: one more direction, which no orbit has.
    if "uncertainty_independent" in curves and "sphere_power" in curves["curve"].values:
        mean = np.asarray(curves["uncertainty_independent"].sel(curve="sphere_power").values)[np.newaxis]
        own, angle_error = np.concatenate([own, mean]), np.concatenate([angle_error, np.zeros_like(mean)])
        alone = np.concatenate([np.zeros((len(own) - 1, mean.size)), np.ones_like(mean)])
        nothing = np.zeros_like(mean)
        shares = {name: np.concatenate([share, nothing]) for name, share in shares.items()}
        shares["sphere_power"] = alone
        for name, minuend in (("sphere_index", "on_axis"), ("two_orbit_error", "sound_power")):
            if minuend in shares:
                shares[name] = shares[minuend] - alone
    chosen = options.uncertainty
    return Errors(
        DirectionErrors(
            frequency=np.asarray(curves["frequency"].values, dtype=np.float64),
            broadband_error=np.sqrt(np.maximum(parts.common**2 - parts.microphone**2, 0.0)),
            response=parts.microphone,
            own=own,
            angle_error=angle_error,
            shares=shares,
            place=place,
            own_octaves=chosen.repeatability_octaves,
            response_octaves=chosen.response_octaves,
            draws=chosen.draws,
        ),
        "" if (parts.common > 0).any() else OWN_ALONE,
    )


def number(
    inputs: MetricInputs,
    method: str,
    id: str,
    heading: str,
    title: str,
    value: float | str | None,
    unit: str = "",
    *,
    bound: Bound = "",
    spread: Spread | None = None,
    note: str = "",
    reason: str = "",
    marks: Sequence[Mark] = (),
) -> Number:
    """Make a number with the version, source and standing of its method, and its uncertainty expanded.

    Parameters
    ----------
    inputs : Given
        For the coverage factor.
    method : str
        Id of the method that made it.
    id, heading, title, value, unit, bound, note, reason, marks
        As in :class:`anechain.data.numbers.Number`. A reason beside a value is a doubt about that value, and becomes
        part of
        its note; a bound counts only where there is a value.
    spread : Spread, optional
        How sure it is; without one no uncertainty is stated for what it is read from.
    """
    version = versions([method])[method]
    known = methods()[method][version]
    sure = spread or Spread(None, reason=NOT_STATED)
    factor = inputs.options.uncertainty.coverage_factor
    told = value is not None and sure.standard is not None
    notes = [note]
    if value is not None:
        notes += [reason, sure.note]
        notes.append(_uneven(value, unit, sure, factor))
    return Number(
        id=id,
        heading=heading,
        title=_typeset(title),
        value=value,
        unit=unit,
        bound=bound if value is not None else "",
        uncertainty=factor * sure.standard if told and sure.standard is not None else None,
        coverage_factor=factor if told else None,
        propagation=sure.how if told else "",
        uncertainty_reason=sure.reason if value is not None and not told else "",
        method=method,
        version=version,
        source=known.source,
        source_status=known.source_status,
        note=_typeset("; ".join(filter(None, notes))),
        reason="" if value is not None else _typeset(reason) or "is not determined",
        marks=tuple(marks) if value is not None else (),
    )


def _uneven(value: float | str, unit: str, sure: Spread, factor: float) -> str:
    """The interval of 95 % of the draws in words, where the expanded uncertainty does not tell it; empty if it does."""
    if isinstance(value, str) or sure.standard is None or sure.interval is None:
        return ""
    low, high = sure.interval
    sides = np.array([value - low, high - value]) / (2.0 * sure.standard)
    if (np.abs(sides - 1.0) <= UNEVEN).all():
        return ""
    ends = (shown(end, unit, factor * sure.standard) for end in sure.interval)
    return f"in 95 % of the draws {' to '.join(ends)}{'' if unit in ('', '°') else ' '}{unit}"


def _typeset(words: str) -> str:
    """Words with a minus sign, and no hyphen, before a negative number."""
    return _MINUS.sub("\N{MINUS SIGN}", words)


def slug(value: float) -> str:
    """A number as part of an id: 3 or 2.5 without a point."""
    return f"{value:g}".replace(".", "p").replace("-", "m")


def band_slug(band: tuple[float, float]) -> str:
    """A band as part of an id."""
    return f"{slug(band[0])}_{slug(band[1])}"


def band_words(band: tuple[float, float]) -> str:
    """A band in words."""
    return f"{hertz(band[0])} to {hertz(band[1])} Hz"


def name_of(curve: str) -> str:
    """A curve or index in print."""
    return TITLES.get(curve, curve)


def on_curve(inputs: MetricInputs, curve: str, hz: float | None) -> tuple[Mark, ...]:
    """A point on a curve; none without a frequency."""
    if hz is None:
        return ()
    values: Any = inputs.curves.get(curve, inputs.indices.get(curve))
    from anechain.acoustics.curve.frequencies import resample

    level = float(resample(inputs.frequency, values, hz)[0]) if values is not None else np.nan
    return (Mark(curve, hz, hz, level if np.isfinite(level) else None),)

"""What the campaign states of its uncertainty, and what repeated takes show of it, as errors of each direction."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.directivity.orbits import distinct_directions
from anechain.acoustics.uncertainty.components import (
    Distribution,
    angle_slope,
    distance_component,
    setting_angle_uncertainty,
    standard_of_limits,
)
from anechain.arrays import Floats
from anechain.data.numbers import rounded

if TYPE_CHECKING:
    import xarray as xr

__all__ = [
    "NOT_REPEATED",
    "NOT_STATED",
    "Component",
    "ErrorParts",
    "budget_from_json",
    "budget_to_json",
    "error_parts",
    "impedance_budget",
    "nothing_stated",
    "standard_at",
]


TITLES = {
    "calibration": "calibration",
    "microphone": "microphone's response",
    "gain_and_drive": "level chain",
    "distance": "distance",
    "angle": "setting of the angle",
    "repeatability": "repeatability",
    "impedance": "impedance, modulus",
    "impedance_phase": "impedance, phase",
    "impedance_repeatability": "impedance, repeatability",
}
"""Components by their names in the campaign, and in print."""

NOT_STATED = "not stated"
NOT_REPEATED = "not stated, and no take was repeated"

_IN_DECIBELS = ("calibration", "microphone", "gain_and_drive")
_OF_LEVELS = (*_IN_DECIBELS, "distance", "angle", "repeatability")
_UNITS = {"distance": "m", "angle": "°", "impedance": "%", "impedance_phase": "°", "impedance_repeatability": "%"}
_MIDDLE = (0.05, 0.5, 0.95)
"""Quantiles told of what differs from direction to direction: in a null it is great without meaning anything."""


@dataclass(frozen=True)
class Component:
    """One component of an uncertainty: as it is stated, and as it counts (JCGM 100:2008, 4.2, 4.3 and 7.2.7).

    Attributes
    ----------
    name : str
        As in the campaign's section `uncertainty`.
    unit : str
        Of the statement.
    value : float or list of [float, float] or None
        As stated: one, or pairs of Hz and value; None if repeated takes were evaluated instead, or nothing was.
    kind : str
        "standard", "expanded", "rectangular" or "triangular" as stated; "takes" if repeated takes were evaluated; empty
        if it is not known.
    coverage_factor : float or None
        Of what is stated as expanded.
    source : str
        Where it comes from, as the campaign gives it.
    standard : tuple of float or None
        Standard uncertainty: least, median and greatest over frequency, or over directions and frequencies the
        quantiles of 5, 50 and 95 %; None if it does not count.
    standard_unit : str
        "dB", "%" or "°".
    of_one : float or None
        Of repeated takes: the median of the standard deviation of a single one.
    takes : tuple of int
        Least and greatest number of takes of those directions that were measured; empty if it is not known. What was
        taken once has the spread of one take.
    directions : {"alike", "own", ""}
        Whether one error is in all directions alike or each direction has its own; empty where there are none.
    frequencies : {"one", "response", "own"}
        Whether it is one error at all frequencies, one that varies slowly as a microphone's response does, or each
        frequency's own.
    reason : str
        Why it does not count; empty if it does.
    """

    name: str
    unit: str = "dB"
    value: Any = None
    kind: str = ""
    coverage_factor: float | None = None
    source: str = ""
    standard: tuple[float, float, float] | None = None
    standard_unit: str = "dB"
    of_one: float | None = None
    takes: tuple[int, ...] = ()
    directions: Literal["alike", "own", ""] = ""
    frequencies: Literal["one", "response", "own"] = "one"
    reason: str = ""

    @property
    def words(self) -> str:
        """In a line; empty if it does not count."""
        if self.standard is None:
            return ""
        least, median, greatest = self.standard
        title, unit = TITLES[self.name], self.standard_unit
        known = {"alike": "; alike in all directions", "own": "; each direction's own", "": ""}[self.directions]
        if self.kind == "takes":
            return (
                f"{title}: of the mean of {_count(self.takes)}, {median:.2g} {unit} (median; {self.of_one:.2g} {unit} "
                f"for one take; 95 % of all under {greatest:.2g} {unit}){known or '; not one at all frequencies'}"
            )
        told = f" ({self.source})" if self.source else ""
        if self.name == "angle":
            size = f"{median:.2g} dB (median of all directions and frequencies; 95 % under {greatest:.2g} dB)"
        else:
            size = f"{least:.2g} {unit}" if np.isclose(least, greatest) else f"{least:.2g} to {greatest:.2g} {unit}"
        return f"{title}: standard uncertainty {size}, from {self.kind}{told}{known}"


def _count(takes: Sequence[int]) -> str:
    if not takes:
        return "repeated takes"
    return f"{takes[0]} takes" if takes[0] == takes[-1] else f"{takes[0]} to {takes[-1]} takes"


def budget_to_json(components: Sequence[Component]) -> str:
    """Components as JSON, values to six significant digits."""

    def plain(value: Any) -> Any:
        if isinstance(value, float):
            return rounded(value)
        return [plain(one) for one in value] if isinstance(value, list | tuple) else value

    listed = [{name: plain(value) for name, value in asdict(one).items()} for one in components]
    return json.dumps(listed, sort_keys=True, ensure_ascii=False)


def budget_from_json(text: str) -> tuple[Component, ...]:
    """The components that :func:`budget_to_json` wrote."""

    def restored(one: Mapping[str, Any]) -> Component:
        standard = one["standard"]
        return Component(
            **{
                **one,
                "standard": None if standard is None else tuple(standard),
                "takes": tuple(one["takes"]),
            }
        )

    return tuple(restored(one) for one in json.loads(text))


def nothing_stated() -> tuple[Component, ...]:
    """The components of a level's uncertainty where none is known."""
    return tuple(
        Component(name, _UNITS.get(name, "dB"), reason=NOT_REPEATED if name == "repeatability" else NOT_STATED)
        for name in _OF_LEVELS
    )


def _as_stated(name: str, stated: Mapping[str, Any]) -> dict[str, Any]:
    one = stated[name]
    value = one["value"]
    return {
        "name": name,
        "unit": _UNITS.get(name, "dB"),
        "value": [[float(hz), float(size)] for hz, size in value] if isinstance(value, list | tuple) else float(value),
        "kind": one["kind"],
        "coverage_factor": float(one["coverage_factor"]) if one["kind"] == "expanded" else None,
        "source": one.get("source") or "",
    }


def _over_frequency(standard: Floats) -> tuple[float, float, float]:
    return float(np.min(standard)), float(np.median(standard)), float(np.max(standard))


def _over_all(standard: Floats) -> tuple[float, float, float]:
    known = standard[np.isfinite(standard)]
    if not known.size:
        return 0.0, 0.0, 0.0
    low, middle, high = (float(one) for one in np.quantile(known, _MIDDLE))
    return low, middle, high


@dataclass(frozen=True)
class ErrorParts:
    """Standard uncertainties of the level in each direction.

    Attributes
    ----------
    common : numpy.ndarray, shape (n,)
        dB; alike in all directions.
    microphone : numpy.ndarray, shape (n,)
        dB; the part of that which comes of the microphone's response, and so varies over frequency.
    own : numpy.ndarray, shape (plane, angle, n)
        dB; each capture's own, by its spread from take to take. NaN where a direction was not measured.
    angle_error : numpy.ndarray, shape (plane, angle, n)
        dB; by how much the level changes when the direction is off by the standard uncertainty of its angle, with its
        sign: one error at all frequencies. NaN where a direction was not measured.
    budget : tuple of Component
        What it is made of, and what is not known of it.
    """

    common: Floats
    microphone: Floats
    own: Floats
    angle_error: Floats
    budget: tuple[Component, ...]

    @property
    def apart(self) -> Floats:
        """All that is each direction's own: root of the sum of the squares of both kinds."""
        return np.asarray(np.hypot(self.own, self.angle_error))

    @property
    def said(self) -> list[str]:
        """What it is made of, one line each."""
        return [one.words for one in self.budget if one.words]


def standard_at(stated: Mapping[str, Any], frequency: Floats) -> Floats:
    """Standard uncertainty at each frequency, in the unit it is stated in.

    Parameters
    ----------
    stated : mapping
        One component of the campaign's section `uncertainty`, as plain values.
    frequency : numpy.ndarray, shape (n,)
        Hz.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Read over log frequency between stated pairs, held beyond their ends.
    """
    value = stated["value"]
    if isinstance(value, list | tuple):
        at, values = np.asarray(value, dtype=np.float64).T
        spread = np.interp(np.log(frequency), np.log(at), values)
    else:
        spread = np.full(frequency.size, float(value))
    if stated["kind"] == "standard":
        return np.asarray(spread)
    kind: Distribution = "normal" if stated["kind"] == "expanded" else stated["kind"]
    return np.asarray(spread * standard_of_limits(1.0, kind, stated["coverage_factor"]))


def error_parts(responses: xr.Dataset, stated: Mapping[str, Any], notes: list[str]) -> ErrorParts | None:
    """Uncertainty of every direction, or None where nothing is stated and no take was repeated.

    Parameters
    ----------
    responses : xarray.Dataset
        After the contract `responses`; its `level_std` (and `takes`) where takes were repeated.
    stated : mapping
        The campaign's section `uncertainty` as plain values.
    notes : list of str
        Told what could not be used.
    """
    frequency = np.asarray(responses["frequency"].values)
    level = np.asarray(responses["level"].transpose("plane", "angle", "frequency").values)
    held = np.asarray(responses["measured"].transpose("plane", "angle").values) == 1
    common, own = np.zeros(frequency.size), np.where(held[..., np.newaxis], np.zeros(level.shape), np.nan)
    angle_error = own.copy()
    microphone = np.zeros(frequency.size)
    found = {one.name: one for one in nothing_stated()}
    for name in _IN_DECIBELS:
        if name in stated:
            standard = standard_at(stated[name], frequency)
            common = np.hypot(common, standard)
            microphone = standard if name == "microphone" else microphone
            found[name] = Component(
                **_as_stated(name, stated),
                standard=_over_frequency(standard),
                directions="alike",
                frequencies="response" if name == "microphone" else "one",
            )
    if "distance" in stated:
        distance = responses.attrs.get("measured_distance", responses.attrs.get("distance"))
        if distance is None:
            notes.append("uncertainty of the distance not used: the distance itself is not known")
            found["distance"] = Component(**_as_stated("distance", stated), reason="the distance itself is not known")
        else:
            metres = standard_at(stated["distance"], frequency)
            part = distance_component(float(distance), float(metres.max())).standard_db
            common = np.hypot(common, part)
            found["distance"] = Component(
                **_as_stated("distance", stated), standard=(part, part, part), directions="alike"
            )
    if "angle" in stated:
        degrees = float(standard_at(stated["angle"], frequency).max())
        angle_error += _turned(np.asarray(responses["angle"].values), level, held, degrees, notes)
        found["angle"] = Component(
            **_as_stated("angle", stated), standard=_over_all(np.abs(angle_error)), directions="own"
        )
    spread, found["repeatability"] = _of_repeats(responses, stated, frequency)
    if spread is not None:
        own = np.hypot(own, spread)
    if all(one.standard is None for one in found.values()):
        return None
    return ErrorParts(common, microphone, own, angle_error, tuple(found.values()))


def _turned(angles: Floats, level: Floats, held: NDArray[np.bool_], degrees: float, notes: list[str]) -> Floats:
    """By how much each level that was measured changes when its angle is off, with its sign."""
    part = np.zeros(level.shape)
    for row in range(level.shape[0]):
        known = held[row]
        if known.sum() >= 3:
            size = setting_angle_uncertainty(angles[known], level[row, known], degrees)
            part[row, known] = np.sign(angle_slope(angles[known], level[row, known])) * size
        else:
            notes.append("uncertainty of the angle not used in a plane of fewer than three directions")
    # A level that is missing, or none at all, has no slope, and no share in any mean.
    part = np.where(np.isfinite(part), part, 0.0)
    place = distinct_directions(level, angles)
    for shared in np.flatnonzero(np.bincount(place[place >= 0]) > 1):
        # A direction that is on both orbits can be off along either of them.
        on = place == shared
        part[on] = np.sqrt((part[on] ** 2).sum(axis=0))
    return part


def _of_repeats(responses: xr.Dataset, stated: Mapping[str, Any], frequency: Floats) -> tuple[Floats | None, Component]:
    """Standard uncertainty of the mean of the takes of each direction; of a single take where there is but one."""
    single = standard_at(stated["repeatability"], frequency) if "repeatability" in stated else None
    if "level_std" not in responses or not np.isfinite(responses["level_std"].values).any():
        if single is None:
            return None, Component("repeatability", reason=NOT_REPEATED)
        return single, Component(
            **_as_stated("repeatability", stated),
            standard=_over_frequency(single),
            directions="own",
            frequencies="own",
        )
    spread = np.asarray(responses["level_std"].transpose("plane", "angle", "frequency").values)
    count = np.asarray(responses["takes"].transpose("plane", "angle").values) if "takes" in responses else None
    shared = np.ones(spread.shape[:2]) if count is None else np.maximum(count, 1)
    repeated = np.isfinite(spread)
    # Of all directions together; a frequency at which none was repeated has none.
    squares, counts = np.where(repeated, spread**2, 0.0).sum(axis=(0, 1)), repeated.sum(axis=(0, 1))
    together = np.sqrt(np.divide(squares, counts, out=np.full(counts.shape, np.nan), where=counts > 0))
    pooled = together if single is None else single
    found = np.asarray(np.where(repeated, spread / np.sqrt(shared)[..., np.newaxis], pooled))
    those = np.array([]) if count is None else count[count > 0]
    return found, Component(
        "repeatability",
        kind="takes",
        standard=_over_all(np.where(repeated, found, np.nan)),
        of_one=_over_all(spread)[1],
        takes=(int(those.min()), int(those.max())) if those.size else (),
        directions="own",
        frequencies="own",
    )


def impedance_budget(impedance: xr.Dataset, stated: Mapping[str, Any]) -> tuple[Component, ...]:
    """What the uncertainty of an impedance is made of, and what is not known of it.

    Parameters
    ----------
    impedance : xarray.Dataset
        After the contract `impedance`.
    stated : mapping
        The campaign's section `uncertainty` as plain values.
    """
    return tuple(_of_impedance(impedance, stated))


def _of_impedance(impedance: xr.Dataset, stated: Mapping[str, Any]) -> Iterator[Component]:
    frequency = np.asarray(impedance["frequency"].values)
    for name, needs in (("impedance", "magnitude"), ("impedance_phase", "phase")):
        unit = _UNITS[name]
        if needs not in impedance:
            yield Component(name, unit, standard_unit=unit, reason="the phase was not measured")
        elif name not in stated:
            yield Component(name, unit, standard_unit=unit, reason=NOT_STATED)
        else:
            standard = _over_frequency(standard_at(stated[name], frequency))
            yield Component(**_as_stated(name, stated), standard=standard, standard_unit=unit)
    if "magnitude_std" not in impedance:
        yield Component("impedance_repeatability", "%", standard_unit="%", reason="no take was repeated")
        return
    one = 100 * np.asarray(impedance["magnitude_std"].values) / np.asarray(impedance["magnitude"].values)
    count = np.asarray(impedance["takes"].values) if "takes" in impedance else np.ones(frequency.size)
    counted = count[count > 0]
    yield Component(
        "impedance_repeatability",
        "%",
        kind="takes",
        standard=_over_all(one / np.sqrt(np.maximum(count, 1))),
        standard_unit="%",
        of_one=_over_all(one)[1],
        takes=(int(counted.min()), int(counted.max())) if counted.size else (),
        frequencies="own",
    )

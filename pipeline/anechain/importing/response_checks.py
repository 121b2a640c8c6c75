"""Checks of the responses themselves, whichever importer read them."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from anechain.acoustics.curve.frequencies import band_centres, band_means
from anechain.acoustics.directivity import orbit_checks
from anechain.acoustics.directivity.arrivals import (
    ArrivalFit,
    arrival_from_phase,
    distance_law_error,
    fit_arrivals,
    rotation_error,
    speed_of_sound,
)
from anechain.arrays import Floats
from anechain.data.checks import Check, Series, made, not_made

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["METHODS", "check_responses"]


METHODS = (
    "arrival-from-phase",
    "arrival-round-orbit",
    "band-centres",
    "band-means",
    "distance-law-check",
    "likely-angle",
    "mirror-differences",
    "neighbour-differences",
    "pole-difference",
    "rotation-centre-error",
    "speed-of-sound",
    "swapped-directions",
)
"""Methods that these checks use."""

LOWEST, HIGHEST = 200.0, 12500.0
"""Hz between which directions are compared: below all are alike, above a degree decides; common practice, no source."""
FEWEST_BANDS = 6
NO_ARRIVAL = "the raw exports do not say when the sound arrived"
NO_DELAY = "the phase holds no delay"
UNDELAYED = 0.0005
"""Seconds of delay on the axis under which the delay was taken out of the phase before."""
IN_SIGHT = 110.0
"""Degrees from the axis beyond which a box stands in the way and sound arrives late; common practice, no source."""
ONE_DISTANCE = 0.05
"""Ratio of distances, less one, from which two are two."""


@dataclass(frozen=True)
class _Orbit:
    """Measured directions of one plane, by rising angle."""

    plane: str
    angle: Floats
    bands: Floats
    level: Floats
    arrival: Floats | None

    def named(self, row: int) -> str:
        return f"{self.plane} {self.angle[row]:g}°"


def _orbit(responses: xr.Dataset, plane: str) -> _Orbit:
    one = responses.sel(plane=plane).transpose("angle", "frequency", ...)
    rows = np.asarray(one["measured"].values).astype(bool)
    angle = np.asarray(one["angle"].values, np.float64)
    frequency = np.asarray(one["frequency"].values, np.float64)
    level = np.asarray(one["level"].values, np.float64)
    # An orbit of which only the poles are known, because the other plane has them, is none.
    if not (rows & (angle != 0) & (angle != 180)).any():
        rows[:] = False
    low = max(LOWEST, float(responses.attrs.get("valid_low", 0.0)))
    high = min(HIGHEST, float(responses.attrs.get("valid_high", math.inf)), float(frequency[-1]))
    bands, banded = _bands(frequency, level[rows], low, high)
    arrival = _arrivals(one, frequency)
    return _Orbit(plane, angle[rows], bands, banded, None if arrival is None else arrival[rows])


def _arrivals(responses: xr.Dataset, frequency: Floats) -> Floats | None:
    """Arrivals as they are given or, where the phase holds them, from the phase; (..., angle) as the dataset has it."""
    if "arrival" in responses:
        return np.asarray(responses["arrival"].values, np.float64)
    if "phase" not in responses:
        return None
    phase = np.asarray(responses["phase"].values, np.float64)
    return arrival_from_phase(frequency, phase)


def _bands(frequency: Floats, level: Floats, low: float, high: float) -> tuple[Floats, Floats]:
    """Levels in third-octave bands; of data that are too coarse for them, as they are."""
    bands, banded = np.zeros(0), np.zeros((level.shape[0], 0))
    if low < high:
        bands = band_centres(3, low, high)
        banded = band_means(frequency, level, bands, 3)
    whole = np.isfinite(banded).all(axis=0)
    if whole.sum() < FEWEST_BANDS:
        inside = (frequency >= low * 0.999) & (frequency <= high * 1.001)
        bands, banded = frequency[inside], level[:, inside]
        whole = np.isfinite(banded).all(axis=0)
    return bands[whole], banded[:, whole]


def check_responses(responses: xr.Dataset) -> tuple[Check, ...]:
    """Check the responses of a device.

    Parameters
    ----------
    responses : xarray.Dataset
        After the contract `responses`.

    Returns
    -------
    tuple of Check
        One for each kind of check that responses allow, or the reason why not.
    """
    orbits = [_orbit(responses, str(plane)) for plane in responses["plane"].values]
    whole = [orbit for orbit in orbits if orbit.angle.size]
    return (
        _distance(responses, whole),
        _rotation(responses, whole),
        _drift(whole),
        _mirror(whole),
        *_labels(whole),
        *_poles(responses),
        _repeats(responses),
    )


def _speed(responses: xr.Dataset) -> tuple[float, str]:
    stated = responses.attrs.get("temperature")
    speed = float(speed_of_sound(20.0 if stated is None else float(stated)))
    said = "20 °C taken, no temperature stated" if stated is None else f"{float(stated):g} °C"
    return speed, f"{speed:.1f} m/s at {said}"


def _measured_distance(responses: xr.Dataset) -> float | None:
    value = responses.attrs.get("measured_distance", responses.attrs.get("distance"))
    return None if value is None else float(value)


def _fits(orbits: list[_Orbit]) -> dict[int, ArrivalFit]:
    fits = {}
    for place, orbit in enumerate(orbits):
        if orbit.arrival is not None:
            told = np.isfinite(orbit.arrival)
            try:
                fits[place] = fit_arrivals(orbit.angle[told], orbit.arrival[told])
            except ValueError:
                continue
    return fits


def _distance(responses: xr.Dataset, orbits: list[_Orbit]) -> Check:
    stated = _measured_distance(responses)
    times = [(o.plane, float(o.arrival[o.angle == 0][0])) for o in orbits if o.arrival is not None and 0 in o.angle]
    times = [(plane, time) for plane, time in times if math.isfinite(time)]
    if not times:
        return not_made("distance", NO_ARRIVAL if not any(o.arrival is not None for o in orbits) else "nothing at 0°")
    if "arrival" not in responses and all(time < UNDELAYED for _, time in times):
        return not_made("distance", NO_DELAY)
    if stated is None:
        return not_made("distance", "no distance is stated")
    speed, said = _speed(responses)
    implied = [(f"{plane} 0°", time * speed) for plane, time in times]
    found = ", ".join(f"{place} {metres:.3f} m" for place, metres in implied)
    far = max(implied, key=lambda one: abs(one[1] - stated))[1] / stated - 1
    why = "a delay of the recording chain counts as distance" if far > 0 else "no delay makes sound come sooner"
    return made(
        "distance",
        f"by arrival: {found}; stated {stated:g} m ({far:+.1%}); {said}; {why}",
        [(place, 100 * abs(metres / stated - 1)) for place, metres in implied],
    )


def _rotation(responses: xr.Dataset, orbits: list[_Orbit]) -> Check:
    fits = _fits(orbits)
    if not fits:
        alone = not any(orbit.arrival is not None for orbit in orbits)
        return not_made("rotation-centre", NO_ARRIVAL if alone else "too few directions round an orbit")
    stated = _measured_distance(responses)
    speed, _ = _speed(responses)
    if stated is None and max(fit.mean for fit in fits.values()) < UNDELAYED:
        return not_made("rotation-centre", NO_DELAY)
    values, said = [], []
    for place, fit in fits.items():
        plane = orbits[place].plane
        forward, side = -fit.forward * speed, -fit.leftward * speed
        distance = fit.mean * speed if stated is None else stated
        way = ("left", "right") if plane == "horizontal" else ("up", "down")
        said.append(
            f"{plane}: {abs(forward):.3f} m {'before' if forward >= 0 else 'behind'}, "
            f"{abs(side):.3f} m {way[0] if side >= 0 else way[1]}"
        )
        offset = math.hypot(forward, side)
        error = rotation_error(offset, distance) if offset < distance else math.inf
        values.append((f"{plane} orbit", min(error, 60.0)))
    size = ", ".join(f"{value:.2f} dB" for _, value in values)
    return made(
        "rotation-centre", f"source off the centre of rotation, {'; '.join(said)}: {size} round the orbit", values
    )


def _told(orbit: _Orbit) -> _Orbit:
    """An orbit without the directions whose arrival is not known."""
    told = np.isfinite(orbit.arrival) if orbit.arrival is not None else np.zeros(orbit.angle.size, dtype=bool)
    arrival = None if orbit.arrival is None else orbit.arrival[told]
    return _Orbit(orbit.plane, orbit.angle[told], orbit.bands, orbit.level[told], arrival)


def _drift(orbits: list[_Orbit]) -> Check:
    fits = _fits(orbits)
    if not fits:
        alone = not any(orbit.arrival is not None for orbit in orbits)
        return not_made("arrival-drift", NO_ARRIVAL if alone else "too few directions round an orbit")
    values, said = [], []
    for place, fit in fits.items():
        orbit = _told(orbits[place])
        seen = np.abs(orbit.angle) <= IN_SIGHT
        late = np.where(seen, np.abs(fit.residual), 0.0)
        values += [(orbit.named(int(row)), 1e3 * float(late[row])) for row in np.flatnonzero(seen)]
        worst = int(np.argmax(late))
        scatter = 1e3 * float(np.sqrt(np.mean(fit.residual[seen] ** 2)))
        said.append(
            f"{orbit.plane}: {scatter:.3f} ms r.m.s. from the fit up to {IN_SIGHT:g}°, most at {orbit.angle[worst]:g}° "
            f"({1e3 * fit.residual[worst]:+.3f} ms)"
        )
    first = min(fits)
    orbit, fit = _told(orbits[first]), fits[first]
    arrival = orbit.arrival if orbit.arrival is not None else np.zeros(0)
    series = Series(
        "Angle in degrees",
        "Arrival in ms",
        tuple(orbit.angle.tolist()),
        (
            (f"{orbit.plane} orbit", tuple((1e3 * arrival).tolist())),
            ("fit", tuple((1e3 * fit.fitted).tolist())),
        ),
        points=True,
        limited=False,
    )
    return made("arrival-drift", "; ".join(said), values, series)


def _mirror(orbits: list[_Orbit]) -> Check:
    orbit = next((orbit for orbit in orbits if orbit.plane == "horizontal"), None)
    if orbit is None:
        return not_made("mirror", "no horizontal orbit")
    if orbit.bands.size < FEWEST_BANDS:
        return not_made("mirror", f"fewer than {FEWEST_BANDS} bands between {LOWEST:g} and {HIGHEST:g} Hz")
    angle, difference = orbit_checks.mirror_differences(orbit.angle, orbit.level)
    if not angle.size:
        return not_made("mirror", "no two directions mirror each other")
    by_pair = np.sqrt((difference**2).mean(axis=1))
    by_band = np.sqrt((difference**2).mean(axis=0))
    side = float(np.median(difference))
    worst = int(np.argmax(by_pair))
    found = (
        f"{np.median(by_pair):.2f} dB r.m.s. in the median of {angle.size} pairs, most at ±{angle[worst]:g}° "
        f"({by_pair[worst]:.2f} dB); left above right by {side:+.2f} dB in the median"
    )
    series = Series(
        "Frequency in Hz",
        "Difference in dB",
        tuple(orbit.bands.tolist()),
        (("all angles", tuple(by_band.tolist())),),
        log=True,
    )
    values = [(f"horizontal ±{one:g}°", float(size)) for one, size in zip(angle, by_pair, strict=True)]
    return made("mirror", found, values, series)


def _labels(orbits: list[_Orbit]) -> tuple[Check, Check, Check]:
    """Steps between neighbours, exchanged files, and labels, of all orbits."""
    able = [orbit for orbit in orbits if orbit.bands.size >= FEWEST_BANDS and orbit.angle.size >= 7]
    ids = ("neighbours", "swapped", "label")
    if not able:
        few = "fewer than seven directions on an orbit"
        if any(orbit.angle.size >= 7 for orbit in orbits):
            few = f"fewer than {FEWEST_BANDS} bands between {LOWEST:g} and {HIGHEST:g} Hz"
        steps, swapped, label = (not_made(one, few) for one in ids)
        return steps, swapped, label
    return _neighbours(able), _swapped(able), _label(able)


def _neighbours(orbits: list[_Orbit]) -> Check:
    values: list[tuple[str, float]] = []
    lines: list[tuple[str, tuple[float | None, ...]]] = []
    said = []
    for orbit in orbits:
        median, excess = orbit_checks.neighbour_differences(orbit.angle, orbit.level)
        size = np.abs(excess)
        if not np.isfinite(size).any():
            continue
        # A wrong level shows at its neighbours too: only the greatest of five is named.
        for row in range(size.size):
            around = size[np.arange(row - 2, row + 3) % size.size]
            if np.isfinite(size[row]) and size[row] >= np.nanmax(around):
                values.append((orbit.named(row), float(size[row])))
        worst = int(np.nanargmax(size))
        said.append(f"{orbit.plane}: most at {orbit.angle[worst]:g}° ({median[worst]:+.2f} dB)")
        at = {float(angle): float(one) for angle, one in zip(orbit.angle, size, strict=True)}
        lines.append((orbit.plane, tuple(at.get(angle) for angle in _all_angles(orbits))))
    if not values:
        return not_made("neighbours", "no direction has neighbours within 30°")
    series = Series("Angle in degrees", "Step in dB", tuple(_all_angles(orbits)), tuple(lines))
    return made("neighbours", f"median over bands, {'; '.join(said)}", values, series)


def _all_angles(orbits: list[_Orbit]) -> list[float]:
    return sorted({float(angle) for orbit in orbits for angle in orbit.angle})


def _swapped(orbits: list[_Orbit]) -> Check:
    values, said = [], []
    for orbit in orbits:
        try:
            swap = orbit_checks.best_swap(orbit.angle, orbit.level)
        except ValueError:
            continue
        share = 100 * (1 - swap.after / swap.before) if swap.before > 0 else 0.0
        pair = f"{orbit.plane} {orbit.angle[swap.first]:g}° and {orbit.angle[swap.second]:g}°"
        values.append((pair, max(share, 0.0)))
        said.append(f"exchanging {pair} would take {max(share, 0.0):.0f} % of the roughness away")
    if not values:
        return not_made("swapped", "too few directions with neighbours within 30°")
    return made("swapped", f"at best, {'; '.join(said)}", values)


def _unswapped(orbit: _Orbit) -> Floats:
    """Levels with the two directions exchanged that another check names, so that this one does not name them again."""
    try:
        swap = orbit_checks.best_swap(orbit.angle, orbit.level)
    except ValueError:
        return orbit.level
    level = orbit.level.copy()
    if swap.after < 0.65 * swap.before:
        level[[swap.first, swap.second]] = level[[swap.second, swap.first]]
    return level


CLEARLY, ENOUGH, UNUSUAL = 0.5, 0.25, 2.5
"""Share of the misfit that a better angle leaves at most; dB of misfit, and times the orbit's median misfit, below
which none is looked for; common practice, no source."""
MOST_LABELS = 4


def _label(orbits: list[_Orbit]) -> Check:
    values, said = [], []
    judged = 0
    for orbit in orbits:
        angle, level = orbit.angle, _unswapped(orbit)
        for _ in range(MOST_LABELS):
            found = {}
            for row in range(angle.size):
                try:
                    found[row] = orbit_checks.likely_angle(angle, level, row)
                except ValueError:
                    continue
            if angle.size == orbit.angle.size:
                judged += len(found)
            least = max(ENOUGH, UNUSUAL * float(np.median([one.here for one in found.values()]))) if found else 0.0
            astray = [
                (one.here, row) for row, one in found.items() if one.here > least and one.there < CLEARLY * one.here
            ]
            if not astray:
                break
            # The worst first, and without it again: it spoils what its neighbours are compared with.
            row = max(astray)[1]
            likely, name = found[row], f"{orbit.plane} {angle[row]:g}°"
            values.append((name, abs(float((likely.angle - angle[row] + 180) % 360 - 180))))
            said.append(f"{name} fits at {likely.angle:g}° ({likely.there:.2f} dB off, {likely.here:.2f} dB here)")
            angle, level = np.delete(angle, row), np.delete(level, row, axis=0)
    if not judged:
        return not_made("label", "no direction has neighbours within 30°")
    if not said:
        return made("label", f"none of {judged} directions fits clearly better at another angle")
    return made("label", "; ".join(said), values)


def _poles(responses: xr.Dataset) -> tuple[Check, Check, Check]:
    """Level and arrival where the planes meet, and the distance law between them."""
    ids = ("pole-level", "pole-arrival", "distance-law")
    if responses.sizes["plane"] < 2:
        level, arrival, _ = (not_made(one, "one orbit only") for one in ids)
        return level, arrival, not_made("distance-law", "one distance only")
    takes = _takes_of_poles(responses)
    if not takes:
        level, arrival, _ = (
            not_made(one, "0° and 180° are on one orbit only, or hold the same values on both") for one in ids
        )
        return level, arrival, not_made("distance-law", "one distance only")
    levels: list[tuple[str, float]] = []
    means, times = {}, {}
    for name, take in takes.items():
        rms, means[name] = orbit_checks.pole_difference(take.first, take.second)
        levels.append((name, rms))
        if take.arrivals is not None:
            times[name] = take.arrivals
    found = ", ".join(f"{name}: {rms:.2f} dB r.m.s., {means[name]:+.2f} dB in the mean" for name, rms in levels)
    by_level = made("pole-level", f"horizontal against vertical, {found}", levels)
    if not times:
        return by_level, not_made("pole-arrival", NO_ARRIVAL), not_made("distance-law", "one distance only")
    late = [(name, 1e3 * abs(first - second)) for name, (first, second) in times.items()]
    found = ", ".join(f"{name}: {1e3 * (times[name][0] - times[name][1]):+.3f} ms" for name, _ in late)
    by_arrival = made("pole-arrival", f"horizontal later than vertical by {found}", late)
    return by_level, by_arrival, _distance_law(means, times)


def _distance_law(means: dict[str, float], times: dict[str, tuple[float, float]]) -> Check:
    apart = {name: pair for name, pair in times.items() if min(pair) > 0 and max(pair) / min(pair) > 1 + ONE_DISTANCE}
    if not apart:
        return not_made("distance-law", "one distance only")
    errors = [(name, abs(distance_law_error(means[name], *pair))) for name, pair in apart.items()]
    found = ", ".join(
        f"{name}: {means[name]:+.2f} dB, by the law {20 * math.log10(pair[1] / pair[0]):+.2f} dB"
        for name, pair in apart.items()
    )
    return made("distance-law", f"horizontal above vertical, {found}", errors)


@dataclass(frozen=True)
class _Takes:
    first: Floats
    second: Floats
    arrivals: tuple[float, float] | None


def _takes_of_poles(responses: xr.Dataset) -> dict[str, _Takes]:
    """Both takes of 0 and 180 degrees, where there are two."""
    ordered = responses.transpose("plane", "angle", "frequency", ...)
    angle = np.asarray(ordered["angle"].values, np.float64)
    frequency = np.asarray(ordered["frequency"].values, np.float64)
    low = max(20.0, float(responses.attrs.get("valid_low", 0.0)))
    high = min(20000.0, float(responses.attrs.get("valid_high", math.inf)), float(frequency[-1]))
    found = {}
    for pole in (0.0, 180.0):
        at = np.flatnonzero(angle == pole)
        if not at.size or not np.asarray(ordered["measured"].values)[:, at[0]].all():
            continue
        level = np.asarray(ordered["level"].values, np.float64)[:, at[0]]
        # The importer put one take in both places.
        if np.array_equal(level[0], level[1], equal_nan=True):
            continue
        _, banded = _bands(frequency, level, low, high)
        arrivals, found_at = None, _arrivals(ordered, frequency)
        if found_at is not None:
            first, second = found_at[:2, at[0]]
            arrivals = (float(first), float(second)) if np.isfinite([first, second]).all() else None
        found[f"{pole:g}°"] = _Takes(banded[0], banded[1], arrivals)
    return found


def _repeats(responses: xr.Dataset) -> Check:
    if "level_std" not in responses:
        return not_made("repeats", "one take of each direction")
    ordered = responses.transpose("plane", "angle", "frequency", ...)
    frequency = np.asarray(ordered["frequency"].values, np.float64)
    low = float(responses.attrs.get("valid_low", 0.0))
    high = float(responses.attrs.get("valid_high", math.inf))
    inside = (frequency >= low) & (frequency <= high)
    spread = np.asarray(ordered["level_std"].values, np.float64)[..., inside]
    told = np.isfinite(spread).any(axis=-1)
    if not told.any():
        return not_made("repeats", "one take of each direction")
    values: list[tuple[str, float]] = []
    for plane, row in np.argwhere(told):
        name = f"{ordered['plane'].values[plane]} {float(ordered['angle'].values[row]):g}°"
        values.append((name, float(np.nanmedian(spread[plane, row]))))
    worst = max(values, key=lambda one: one[1])
    middle = _middle(spread[told], np.nanmedian)
    series = Series(
        "Frequency in Hz",
        "Standard deviation in dB",
        tuple(frequency[inside].tolist()),
        (("median of directions", tuple(middle.tolist())),),
        log=True,
    )
    found = f"{len(values)} directions of several takes, most at {worst[0]} ({worst[1]:.2f} dB)"
    return made("repeats", found, values, series)


def _middle(values: Floats, how: Callable[..., Floats]) -> Floats:
    """Median per column, NaN where a column holds nothing."""
    found = np.full(values.shape[1], np.nan)
    some = np.isfinite(values).any(axis=0)
    found[some] = how(values[:, some], axis=0)
    return found

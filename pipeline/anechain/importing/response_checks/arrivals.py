"""Checks of when the sound arrives: distance, centre of rotation, and drift during the measurement."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from anechain.acoustics.directivity import arrivals as arrival_methods
from anechain.data.checks import Check, Series, check_not_possible, check_result
from anechain.importing.response_checks.orbit import NO_ARRIVAL, Orbit

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["check_arrival_drift", "check_distance", "check_rotation_centre"]

NO_DELAY = "the phase contains no delay"
TOO_FEW_DIRECTIONS = "too few directions on an orbit"
MIN_DELAY = 0.0005
"""Seconds of delay on the axis below which the delay has been removed from the phase."""
MAX_ANGLE_IN_SIGHT = 110.0
"""Degrees from the axis beyond which the cabinet is in the way and sound arrives late; common practice, no source."""
MAX_ROTATION_ERROR = 60.0
"""Largest value of the check in dB."""


def _speed_of_sound(responses: xr.Dataset) -> tuple[float, str]:
    """Return the speed of sound in m/s, and a text with the temperature that it holds for."""
    temperature = responses.attrs.get("temperature")
    speed = float(arrival_methods.speed_of_sound(20.0 if temperature is None else float(temperature)))
    condition = "20 °C assumed, no temperature stated" if temperature is None else f"{float(temperature):g} °C"
    return speed, f"{speed:.1f} m/s at {condition}"


def _stated_distance(responses: xr.Dataset) -> float | None:
    value = responses.attrs.get("measured_distance", responses.attrs.get("distance"))
    return None if value is None else float(value)


def _arrival_fits(orbits: list[Orbit]) -> dict[int, arrival_methods.ArrivalFit]:
    """Return the fit of the arrivals of each orbit that has enough of them, by its index."""
    fits = {}
    for index, orbit in enumerate(orbits):
        if orbit.arrival is not None:
            known = np.isfinite(orbit.arrival)
            try:
                fits[index] = arrival_methods.fit_arrivals(orbit.angle[known], orbit.arrival[known])
            except ValueError:
                continue
    return fits


def _reason_without_fit(orbits: list[Orbit]) -> str:
    return TOO_FEW_DIRECTIONS if any(orbit.arrival is not None for orbit in orbits) else NO_ARRIVAL


def check_distance(responses: xr.Dataset, orbits: list[Orbit]) -> Check:
    """Compare the distance that follows from the arrival on the axis with the stated one."""
    stated = _stated_distance(responses)
    times = [
        (orbit.plane, float(orbit.arrival[orbit.angle == 0][0]))
        for orbit in orbits
        if orbit.arrival is not None and 0 in orbit.angle
    ]
    times = [(plane, time) for plane, time in times if math.isfinite(time)]
    if not times:
        has_arrivals = any(orbit.arrival is not None for orbit in orbits)
        return check_not_possible("distance", "no measurement at 0°" if has_arrivals else NO_ARRIVAL)
    if "arrival" not in responses and all(time < MIN_DELAY for _, time in times):
        return check_not_possible("distance", NO_DELAY)
    if stated is None:
        return check_not_possible("distance", "no distance is stated")
    speed, speed_text = _speed_of_sound(responses)
    implied = [(f"{plane} 0°", time * speed) for plane, time in times]
    distances = ", ".join(f"{direction} {metres:.3f} m" for direction, metres in implied)
    deviation = max(implied, key=lambda entry: abs(entry[1] - stated))[1] / stated - 1
    remark = (
        "a delay of the recording chain adds to the distance"
        if deviation > 0
        else "a delay cannot make sound arrive earlier"
    )
    return check_result(
        "distance",
        f"by arrival: {distances}; stated {stated:g} m ({deviation:+.1%}); {speed_text}; {remark}",
        [(direction, 100 * abs(metres / stated - 1)) for direction, metres in implied],
    )


def check_rotation_centre(responses: xr.Dataset, orbits: list[Orbit]) -> Check:
    """Estimate the offset of the source from the centre of rotation, and the change of level that it causes."""
    fits = _arrival_fits(orbits)
    if not fits:
        return check_not_possible("rotation-centre", _reason_without_fit(orbits))
    stated = _stated_distance(responses)
    speed, _ = _speed_of_sound(responses)
    if stated is None and max(fit.mean for fit in fits.values()) < MIN_DELAY:
        return check_not_possible("rotation-centre", NO_DELAY)
    values, texts = [], []
    for index, fit in fits.items():
        plane = orbits[index].plane
        forward, sideways = -fit.forward * speed, -fit.leftward * speed
        distance = fit.mean * speed if stated is None else stated
        sides = ("left", "right") if plane == "horizontal" else ("up", "down")
        texts.append(
            f"{plane}: {abs(forward):.3f} m {'before' if forward >= 0 else 'behind'}, "
            f"{abs(sideways):.3f} m {sides[0] if sideways >= 0 else sides[1]}"
        )
        offset = math.hypot(forward, sideways)
        error = arrival_methods.rotation_error(offset, distance) if offset < distance else math.inf
        values.append((f"{plane} orbit", min(error, MAX_ROTATION_ERROR)))
    errors = ", ".join(f"{value:.2f} dB" for _, value in values)
    return check_result(
        "rotation-centre",
        f"source off the centre of rotation, {'; '.join(texts)}: {errors} round the orbit",
        values,
    )


def check_arrival_drift(orbits: list[Orbit]) -> Check:
    """Compare the arrivals with their fit to a source off the centre of rotation."""
    fits = _arrival_fits(orbits)
    if not fits:
        return check_not_possible("arrival-drift", _reason_without_fit(orbits))
    values, texts = [], []
    for index, fit in fits.items():
        orbit = orbits[index].with_arrival()
        in_sight = np.abs(orbit.angle) <= MAX_ANGLE_IN_SIGHT
        deviation = np.where(in_sight, np.abs(fit.residual), 0.0)
        values += [(orbit.direction_text(int(row)), 1e3 * float(deviation[row])) for row in np.flatnonzero(in_sight)]
        worst = int(np.argmax(deviation))
        rms = 1e3 * float(np.sqrt(np.mean(fit.residual[in_sight] ** 2)))
        texts.append(
            f"{orbit.plane}: {rms:.3f} ms r.m.s. from the fit up to {MAX_ANGLE_IN_SIGHT:g}°, largest at "
            f"{orbit.angle[worst]:g}° ({1e3 * fit.residual[worst]:+.3f} ms)"
        )
    first = min(fits)
    orbit, fit = orbits[first].with_arrival(), fits[first]
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
    return check_result("arrival-drift", "; ".join(texts), values, series)

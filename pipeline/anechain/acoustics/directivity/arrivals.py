"""Arrival times of the sound on an orbit: distance of the microphone, and distance of the source from the centre."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "ArrivalFit",
    "arrival_from_phase",
    "distance_law_error",
    "fit_arrivals",
    "rotation_error",
    "speed_of_sound",
]


@method(
    "speed-of-sound",
    version=1,
    title="Speed of sound in air by its temperature",
    formula="343.2 m/s times sqrt(T / 293.15 K)",
    source="343.2 m/s times the root of the absolute temperature over 293.15 K, as in ISO 9613-1",
    source_status="recalled",
    limitations="Humidity is not included; it adds up to 0.4 per cent at 20 degrees.",
)
def speed_of_sound(temperature: ArrayLike) -> Floats:
    """Return the speed of sound in air.

    Parameters
    ----------
    temperature : array_like
        Degrees Celsius, above absolute zero.

    Returns
    -------
    numpy.ndarray
        m/s.
    """
    return np.asarray(343.2 * np.sqrt((np.asarray(temperature, dtype=np.float64) + 273.15) / 293.15))


@method(
    "arrival-from-phase",
    version=1,
    title="Arrival time of the sound from the phase of a response",
    formula="The delay t at which the magnitude of the sum over frequency of e^(j (phase + 2 pi f t)) is greatest",
    source="delay at which the frequencies from 1 to 16 kHz, with equal weight per Hz, have the largest sum",
    source_status="common practice, no source",
    limitations="The arrival of the energy at high frequencies, not of the first rise; it includes the delay of the "
    "loudspeaker's own phase there. No result where the sum is less than half of the largest possible sum, for "
    "instance behind a cabinet.",
)
def arrival_from_phase(frequency: ArrayLike, phase: ArrayLike, longest: float = 0.06) -> Floats:
    """Return the delay of each response.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending. With equal steps, delays that differ by 1 / step cannot be distinguished.
    phase : array_like, shape (..., n)
        Degrees; a delay makes it fall with frequency.
    longest : float
        Largest delay in seconds; the search starts at -2 ms.

    Returns
    -------
    numpy.ndarray, shape (...)
        Seconds; NaN where there is no clear maximum.
    """
    f, degrees = np.asarray(frequency, np.float64), np.asarray(phase, np.float64)
    inside = (f >= 1000) & (f <= 16000)
    if inside.sum() < 12:
        return np.full(degrees.shape[:-1], np.nan)
    at, weight = f[inside], np.gradient(f[inside])
    steps = np.diff(at)
    # With equal steps, delays that differ by 1 / step cannot be distinguished.
    if steps.max() < 1.5 * steps.min():
        longest = min(longest, 0.9 / float(steps.max()) - 0.002)
    phasor = weight * np.exp(1j * np.deg2rad(degrees[..., inside])).reshape(-1, at.size)
    incomplete = ~np.isfinite(phasor).all(axis=-1)
    phasor[incomplete] = 0
    span = float(at[-1] - at[0])
    delays = np.arange(-0.002, longest, 0.2 / span)
    sums = np.abs(phasor @ np.exp(2j * np.pi * at[:, np.newaxis] * delays))
    best = np.argmax(sums, axis=-1)
    rows = np.arange(best.size)
    inner = np.clip(best, 1, delays.size - 2)
    left, middle, right = (sums[rows, inner + by] for by in (-1, 0, 1))
    # Maximum of the parabola through three samples.
    curvature = np.minimum(left - 2 * middle + right, -1e-300)
    delay = delays[inner] + np.clip(0.5 * (left - right) / curvature, -1, 1) * (0.2 / span)
    delay[incomplete | (sums[rows, best] < 0.5 * weight.sum())] = np.nan
    return np.asarray(delay.reshape(degrees.shape[:-1]))


@dataclass(frozen=True)
class ArrivalFit:
    """Arrival time of the sound round an orbit: mean + forward cos + leftward sin, and the second harmonic.

    Attributes
    ----------
    mean, forward, leftward : float
        Seconds. `forward` is negative for a source in front of the centre of rotation, which is nearer at 0 degrees.
    fitted : numpy.ndarray, shape (angles,)
        Seconds at each angle.
    residual : numpy.ndarray, shape (angles,)
        Seconds by which the sound arrives later than the fit.
    """

    mean: float
    forward: float
    leftward: float
    fitted: Floats
    residual: Floats


@method(
    "arrival-round-orbit",
    version=1,
    title="Arrival time of the sound round an orbit, and distance of the source from the centre of rotation",
    formula="Delay as a mean plus a cosine and a sine of the angle and of twice the angle, by least squares; distance "
    "of the source from the centre = amplitude of the first pair times the speed of sound",
    source="least squares of 1, cos, sin and their second harmonics; directions with more than four times the scatter "
    "are left out",
    source_status="common practice, no source",
    limitations="Where the cabinet is between source and microphone, sound travels around it and arrives later: the "
    "source then seems to be further in front.",
)
def fit_arrivals(angle: ArrayLike, arrival: ArrayLike) -> ArrivalFit:
    """Fit arrival times round an orbit.

    Parameters
    ----------
    angle : array_like, shape (n,)
        Degrees; at least seven different ones, over more than half the orbit.
    arrival : array_like, shape (n,)
        Seconds.

    Returns
    -------
    ArrivalFit

    Raises
    ------
    ValueError
        If there are too few directions.
    """
    at, time = np.deg2rad(np.asarray(angle, np.float64)), np.asarray(arrival, dtype=np.float64)
    terms = np.stack([np.ones(at.size), np.cos(at), np.sin(at), np.cos(2 * at), np.sin(2 * at)], axis=1)
    if at.size < 7 or np.linalg.cond(terms) > 30:
        raise ValueError("too few directions round the orbit")
    # Repeat the fit without outliers until the set of directions does not change.
    kept = np.ones(at.size, dtype=bool)
    coefficients = np.linalg.lstsq(terms, time, rcond=None)[0]
    for _ in range(10):
        residual = time - terms @ coefficients
        scatter = 1.4826 * float(np.median(np.abs(residual)))
        close = np.abs(residual) <= max(4 * scatter, 1e-5)
        if np.array_equal(close, kept) or close.sum() < 7 or np.linalg.cond(terms[close]) > 30:
            break
        kept = close
        coefficients = np.linalg.lstsq(terms[kept], time[kept], rcond=None)[0]
    mean, forward, leftward = (float(value) for value in coefficients[:3])
    fitted = terms @ coefficients
    return ArrivalFit(mean, forward, leftward, fitted, time - fitted)


@method(
    "rotation-centre-error",
    version=1,
    title="Change of level round the orbit of a source that is not at the centre of rotation",
    formula="20 lg((d + r) / (d - r)), with the distance r of the source from the centre of rotation",
    source="inverse distance law between the nearest and the farthest direction: 20 lg ((d + r) / (d - r))",
    limitations="For a point source; the directivity of the loudspeaker adds to it.",
)
def rotation_error(offset: float, distance: float) -> float:
    """Return the level in the nearest direction re the farthest direction.

    Parameters
    ----------
    offset, distance : float
        Distance in m from the centre of rotation to the source, and to the microphone.

    Returns
    -------
    float
        dB.

    Raises
    ------
    ValueError
        If the source is not inside the orbit.
    """
    if not 0 <= offset < distance:
        raise ValueError(f"the source must be inside the orbit, not {offset:g} m off the centre of {distance:g} m")
    return 20 * math.log10((distance + offset) / (distance - offset))


@method(
    "distance-law-check",
    version=1,
    title="Level difference between two distances, compared with the inverse distance law",
    formula="Level difference minus 20 lg of the ratio of the distances",
    source="20 lg of the ratio of distances, in the free far field",
    limitations="The law does not hold near the loudspeaker or in a room.",
)
def distance_law_error(difference: float, first: float, second: float) -> float:
    """Return the difference of two levels minus the difference that the inverse distance law predicts.

    Parameters
    ----------
    difference : float
        First level minus second level in dB.
    first, second : float
        Distances in m, or arrival times in seconds.

    Returns
    -------
    float
        dB.

    Raises
    ------
    ValueError
        If a distance is not above zero.
    """
    if not (first > 0 and second > 0):
        raise ValueError(f"distances must be above zero, not {first:g} and {second:g}")
    return difference - 20 * math.log10(second / first)

"""Arrival of the sound round an orbit: distance of the microphone, and distance of the source from the centre."""

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
    limitations="Dry or moist alike: humidity adds up to 0.4 per cent at 20 degrees.",
)
def speed_of_sound(temperature: ArrayLike) -> Floats:
    """Speed of sound in m/s.

    Parameters
    ----------
    temperature : array_like
        Degrees Celsius, above absolute zero.
    """
    return np.asarray(343.2 * np.sqrt((np.asarray(temperature, dtype=np.float64) + 273.15) / 293.15))


@method(
    "arrival-from-phase",
    version=1,
    title="Arrival of the sound from the phase of a response",
    formula="The delay t at which the magnitude of the sum over frequency of e^(j (phase + 2 pi f t)) is greatest",
    source="delay at which all frequencies of the band from 1 to 16 kHz add up best, each with the same weight per Hz",
    source_status="common practice, no source",
    limitations="The arrival of the treble's energy, not of its first rise; late by what the treble's own phase "
    "delays. Where less than half of the band adds up, as behind a box, nothing is told.",
)
def arrival_from_phase(frequency: ArrayLike, phase: ArrayLike, longest: float = 0.06) -> Floats:
    """Delay of each response.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending; on a grid in equal steps, the delay is known but for multiples of one over the step.
    phase : array_like, shape (..., n)
        Degrees; falls with frequency where the sound comes late.
    longest : float
        Seconds up to which delays are looked for, from 2 ms before zero on.

    Returns
    -------
    numpy.ndarray, shape (...)
        Seconds; NaN where nothing is told.
    """
    f, turned = np.asarray(frequency, np.float64), np.asarray(phase, np.float64)
    inside = (f >= 1000) & (f <= 16000)
    if inside.sum() < 12:
        return np.full(turned.shape[:-1], np.nan)
    at, weight = f[inside], np.gradient(f[inside])
    steps = np.diff(at)
    # Equal steps cannot tell a delay from the same and one over the step.
    if steps.max() < 1.5 * steps.min():
        longest = min(longest, 0.9 / float(steps.max()) - 0.002)
    phasor = weight * np.exp(1j * np.deg2rad(turned[..., inside])).reshape(-1, at.size)
    lost = ~np.isfinite(phasor).all(axis=-1)
    phasor[lost] = 0
    span = float(at[-1] - at[0])
    delays = np.arange(-0.002, longest, 0.2 / span)
    sums = np.abs(phasor @ np.exp(2j * np.pi * at[:, np.newaxis] * delays))
    best = np.argmax(sums, axis=-1)
    rows = np.arange(best.size)
    inner = np.clip(best, 1, delays.size - 2)
    left, middle, right = (sums[rows, inner + by] for by in (-1, 0, 1))
    bend = np.minimum(left - 2 * middle + right, -1e-300)
    found = delays[inner] + np.clip(0.5 * (left - right) / bend, -1, 1) * (0.2 / span)
    found[lost | (sums[rows, best] < 0.5 * weight.sum())] = np.nan
    return np.asarray(found.reshape(turned.shape[:-1]))


@dataclass(frozen=True)
class ArrivalFit:
    """Arrival of the sound round an orbit: mean + forward cos + leftward sin, and the second harmonic.

    Attributes
    ----------
    mean, forward, leftward : float
        Seconds. A source before the centre of rotation has a `forward` below zero: it comes nearer at 0 degrees.
    fitted : numpy.ndarray, shape (angles,)
        Seconds at each angle.
    residual : numpy.ndarray, shape (angles,)
        Seconds by which the sound arrives later than fitted.
    """

    mean: float
    forward: float
    leftward: float
    fitted: Floats
    residual: Floats


@method(
    "arrival-round-orbit",
    version=1,
    title="Arrival of the sound round an orbit, and how far the source lies from the centre of rotation",
    formula="Delay as a mean plus a cosine and a sine of the angle and of twice the angle, by least squares; distance "
    "of the source from the centre = amplitude of the first pair times the speed of sound",
    source="least squares of 1, cos, sin and their second harmonics; directions beyond four times the scatter left out",
    source_status="common practice, no source",
    limitations="Where the box stands between source and microphone the sound goes round it, and arrives later: some "
    "of that counts as a source farther forward.",
)
def fit_arrivals(angle: ArrayLike, arrival: ArrayLike) -> ArrivalFit:
    """Fit arrivals round an orbit.

    Parameters
    ----------
    angle : array_like, shape (n,)
        Degrees; at least seven that differ, over more than half the orbit.
    arrival : array_like, shape (n,)
        Seconds.

    Raises
    ------
    ValueError
        If there are too few directions.
    """
    at, time = np.deg2rad(np.asarray(angle, np.float64)), np.asarray(arrival, dtype=np.float64)
    terms = np.stack([np.ones(at.size), np.cos(at), np.sin(at), np.cos(2 * at), np.sin(2 * at)], axis=1)
    if at.size < 7 or np.linalg.cond(terms) > 30:
        raise ValueError("too few directions round the orbit")
    # Half of the directions at first, the most alike ones; then all that agree with them.
    kept = np.ones(at.size, dtype=bool)
    found = np.linalg.lstsq(terms, time, rcond=None)[0]
    for _ in range(10):
        residual = time - terms @ found
        scatter = 1.4826 * float(np.median(np.abs(residual)))
        again = np.abs(residual) <= max(4 * scatter, 1e-5)
        if np.array_equal(again, kept) or again.sum() < 7 or np.linalg.cond(terms[again]) > 30:
            break
        kept = again
        found = np.linalg.lstsq(terms[kept], time[kept], rcond=None)[0]
    fitted = terms @ found
    return ArrivalFit(float(found[0]), float(found[1]), float(found[2]), fitted, time - fitted)


@method(
    "rotation-centre-error",
    version=1,
    title="Change of level round the orbit that a source off the centre of rotation causes",
    formula="20 lg((d + r) / (d - r)), r being the distance of the source from the centre of rotation",
    source="inverse distance law between the nearest and the farthest direction: 20 lg ((d + r) / (d - r))",
    limitations="A point source; the loudspeaker's own directivity comes on top.",
)
def rotation_error(offset: float, distance: float) -> float:
    """Level in dB by which the nearest direction is too loud re the farthest.

    Parameters
    ----------
    offset, distance : float
        Metres from the centre of rotation to the source, and to the microphone.

    Raises
    ------
    ValueError
        If the source does not lie inside the orbit.
    """
    if not 0 <= offset < distance:
        raise ValueError(f"a source {offset:g} m off the centre of an orbit of {distance:g} m")
    return 20 * math.log10((distance + offset) / (distance - offset))


@method(
    "distance-law-check",
    version=1,
    title="Level difference between two distances against the inverse distance law",
    formula="Level difference less 20 lg of the ratio of the distances",
    source="20 lg of the ratio of distances, in the free far field",
    limitations="Near the loudspeaker, or in a room, the law does not hold.",
)
def distance_law_error(difference: float, first: float, second: float) -> float:
    """Level in dB by which the first is louder than the law lets one expect from the second.

    Parameters
    ----------
    difference : float
        dB, the first less the second.
    first, second : float
        Metres, or seconds of arrival.

    Raises
    ------
    ValueError
        If a distance is not above zero.
    """
    if not (first > 0 and second > 0):
        raise ValueError(f"distances of {first:g} and {second:g}")
    return difference - 20 * math.log10(second / first)

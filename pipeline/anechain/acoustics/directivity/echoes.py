"""Echoes of a delay that is the same in all directions: an object of the set-up that reflects sound to the microphone.

While the loudspeaker turns, the paths by way of a boom, a stand or the floor keep their length. The paths by way of
the loudspeaker's own edges do not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.echo_ripple import (
    MIN_PERIODS,
    Ripple,
    fitted_ripple,
    power_cepstrum,
    refined_delay,
    ripple_of_delay,
    with_order,
)
from anechain.acoustics.curve.frequencies import check_grid
from anechain.acoustics.directivity.directions import wrap_angle
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["Echo", "find_echoes", "without_echoes"]

LONGEST_S = 0.012
"""Longest delay that is searched, seconds."""

MAX_ECHOES = 3
"""Most echoes that are searched."""

FRONT = 60.0
"""Degrees from the axis within which directions are searched."""

MIN_EXPLAINED = 0.35
"""Share of the variance about the background that the ripple of an echo explains at least."""

MIN_OVER_MEDIAN = 10.0
"""Factor by which this share is above the median of all delays at least."""

MIN_RIPPLE_DB = 0.15
"""dB; smallest root mean square of a ripple, times the root of two."""

MIN_SECTION_SHARE = 0.3
"""Share of the variance of a section of the band that the ripple explains at least."""

MIN_SECTIONS = 2 / 3
"""Share of the sections of the band in which it does."""

MIN_DIRECTIONS = 0.75
"""Share of the front directions of each orbit that have the ripple."""

SAME_STRENGTH = 0.25
"""Relative standard deviation of the strength over the front directions up to which an echo is alike in all."""


@dataclass(frozen=True)
class Echo:
    """An echo of the same delay in all directions.

    Attributes
    ----------
    delay_s : float
        Seconds after the direct sound.
    path_m : float
        Metres by which its path is longer than that of the direct sound.
    spacing_hz : float
        Distance of the peaks in Hz.
    level_db : float
        Level re the direct sound, median over the front directions and the band.
    ripple_db : float
        Height of the highest peak or dip that it causes in the mean of the front directions, dB.
    low_hz, high_hz : float
        Band in which the ripple can be seen.
    periods : float
        Periods of the ripple in that band.
    share_by_plane : dict of str to (int, int)
        By orbit: number of directions within 60 degrees that have it, and of those examined.
    alike : bool
        Whether it is as strong in all directions.
    explained : float
        Height of the peak in the power cepstrum of the mean of the front directions: share of the variance explained.
    weight : numpy.ndarray, shape (n,)
        See :class:`anechain.acoustics.curve.echo_ripple.Ripple`.
    trust : numpy.ndarray, shape (n,)
        See :func:`anechain.acoustics.curve.echo_ripple.trusted_samples`.
    order : int
        See :class:`anechain.acoustics.curve.echo_ripple.Ripple`.
    """

    delay_s: float
    path_m: float
    spacing_hz: float
    level_db: float
    ripple_db: float
    low_hz: float
    high_hz: float
    periods: float
    share_by_plane: dict[str, tuple[int, int]]
    alike: bool
    explained: float
    weight: Floats
    trust: Floats
    order: int


@method(
    "echoes",
    version=1,
    title="Echoes of the same delay in all directions, from levels",
    formula="Peak of the power cepstrum of the mean level within 60 degrees; the ripple of that delay is in two thirds "
    "of the sections of the band, and with the same phase in three quarters of the directions on each orbit",
    source="an object at rest reflects with the same delay while the loudspeaker turns; the paths by way of the "
    "loudspeaker's own edges change with the angle",
    source_status="common practice, no source",
    limitations="Needs four periods of the ripple in the band, that is a path of about 0.1 m. A reflection inside the "
    "loudspeaker that all directions have looks alike. The limits are our own.",
)
def find_echoes(
    frequency: ArrayLike,
    level: ArrayLike,
    planes: Sequence[str],
    angles: ArrayLike,
    low_hz: float = 100.0,
    high_hz: float = 16000.0,
    smoothing: float | None = None,
    speed: float = 343.2,
) -> tuple[Echo, ...]:
    """Find the echoes that all directions have after the same delay.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    level : array_like, shape (plane, angle, n)
        dB; directions with NaN in the band are left out.
    planes : sequence of str
    angles : array_like
        Degrees.
    low_hz, high_hz : float
        Band in Hz.
    smoothing : float, optional
        Windows per octave of the smoothing of the levels.
    speed : float
        Speed of sound, m/s.

    Returns
    -------
    tuple of Echo
        The strongest first; empty if both orbits are not there.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero or the shapes disagree.
    """
    grid, array = check_grid(frequency), np.asarray(level, dtype=np.float64)
    degrees = np.atleast_1d(wrap_angle(angles))
    if array.shape != (len(planes), degrees.size, grid.size):
        raise ValueError(f"{len(planes)} planes and {degrees.size} angles for levels of shape {array.shape}")
    inside = (grid >= low_hz) & (grid <= high_hz)
    front = np.abs(degrees) <= FRONT + 0.01
    orbits = {}
    for plane, orbit in zip(planes, array[:, front][..., inside], strict=True):
        complete = orbit[np.isfinite(orbit).all(axis=1)]
        if len(complete) >= 3:
            orbits[plane] = complete
    if len(orbits) < 2 or inside.sum() < 48:
        return ()
    band = grid[inside]
    echoes: list[Echo] = []
    rest = dict(orbits)
    for _ in range(MAX_ECHOES):
        echo, ripples = _strongest_echo(band, rest, smoothing, speed, [known.delay_s for known in echoes])
        if echo is None:
            break
        weight = np.zeros(grid.size)
        trust = np.zeros(grid.size)
        weight[inside], trust[inside] = echo.weight, echo.trust
        echoes.append(replace(echo, weight=weight, trust=trust))
        rest = {plane: rest[plane] - ripples[plane] for plane in rest}
    return tuple(echoes)


def _strongest_echo(
    band: Floats, orbits: dict[str, Floats], smoothing: float | None, speed: float, found_s: Sequence[float]
) -> tuple[Echo | None, dict[str, Floats]]:
    mean = np.mean([orbit.mean(axis=0) for orbit in orbits.values()], axis=0)
    span = float(band[-1] - band[0])
    delays = np.arange(MIN_PERIODS / span, LONGEST_S, 0.2 / span)
    cepstrum = power_cepstrum(band, mean, delays, smoothing)
    median = float(np.median(cepstrum))
    tops = np.flatnonzero((cepstrum[1:-1] >= cepstrum[:-2]) & (cepstrum[1:-1] > cepstrum[2:])) + 1
    # What the fit of an echo leaves has nearly its delay.
    apart = [top for top in tops if all(abs(delays[top] - known) > 2 / span for known in found_s)]
    for top in sorted(apart, key=lambda row: -cepstrum[row])[:3]:
        if cepstrum[top] < max(MIN_EXPLAINED, MIN_OVER_MEDIAN * median):
            break
        found, ripples = _echo_at(band, orbits, mean, float(delays[top]), 0.2 / span, smoothing, speed)
        if found is not None:
            return found, ripples
    return None, {}


def _echo_at(
    band: Floats,
    orbits: dict[str, Floats],
    mean: Floats,
    delay: float,
    step: float,
    smoothing: float | None,
    speed: float,
) -> tuple[Echo | None, dict[str, Floats]]:
    ripple = Ripple(delay, ripple_of_delay(band, delay, smoothing))
    if not ripple.weight.any():
        return None, {}
    # Peaks and dips beside the ripple move the delay a little: twice, with less weight on them.
    for width in (1.0, 0.25):
        ripple, trust = with_order(band, mean, ripple)
        near = delay + width * step * np.linspace(-1, 1, 17)
        delay = refined_delay(band, mean, near, smoothing, trust, ripple.order)
        ripple = Ripple(delay, ripple_of_delay(band, delay, smoothing))
    ripple, trust = with_order(band, mean, ripple)
    seen = np.flatnonzero(ripple.weight)
    if not seen.size:
        return None, {}
    low, high = max(float(band[seen[0]]), 0.25 / delay), float(band[seen[-1]])
    periods = (high - low) * delay
    ripple_db, gain = (values[0] for values in fitted_ripple(band, mean, ripple, trust))
    if smoothing is None and seen[-1] < band.size - 12:
        # Point samples have the ripple where they are too far apart to show it as well, unless they are means.
        whole = replace(ripple, weight=ripple_of_delay(band, delay, None, max_step=np.inf))
        further = slice(int(seen[-1]) + 1, None)
        predicted, gains = (values[0] for values in fitted_ripple(band, mean, whole, trust))
        before = _without_parabola(band[further], mean[further])
        after = _without_parabola(band[further], (mean - predicted)[further])
        if float((after**2).sum()) <= (1 - MIN_SECTION_SHARE) * float((before**2).sum()):
            ripple, ripple_db, gain = whole, predicted, gains
    part = (band >= low) & (band <= high)
    if periods < MIN_PERIODS or np.sqrt(2) * float(ripple_db[part].std()) < MIN_RIPPLE_DB:
        return None, {}
    if not _is_even(band, mean, ripple_db, delay, low, high):
        return None, {}
    shares, strengths, ripples = {}, [], {}
    for plane, orbit in orbits.items():
        ripples[plane], gains = fitted_ripple(band, orbit, ripple, trust)
        weight = np.where(part, ripple.weight * np.abs(gain) ** 2, 0.0)
        # Strength and phase of the echo in each direction re its mean.
        relative = (gains * np.conj(gain) * np.where(part, ripple.weight, 0.0)).sum(axis=1) / weight.sum()
        has = (relative.real >= 0.3) & (np.abs(relative.imag) <= 0.5 * np.abs(relative.real))
        shares[plane] = int(has.sum()), int(has.size)
        strengths.append(np.abs(relative))
    if any(has < MIN_DIRECTIONS * looked for has, looked in shares.values()):
        return None, {}
    strength = np.concatenate(strengths)
    level = 20 * np.log10(max(float(np.median(np.abs(gain[part]))) * float(np.median(strength)), 1e-6))
    found = Echo(
        delay_s=delay,
        path_m=delay * speed,
        spacing_hz=1 / delay,
        level_db=level,
        ripple_db=float(np.abs(ripple_db[part]).max()),
        low_hz=low,
        high_hz=high,
        periods=periods,
        share_by_plane=shares,
        alike=bool(strength.std() <= SAME_STRENGTH * strength.mean()),
        explained=float(power_cepstrum(band, mean, [delay], smoothing)[0]),
        weight=ripple.weight,
        trust=trust,
        order=ripple.order,
    )
    return found, ripples


def _is_even(band: Floats, mean: Floats, ripple_db: Floats, delay: float, low: float, high: float) -> bool:
    """Return whether a ripple is in most sections of its band, each of two periods and half an octave at least."""
    edges = [low]
    while edges[-1] < high:
        edges.append(max(edges[-1] + 2 / delay, edges[-1] * 2**0.5))
    if len(edges) > 2 and edges[-1] > high * 1.05:
        edges.pop()
    edges[-1] = high
    good, count = 0, 0
    for start, end in pairwise(edges):
        part = (band >= start) & (band <= end)
        if part.sum() < 8:
            continue
        level, own = (_without_parabola(band[part], values[part]) for values in (mean, ripple_db))
        count += 1
        good += int(((level - own) ** 2).sum() <= (1 - MIN_SECTION_SHARE) * (level**2).sum())
    return count >= 2 and good >= MIN_SECTIONS * count


def _without_parabola(frequency: Floats, level: Floats) -> Floats:
    """Return a level minus the background of a section of the band: a parabola over log frequency."""
    basis = np.linalg.qr(np.vander(np.log2(frequency) - np.log2(frequency).mean(), 3))[0]
    return np.asarray(level - basis @ (basis.T @ level))


def without_echoes(frequency: ArrayLike, levels: ArrayLike, echoes: Sequence[Echo]) -> Floats:
    """Subtract the ripples of echoes from curves, each as strong as it is there.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    levels : array_like, shape (..., n)
        dB; NaN stays NaN.
    echoes : sequence of Echo
        As found on the same frequencies.

    Returns
    -------
    numpy.ndarray, shape (..., n)
        dB.
    """
    grid, array = check_grid(frequency), np.array(levels, dtype=np.float64)
    if not echoes:
        return array
    rows = array.reshape(-1, grid.size)
    for echo in echoes:
        seen = np.flatnonzero(echo.weight)
        part = slice(int(seen[0]), int(seen[-1]) + 1)
        ripple = Ripple(echo.delay_s, echo.weight[part], echo.order)
        rows[:, part] -= fitted_ripple(grid[part], rows[:, part], ripple, echo.trust[part])[0]
    return rows.reshape(array.shape)

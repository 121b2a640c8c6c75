"""Impulse response and step response of a complex response that is known in a band."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import check_levels
from anechain.acoustics.phase.minimum_phase import EdgeSlopes, edge_slopes, minimum_phase, phase_of_slope_beyond
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["ImpulseResponse", "impulse_response"]

_PERIODS, _SHORTEST = 8.0, 0.4
"""Periods of the lowest frequency in the record, and its shortest length in seconds, so that nothing of its end reaches
its start."""
_OVERSAMPLING = 8.0
"""Sampling rate re the highest frequency."""


_FITTED_RATIO = 4.0
"""Frequencies up to this ratio to the lowest one tell the slope below."""
_STEEPEST = 36.0
"""dB per octave; steepest slope below the band."""


@dataclass(frozen=True)
class ImpulseResponse:
    """Impulse and step response.

    Attributes
    ----------
    time : numpy.ndarray, shape (n,)
        Seconds after the arrival of the highest frequencies.
    impulse, step : numpy.ndarray, shape (n,)
        Re the greatest magnitude of each: from -1 to 1.
    """

    time: Floats
    impulse: Floats
    step: Floats


@method(
    "impulse-response",
    version=1,
    title="Impulse and step response of a band-limited response",
    formula="Inverse Fourier transform of the level with the sum of its minimum phase and the excess phase; the step "
    "response is its integral over time",
    source="inverse Fourier transform; below the band the level goes on with the slope that the phase of the two "
    "lowest octaves asks for, above it with its slope there; the excess phase goes to a multiple of 180 degrees at "
    "zero frequency; the level fades out within half an octave above the band (squared cosine)",
    source_status="common practice, no source",
    limitations="What is below the band is estimated: from 200 Hz upwards, the step response of a box at 40 Hz is "
    "right to 17 % of its peak up to 2 ms. The upper end of the band rings by itself, before the arrival too.",
)
def impulse_response(
    frequency: ArrayLike,
    level: ArrayLike,
    excess: ArrayLike,
    slopes: EdgeSlopes | None = None,
    before: float = 0.0005,
    after: float = 0.005,
) -> ImpulseResponse:
    """Return impulse and step response about the arrival.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending, two or more.
    level : array_like, shape (n,)
        dB, without NaN.
    excess : array_like, shape (n,)
        Excess phase in degrees, not wrapped, without the delay.
    slopes : EdgeSlopes, optional
        Continuation of the level beyond its ends; by default that of
        :func:`anechain.acoustics.phase.minimum_phase.edge_slopes`.
    before, after : float
        Seconds before and after the arrival.

    Returns
    -------
    ImpulseResponse

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree, or a level is not finite.
    """
    import scipy.fft

    f, db = check_levels(frequency, level)
    _, degrees = check_levels(frequency, excess)
    beyond, degrees = _slopes_by_phase(f, degrees, edge_slopes(f, db) if slopes is None else slopes)
    low, high = float(f[0]), float(f[-1])
    rate = _OVERSAMPLING * high
    samples = int(scipy.fft.next_fast_len(int(np.ceil(rate * max(_PERIODS / low, _SHORTEST))), real=True))
    at = np.asarray(scipy.fft.rfftfreq(samples, 1 / rate))
    outside = np.log2(np.array([at[1] / low, 2.0]))
    ends = db[0] + beyond.low * outside[0], db[-1] + beyond.high * outside[1]
    wider, continued = np.r_[at[1], f, 2.0 * high], np.r_[ends[0], db, ends[1]]
    # Denser where the phase bends but the level is straight.
    dense = np.unique(np.r_[f, np.geomspace(wider[0], low, 60), np.geomspace(high, wider[-1], 30)])
    dense_level = np.interp(np.log(dense), np.log(wider), continued)
    turned = minimum_phase(dense, dense_level, beyond) + np.interp(dense, f, degrees)
    # Below the band the excess phase goes on as that of an all-pass: straight to a multiple of 180 degrees at zero.
    limit = _limit(degrees)
    turned += np.where(dense < low, (limit - degrees[0]) * (1 - dense / low), 0.0)
    used = at[1:]
    fade = np.cos(np.pi / 2 * np.clip(2 * np.log2(used / high), 0.0, 1.0)) ** 2
    amplitude = fade * 10 ** ((np.interp(np.log(used), np.log(wider), continued) - db.max()) / 20)
    spectrum = amplitude * np.exp(1j * np.deg2rad(np.interp(used, dense, turned)))
    # A flat level goes on to zero frequency, and a falling one ends there.
    constant = spectrum[0].real if beyond.low == 0 else 0.0
    response = np.asarray(scipy.fft.irfft(np.r_[constant, spectrum], samples))
    position = np.arange(-round(before * rate), round(after * rate) + 1)
    impulse = response[position]
    step = np.cumsum(np.r_[response[samples // 2 :], response[: samples // 2]])[position + samples - samples // 2]
    return ImpulseResponse(position / rate, impulse / np.abs(impulse).max(), step / np.abs(step).max())


def _limit(excess: Floats) -> float:
    """Return the excess phase at zero frequency: the nearest multiple of 180 degrees."""
    return 180.0 * round(float(excess[0]) / 180.0)


def _slopes_by_phase(frequency: Floats, excess: Floats, slopes: EdgeSlopes) -> tuple[EdgeSlopes, Floats]:
    """Return slopes with a steeper one below the band if the phase asks for it, and the excess phase without its part.

    A roll-off below the band turns the phase inside it. What the excess phase has over the two lowest octaves is fitted
    as the phase of such a slope and a delay.
    """
    low = float(frequency[0])
    rows = frequency <= _FITTED_RATIO * low
    terms = np.stack([phase_of_slope_beyond(frequency[rows], low, 1.0), frequency[rows] / low], axis=1)
    fitted = np.linalg.lstsq(terms, excess[rows] - _limit(excess), rcond=None)[0]
    steeper = min(max(float(fitted[0]), 0.0), _STEEPEST - slopes.low)
    return EdgeSlopes(slopes.low + steeper, slopes.high), excess - phase_of_slope_beyond(frequency, low, steeper)

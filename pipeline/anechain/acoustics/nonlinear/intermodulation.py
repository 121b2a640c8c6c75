"""Distortion between the tones of a multitone signal: everything that sounds and was not played.

With many tones at once harmonics, intermodulation and noise fall between the tones and cannot be told apart one by
one; summed per band they tell how much a device adds to a dense signal, such as music is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import band_centres, band_edges, check_grid
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["MultitoneBands", "multitone_bands", "multitone_ratio", "unlisted_lines"]


KAISER_BETA = 20.0
"""Kaiser window whose side lobes lie 150 dB below its main lobe: no tone leaks into what is between the tones."""
MAIN_LOBE = 1.05 * float(np.sqrt(1.0 + (KAISER_BETA / np.pi) ** 2)) + 1.0
"""Lines on either side of a tone that its main lobe may reach: 6.5 by the window's formula, and room for rounding."""


@dataclass(frozen=True)
class MultitoneBands:
    """Powers of a multitone record per fractional-octave band.

    Attributes
    ----------
    centre_hz : numpy.ndarray, shape (bands,)
        Exact mid-band frequencies.
    tone_powers : numpy.ndarray, shape (tones,)
        Mean square of each tone, in the record's unit squared.
    tones : numpy.ndarray, shape (bands,)
        Mean square of the tones in each band; 0 where the band has no tone.
    between : numpy.ndarray, shape (bands,)
        Mean square of what lies between the tones, for the whole band; NaN where the tones leave no line free.
    free : numpy.ndarray, shape (bands,)
        Share of the band's lines that no tone covers; what lies under the tones is taken as what lies beside them.
    resolution_hz : float
        Distance of the lines.
    """

    centre_hz: Floats
    tone_powers: Floats
    tones: Floats
    between: Floats
    free: Floats
    resolution_hz: float


def _lines(signal: Floats, sampling_rate: float, played: Floats) -> tuple[Floats, Floats, Floats, float]:
    """Mean square of each line, its frequency, its distance to the nearest tone, and how far a tone reaches, in Hz."""
    resolution = sampling_rate / signal.size
    reach = MAIN_LOBE * resolution
    if played[-1] + reach > sampling_rate / 2:
        raise ValueError(f"a tone at {played[-1]:g} Hz lies too high for a sampling rate of {sampling_rate:g} Hz")
    closest = float(np.diff(played).min(initial=np.inf))
    # At least as many free lines between two tones as the tones cover.
    if min(closest, played[0]) < 4 * reach:
        tightest = min(closest, float(played[0]))
        raise ValueError(
            f"tones {tightest:.4g} Hz apart need a record of {4 * MAIN_LOBE / tightest:.3g} s, this one has "
            f"{signal.size / sampling_rate:.3g} s"
        )
    window = np.kaiser(signal.size, KAISER_BETA)
    power = np.abs(np.fft.rfft(signal * window)) ** 2 * 2.0 / (signal.size * float((window**2).sum()))
    power[0] /= 2.0
    if signal.size % 2 == 0:
        power[-1] /= 2.0
    lines = np.arange(power.size, dtype=np.float64) * float(resolution)
    near = np.clip(np.searchsorted(played, lines), 1, played.size - 1) if played.size > 1 else np.zeros(lines.size, int)
    distance = np.minimum(np.abs(lines - played[near]), np.abs(lines - played[near - 1] if played.size > 1 else np.inf))
    return power, lines, np.asarray(distance, dtype=np.float64), float(reach)


@method(
    "multitone-bands",
    version=1,
    title="Tones of a multitone signal, and distortion with noise between them, per band",
    source="in the manner of IEC 60268-21 (multitone distortion): lines of the spectrum that were not excited, summed "
    "per fractional-octave band",
    source_status="recalled",
    limitations="Harmonics, intermodulation and noise together. Products that fall on a tone are not seen; under the "
    "tones "
    "the same density is assumed as beside them.",
    formula="Sum of the squared lines of a band that no tone covers, over the share of such lines",
)
def multitone_bands(
    record: ArrayLike,
    sampling_rate: float,
    tones: ArrayLike,
    fraction: int = 3,
    low_hz: float = 20.0,
    high_hz: float = 20000.0,
) -> MultitoneBands:
    """Separate the spectrum of a multitone record into its tones and what lies between them.

    Parameters
    ----------
    record : array_like, shape (samples,)
        Steady: without the start and the end of the signal. A record of silence gives the noise in the same bands.
    sampling_rate : float
        Hz.
    tones : array_like, shape (tones,)
        Hz, ascending; they need not fit the record's length.
    fraction : int
        Bands per octave.
    low_hz, high_hz : float
        The bands that hold these frequencies are the first and the last.

    Returns
    -------
    MultitoneBands

    Raises
    ------
    ValueError
        If the tones are not ascending, lie above half the sampling rate, or are too close for the record's length.
    """
    signal = np.asarray(record, dtype=np.float64)
    played = check_grid(tones)
    if signal.ndim != 1 or signal.size < 2:
        raise ValueError(f"a record is one row of samples, not an array of shape {signal.shape}")
    power, lines, distance, reach = _lines(signal, sampling_rate, played)
    covered = (distance <= reach) | (lines <= reach)
    top = min(high_hz, 0.475 * sampling_rate)
    centres = band_centres(fraction, low_hz, top)
    lower, upper = band_edges(centres, fraction)
    starts, stops = np.searchsorted(lines, lower), np.searchsorted(lines, upper)
    of_tone = np.searchsorted(upper, played)
    found = {"tones": np.zeros(centres.size), "between": np.full(centres.size, np.nan), "free": np.zeros(centres.size)}
    own = np.array([power[np.abs(lines - tone) <= reach].sum() for tone in played])
    for band, (start, stop) in enumerate(zip(starts, stops, strict=True)):
        free = ~covered[start:stop]
        inside = (of_tone == band) & (played >= lower[band])
        found["tones"][band] = own[inside].sum()
        if free.any():
            found["free"][band] = free.mean()
            found["between"][band] = power[start:stop][free].sum() / free.mean()
    # What lies under a tone is no tone: its share, as dense as beside it, is taken off.
    under = np.where(found["free"] > 0, found["between"] * (1 - found["free"]), 0.0)
    found["tones"] = np.maximum(found["tones"] - np.where(found["tones"] > 0, under, 0.0), 0.0)
    return MultitoneBands(centres, own, found["tones"], found["between"], found["free"], float(lines[1]))


@method(
    "unlisted-lines",
    version=1,
    title="Strongest line beside each tone of a multitone signal, re the tone",
    source="strongest line that no tone covers, up to half way to the next tones",
    source_status="common practice, no source",
    limitations="Cannot tell a tone that was played and not listed from a product of distortion as strong as a tone.",
    formula="10 lg(strongest line beside the tone / strongest line of the tone)",
)
def unlisted_lines(record: ArrayLike, sampling_rate: float, tones: ArrayLike) -> tuple[Floats, Floats]:
    """Look for tones that were played and are not listed, or listed and were not played.

    Beside a tone that was not played something is as strong as it; so is, beside its neighbours, a tone that is not
    listed. What a device adds by itself lies well below its tones.

    Parameters
    ----------
    record : array_like, shape (samples,)
        As for :func:`multitone_bands`.
    sampling_rate : float
        Hz.
    tones : array_like, shape (tones,)
        Hz, ascending.

    Returns
    -------
    level : numpy.ndarray, shape (tones,)
        dB re the tone; NaN where no line is free.
    frequency : numpy.ndarray, shape (tones,)
        Hz of that strongest line.

    Raises
    ------
    ValueError
        As for :func:`multitone_bands`.
    """
    played = check_grid(tones)
    power, lines, distance, reach = _lines(np.asarray(record, dtype=np.float64), sampling_rate, played)
    middles = np.sqrt(played[1:] * played[:-1])
    # Beyond the outermost tones an octave: a tone that is not listed may lie there.
    edges = np.concatenate([[played[0] / 2], middles, [min(2 * played[-1], 0.475 * sampling_rate)]])
    level, frequency = np.full(played.size, np.nan), np.full(played.size, np.nan)
    for at, tone in enumerate(played):
        free = np.flatnonzero((lines >= edges[at]) & (lines <= edges[at + 1]) & (distance > reach) & (lines > reach))
        if not free.size:
            continue
        worst = free[np.argmax(power[free])]
        own = float(power[np.abs(lines - tone) <= reach].max())
        level[at] = 10 * np.log10(max(float(power[worst]), 1e-300) / max(own, 1e-300))
        frequency[at] = lines[worst]
    return level, frequency


@method(
    "multitone-ratio",
    version=1,
    title="Distortion and noise between the tones re the tones, over a band",
    source="10 lg of the summed mean squares, as IEC 60268-21 relates the lines not excited to the excited ones",
    source_status="recalled",
    limitations="Depends on the number of tones, their levels and phases: compare equal signals only.",
    formula="10 lg(sum between the tones / sum of the tones)",
)
def multitone_ratio(tones: ArrayLike, between: ArrayLike) -> float:
    """Level in dB of what lies between the tones re the tones, over all bands given; NaN if there is no tone.

    Parameters
    ----------
    tones, between : array_like, shape (bands,)
        Mean squares; bands whose `between` is NaN are left out of the numerator.
    """
    total = float(np.sum(np.asarray(tones, dtype=np.float64)))
    rest = float(np.nansum(np.asarray(between, dtype=np.float64)))
    return float(10 * np.log10(rest / total)) if total > 0 and rest > 0 else float("nan")

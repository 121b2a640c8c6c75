"""Distortion of a multitone signal: the spectrum between the tones.

With many tones at once, harmonics, intermodulation and noise are between the tones and cannot be separated from each
other. Summed per band they show how much a device adds to a dense signal such as music.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.bands import band_centres, band_edges
from anechain.acoustics.curve.frequencies import check_grid
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["MultitoneBands", "multitone_bands", "multitone_ratio", "strongest_unlisted_lines"]

KAISER_BETA = 20.0
"""Parameter of the Kaiser window: its side lobes are 150 dB below the main lobe, so tones do not leak between tones."""
MAIN_LOBE = 1.05 * float(np.sqrt(1.0 + (KAISER_BETA / np.pi) ** 2)) + 1.0
"""Half-width of the main lobe in spectral lines: 6.5 by the window's formula, plus a margin for rounding."""


@dataclass(frozen=True)
class MultitoneBands:
    """Powers of a multitone record per fractional-octave band.

    Attributes
    ----------
    centre_hz : numpy.ndarray, shape (bands,)
        Exact mid-band frequencies.
    tone_powers : numpy.ndarray, shape (tones,)
        Mean square of each tone, in the unit of the record squared.
    tones : numpy.ndarray, shape (bands,)
        Mean square of the tones in each band; 0 where the band has no tone.
    between : numpy.ndarray, shape (bands,)
        Mean square of distortion and noise in the whole band, from the lines between the tones; NaN where the tones
        cover all lines.
    free : numpy.ndarray, shape (bands,)
        Share of the band's lines that no tone covers. Under the tones the same density is assumed.
    resolution_hz : float
        Spacing of the spectral lines, Hz.
    """

    centre_hz: Floats
    tone_powers: Floats
    tones: Floats
    between: Floats
    free: Floats
    resolution_hz: float


def _lines(signal: Floats, sampling_rate: float, played: Floats) -> tuple[Floats, Floats, Floats, float]:
    """Return power and frequency of the spectral lines, their distance to the nearest tone, and a tone's half-width."""
    resolution = sampling_rate / signal.size
    half_width = MAIN_LOBE * resolution
    if played[-1] + half_width > sampling_rate / 2:
        raise ValueError(f"a tone at {played[-1]:g} Hz is too high for a sampling rate of {sampling_rate:g} Hz")
    # Between two tones at least as many lines must be free as the tones cover.
    spacing = min(float(np.diff(played).min(initial=np.inf)), float(played[0]))
    if spacing < 4 * half_width:
        raise ValueError(
            f"tones {spacing:.4g} Hz apart need a record of {4 * MAIN_LOBE / spacing:.3g} s, this one has "
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
    return power, lines, np.asarray(distance, dtype=np.float64), float(half_width)


@method(
    "multitone-bands",
    version=1,
    title="Tones of a multitone signal, and distortion with noise between them, per band",
    source="similar to IEC 60268-21 (multitone distortion): lines of the spectrum that were not excited, summed "
    "per fractional-octave band",
    source_status="recalled",
    limitations="Harmonics, intermodulation and noise together. Products at the frequency of a tone are not detected; "
    "under the tones the same density is assumed as next to them.",
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
    """Return the mean square of the tones, and of distortion and noise between them, per band.

    Parameters
    ----------
    record : array_like, shape (samples,)
        Steady part of the signal, without its start and end. A record of silence gives the noise in the same bands.
    sampling_rate : float
        Hz.
    tones : array_like, shape (tones,)
        Hz, ascending; the record does not need a whole number of periods.
    fraction : int
        Bands per octave.
    low_hz, high_hz : float
        Frequencies in the first and in the last band.

    Returns
    -------
    MultitoneBands

    Raises
    ------
    ValueError
        If the tones are not ascending, are above half the sampling rate, or are too close for the record's length.
    """
    signal = np.asarray(record, dtype=np.float64)
    played = check_grid(tones)
    if signal.ndim != 1 or signal.size < 2:
        raise ValueError(f"a record is one row of samples, not an array of shape {signal.shape}")
    power, lines, distance, half_width = _lines(signal, sampling_rate, played)
    covered = (distance <= half_width) | (lines <= half_width)
    top = min(high_hz, 0.475 * sampling_rate)
    centres = band_centres(fraction, low_hz, top)
    lower, upper = band_edges(centres, fraction)
    starts, stops = np.searchsorted(lines, lower), np.searchsorted(lines, upper)
    band_of_tone = np.searchsorted(upper, played)
    tones_in_band = np.zeros(centres.size)
    between = np.full(centres.size, np.nan)
    free_share = np.zeros(centres.size)
    tone_powers = np.array([power[np.abs(lines - tone) <= half_width].sum() for tone in played])
    for band, (start, stop) in enumerate(zip(starts, stops, strict=True)):
        free = ~covered[start:stop]
        inside = (band_of_tone == band) & (played >= lower[band])
        tones_in_band[band] = tone_powers[inside].sum()
        if free.any():
            free_share[band] = free.mean()
            between[band] = power[start:stop][free].sum() / free.mean()
    # Lines under a tone also contain distortion and noise, with the density between the tones: subtract it.
    under = np.where(free_share > 0, between * (1 - free_share), 0.0)
    tones_in_band = np.maximum(tones_in_band - np.where(tones_in_band > 0, under, 0.0), 0.0)
    return MultitoneBands(centres, tone_powers, tones_in_band, between, free_share, float(lines[1]))


@method(
    "unlisted-lines",
    version=1,
    title="Strongest line next to each tone of a multitone signal, re the tone",
    source="strongest line that no tone covers, up to half way to the next tones",
    source_status="common practice, no source",
    limitations="A tone that was played and not listed cannot be distinguished from a distortion product as strong as "
    "a tone.",
    formula="10 lg(strongest line next to the tone / strongest line of the tone)",
)
def strongest_unlisted_lines(record: ArrayLike, sampling_rate: float, tones: ArrayLike) -> tuple[Floats, Floats]:
    """Return the strongest line next to each tone: a check of the list of tones.

    If a listed tone was not played, lines next to it are as strong as the tone. If a played tone is not listed, its
    line is as strong as the tones next to it. Distortion of a device is well below its tones.

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
        Level of the strongest line, dB re the tone; NaN where no line is free.
    frequency : numpy.ndarray, shape (tones,)
        Frequency of the strongest line, Hz.

    Raises
    ------
    ValueError
        As for :func:`multitone_bands`.
    """
    played = check_grid(tones)
    power, lines, distance, half_width = _lines(np.asarray(record, dtype=np.float64), sampling_rate, played)
    middles = np.sqrt(played[1:] * played[:-1])
    # One octave beyond the outermost tones: a tone that is not listed may be there.
    edges = np.concatenate([[played[0] / 2], middles, [min(2 * played[-1], 0.475 * sampling_rate)]])
    level, frequency = np.full(played.size, np.nan), np.full(played.size, np.nan)
    uncovered = (distance > half_width) & (lines > half_width)
    for row, tone in enumerate(played):
        free = np.flatnonzero((lines >= edges[row]) & (lines <= edges[row + 1]) & uncovered)
        if not free.size:
            continue
        strongest = free[np.argmax(power[free])]
        tone_power = float(power[np.abs(lines - tone) <= half_width].max())
        level[row] = 10 * np.log10(max(float(power[strongest]), 1e-300) / max(tone_power, 1e-300))
        frequency[row] = lines[strongest]
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
    """Return the level of distortion and noise between the tones re the tones, over all bands.

    Parameters
    ----------
    tones, between : array_like, shape (bands,)
        Mean squares; NaN in `between` is ignored.

    Returns
    -------
    float
        dB; NaN if there is no tone.
    """
    total = float(np.sum(np.asarray(tones, dtype=np.float64)))
    rest = float(np.nansum(np.asarray(between, dtype=np.float64)))
    return float(10 * np.log10(rest / total)) if total > 0 and rest > 0 else float("nan")

"""Bands in which responses and harmonic orders are valid, by the excitation and the time window."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import scipy.fft

from anechain.acoustics.recording.harmonic_bands import HarmonicBand, harmonic_bands
from anechain.acoustics.recording.time_windows import Window
from anechain.acoustics.recording.window_effect import TOLERANCE, lowest_accurate_frequency, window_effect
from anechain_capture.deconvolution import Deconvolution
from anechain_capture.excitation import Excitation

__all__ = ["bands_of_orders", "bands_report", "lowest_accurate"]

_PER_OCTAVE = 48


def lowest_accurate(
    deconvolution: Deconvolution, excitation: Excitation, window: Window, lowest: float, report: list[str]
) -> float:
    """Return the frequency in Hz from which on window and band edge change a flat response by less than 0.5 dB.

    Parameters
    ----------
    deconvolution : Deconvolution
    excitation : Excitation
    window : Window
    lowest : float
        Lowest frequency by the excitation and the length of the window, Hz.
    report : list of str
        A line of the import report is appended to it.
    """
    high = excitation.band[1] / math.sqrt(2)
    if lowest >= high:
        return lowest
    steps = math.ceil(_PER_OCTAVE * math.log2(high / lowest))
    frequency = lowest * (high / lowest) ** (np.arange(steps + 1) / steps)
    spectrum = scipy.fft.rfft(deconvolution.reference, deconvolution.length)
    error = window_effect(
        spectrum, deconvolution.inverse, deconvolution.length, deconvolution.sampling_rate, frequency, window
    )
    first = lowest_accurate_frequency(frequency, error)
    if not math.isfinite(first):
        report.append(
            f"window and band of the excitation change a flat response by up to {np.abs(error).max():.1f} dB: the "
            "option `band` or the law of the sweep does not fit the signal that was played"
        )
        return lowest
    above = float(np.abs(error[frequency >= first]).max())
    line = f"window and band of the excitation change a flat response by at most {above:.2f} dB"
    if first > lowest * (1 + 1e-9):
        line += (
            f" from {first:.4g} Hz on, where the responses begin, and by more than {TOLERANCE:g} dB below: start the "
            "sweep lower, or use a longer window"
        )
    report.append(line)
    return first


def bands_of_orders(
    deconvolution: Deconvolution, excitation: Excitation, window: Window, orders: int
) -> tuple[HarmonicBand, ...]:
    """Return the band of each order from 1 on."""
    assert excitation.rate is not None
    return harmonic_bands(
        deconvolution.reference,
        deconvolution.inverse,
        deconvolution.edge_phase,
        deconvolution.length,
        deconvolution.sampling_rate,
        excitation.rate,
        orders,
        window,
        excitation.band,
    )


def bands_report(bands: Sequence[HarmonicBand]) -> list[str]:
    """Return the lines of the import report on the bands of orders: lowest frequencies by reason, and highest."""
    measured = [band for band in bands if math.isfinite(band.low)]
    lines = [f"order {band.order} cannot be measured: {band.low_reason}" for band in bands if math.isnan(band.low)]
    if measured:
        lows = [
            ", ".join(f"order {band.order} {band.low:.4g} Hz" for band in group) + f" (below: {reason})"
            for reason, group in _by_reason(measured).items()
        ]
        highs = ", ".join(f"order {band.order} {band.high:.5g} Hz" for band in measured)
        lines.append(f"lowest frequency of the excitation at which an order can be measured: {'; '.join(lows)}")
        lines.append(
            f"highest frequency of the excitation at which an order can be measured: {highs} (above: "
            f"{measured[0].high_reason})"
        )
    return lines


def _by_reason(bands: Sequence[HarmonicBand]) -> dict[str, list[HarmonicBand]]:
    groups: dict[str, list[HarmonicBand]] = {}
    for band in bands:
        groups.setdefault(band.low_reason, []).append(band)
    return groups

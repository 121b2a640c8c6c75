"""Frozen reference inputs of recordings: sweeps, deconvolution, windows, harmonics, calibration."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Floats

__all__ = ["reference_calls_of_captures"]


_RATE = 8000
_LAW = (40.0, 3200.0, 0.4)
_AT: Floats = np.geomspace(60.0, 1500.0, 23)


def _parts(values: ArrayLike) -> list[Floats]:
    """Real and imaginary part, rounded to what transforms of different libraries agree on."""
    array = np.asarray(values, dtype=np.complex128)
    return [np.round(array.real, 8), np.round(array.imag, 8)]


def _played() -> Floats:
    from anechain.acoustics.recording.sweeps import swept_sine

    return swept_sine("synchronised", *_LAW, _RATE, 0.02, 0.01)


def _recording() -> Floats:
    """A distorted sweep with a delay, reflections and hum."""
    played = _played()
    distorted = played + 0.05 * played**2 - 0.03 * played**3
    record = 1e-3 * np.sin(2 * np.pi * 50 * np.arange(6000) / _RATE)
    for delay, gain in ((37, 0.5), (38, 0.2), (40, -0.1), (113, 0.15)):
        record[delay : delay + distorted.size] += gain * distorted
    return np.asarray(record)


def _response() -> Floats:
    from anechain.acoustics.recording.deconvolution import deconvolve, inverse_spectrum

    return deconvolve(_recording(), inverse_spectrum(_played(), 6000, _RATE, _LAW[:2]), 6000)


def reference_calls_of_captures() -> dict[str, Callable[[], Any]]:
    """Calls by method id."""
    from anechain.acoustics.recording import (
        arrival_time,
        band_edge,
        calibration,
        complex_smoothing,
        deconvolution,
        harmonic_bands,
        harmonics,
        polarity,
        response_spectra,
        sweeps,
        time_windows,
        window_effect,
    )
    from anechain.acoustics.recording.takes import join_takes

    window = time_windows.Window(0.002, 0.03, 0.01, "hann")
    shapes = [time_windows.Window(0.002, 0.02, 0.008, shape) for shape in time_windows.SHAPES]
    tone = 0.3 * np.sin(2 * np.pi * 991.0 * np.arange(4000) / _RATE + 0.2) + 0.001
    spectrum = np.exp(-1j * _AT / 300.0) / (1 + _AT / 500.0)

    def orders() -> list[Floats]:
        rate = sweeps.sweep_rate("synchronised", *_LAW)
        limits = [(60.0, 3000.0 / order) for order in (1, 2, 3)]
        result = harmonics.harmonic_orders(_response(), _RATE, 0.0046, rate, 3, _AT, window, limits)
        return [*_parts(result.spectrum), np.round(result.noise, 8), result.stretches]

    def edge() -> tuple[Floats, Floats, Floats]:
        share = deconvolution.regularisation(np.fft.rfftfreq(6000, 1 / _RATE), _LAW[:2], -100.0, 0.0)
        spectrum = np.fft.rfft(_played(), 6000)
        phase = band_edge.causal_edge_phase(spectrum, share, 6000, _RATE, _LAW[:2])
        inverse = deconvolution.inverse_spectrum(_played(), 6000, _RATE, _LAW[:2]) * np.exp(1j * phase)
        return spectrum, inverse, phase

    def bands() -> list[object]:
        _, inverse, phase = edge()
        law = sweeps.sweep_rate("synchronised", *_LAW), 3, window, _LAW[:2]
        found = harmonic_bands.harmonic_bands(_played(), inverse, phase, 6000, _RATE, *law)
        return [[round(each.low, 6), round(each.high, 6), round(each.phase, 6)] for each in found]

    def calibrator() -> list[float]:
        result = calibration.calibrator_tone(tone, _RATE, 94.0, 1000.0)
        return [round(value, 6) for value in (result.sensitivity, result.frequency, result.residual, result.spread)]

    def takes() -> list[object]:
        levels = np.stack([80.0 + 3.0 * np.sin(_AT / 200.0), 79.5 + 2.0 * np.cos(_AT / 300.0), np.full(_AT.size, 81.0)])
        levels[1, 5], levels[:, 7] = np.nan, np.nan
        joined = join_takes(levels, np.stack([_AT / 9.0, -_AT / 11.0, _AT / 30.0]))
        return [joined.level, joined.standard_deviation, joined.phase]

    return {
        "arrival-time": lambda: round(arrival_time.arrival_time(_response(), _RATE), 9),
        "calibrator-sensitivity": calibrator,
        "causal-band-edge": lambda: np.round(edge()[2][::17], 8),
        "complex-smoothing": lambda: _parts(complex_smoothing.complex_smooth(_AT, spectrum, 3.0)),
        "deconvolution": lambda: np.round(_response()[::7], 8),
        "harmonic-advance": lambda: sweeps.advance_times(np.arange(1, 8), 0.31),
        "harmonic-bands": bands,
        "harmonic-orders": orders,
        "lowest-valid-frequency": lambda: [time_windows.lowest_valid_frequency(shape) for shape in shapes],
        "microphone-correction": lambda: _parts(
            calibration.interpolate_microphone_response(
                _AT, [50.0, 400.0, 2000.0], [0.5, 0.0, -2.0], [10.0, 175.0, -170.0]
            )
        ),
        "polarity": lambda: polarity.polarity(_response()),
        "regularised-inverse": lambda: _parts(
            deconvolution.inverse_spectrum(_played(), 4096, _RATE, (60.0, 3000.0), -90.0, -10.0)[::31]
        ),
        "repeated-takes": takes,
        "response-noise": lambda: np.round(
            response_spectra.noise_magnitude(_response(), _RATE, 0.0046, _AT, window, (0.3, 0.1)), 8
        ),
        "spectrum-at-frequencies": lambda: _parts(
            response_spectra.spectrum_at(_recording()[:900], _RATE, _AT, -0.0031)
        ),
        "steady-amplitude": lambda: sweeps.sweep_amplitude(_recording()),
        "swept-sine": lambda: [
            np.round(sweeps.swept_sine(kind, *_LAW, _RATE, 0.02, 0.01)[::13], 9) for kind in sweeps.KINDS
        ],
        "time-window": lambda: [
            [np.round(part, 8), round(offset, 9)]
            for part, offset in (time_windows.apply_window(_response(), _RATE, 0.0046, shape) for shape in shapes)
        ],
        "window-effect": lambda: np.round(window_effect.window_effect(*edge()[:2], 6000, _RATE, _AT, window), 6),
    }

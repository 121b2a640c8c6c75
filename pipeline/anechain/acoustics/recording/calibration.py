"""Calibration of a recording: pascals per full scale, and the response of the microphone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.levels import REFERENCE_PRESSURE
from anechain.arrays import Complexes, Floats
from anechain.methods import method

__all__ = ["CalibratorTone", "calibrator_tone", "interpolate_microphone_response"]


@dataclass(frozen=True)
class CalibratorTone:
    """Result of the recording of a sound calibrator.

    Attributes
    ----------
    sensitivity : float
        Pascals at full scale (a sample value of 1).
    frequency : float
        Measured frequency of the tone, Hz.
    residual : float
        R.m.s. of the recording without the tone, relative to the whole (distortion and noise of the standard).
    spread : float
        Difference between the highest and the lowest level of the eight parts of the recording, dB.
    """

    sensitivity: float
    frequency: float
    residual: float
    spread: float


def _tone(record: Floats, sampling_rate: float, frequency: float) -> tuple[complex, float]:
    """Return the complex amplitude of the sine that fits a record best, and the mean square of the residual."""
    time = np.arange(record.size) / sampling_rate
    basis = np.stack([np.cos(2 * np.pi * frequency * time), np.sin(2 * np.pi * frequency * time), np.ones_like(time)])
    fit, *_ = np.linalg.lstsq(basis.T, record, rcond=None)
    rest = record - fit @ basis
    return complex(fit[0], -fit[1]), float(np.mean(rest**2))


@method(
    "calibrator-sensitivity",
    version=1,
    title="Pressure at full scale, from the recording of a sound calibrator",
    formula="Stated pressure of the calibrator over the root mean square of the sine that fits the recording best",
    source="IEC 60942: a stated level at a stated frequency; sine fitted by least squares (IEEE 1057)",
    limitations="As accurate as the calibrator and its fit to the microphone; valid for the gain of the recording.",
)
def calibrator_tone(
    recording: ArrayLike, sampling_rate: float, level: float = 94.0, frequency: float = 1000.0
) -> CalibratorTone:
    """Return the sensitivity from the recording of a sound calibrator.

    Parameters
    ----------
    recording : array_like, shape (samples,)
        Full scale is 1.
    sampling_rate : float
        Hz.
    level : float
        Level of the calibrator, dB re 20 µPa.
    frequency : float
        Nominal frequency of the calibrator, Hz; the tone is searched within a tenth of an octave.

    Returns
    -------
    CalibratorTone
        Sensitivity from the tone only, without hum and noise.

    Raises
    ------
    ValueError
        If the recording is shorter than 0.25 s, is silent or does not contain the tone.
    """
    record = np.asarray(recording, dtype=np.float64)
    if record.size < 0.25 * sampling_rate:
        raise ValueError(f"the recording must last at least 0.25 s, not {record.size / sampling_rate:.3g} s")
    mean_square = float(np.mean((record - record.mean()) ** 2))
    if not mean_square > 0:
        raise ValueError("the recording is silent")
    # Coarse frequency from the highest bin, fine frequency from the phase advance of fitted sines between the halves.
    part = record[: min(record.size, round(8 * sampling_rate))]
    spectrum = np.abs(np.fft.rfft(part * np.hanning(part.size)))
    bins = np.fft.rfftfreq(part.size, 1 / sampling_rate)
    near = np.flatnonzero((bins > frequency * 2**-0.1) & (bins < frequency * 2**0.1))
    tone_hz = float(bins[near[int(np.argmax(spectrum[near]))]])
    half = part.size // 2
    for _ in range(3):
        early, late = (_tone(piece, sampling_rate, tone_hz)[0] for piece in (part[:half], part[half : 2 * half]))
        if not (early and late):
            break
        expected = 2 * np.pi * tone_hz * half / sampling_rate
        phase_error = np.angle(late / early * np.exp(-1j * expected))
        tone_hz += float(phase_error) / (2 * np.pi * half / sampling_rate)
    amplitude, _ = _tone(part, sampling_rate, tone_hz)
    eighths = [_tone(piece, sampling_rate, tone_hz) for piece in np.array_split(record, 8)]
    amplitudes = np.array([abs(value) for value, _ in eighths])
    # The frequency is accurate enough for an eighth, not for minutes: average the amplitudes of the eighths.
    rms = float(np.sqrt(np.mean(amplitudes**2) / 2)) or abs(amplitude) / np.sqrt(2)
    if not rms > 0:
        raise ValueError("the recording does not contain the tone")
    rest = float(np.mean([square for _, square in eighths]))
    with np.errstate(divide="ignore"):
        spread = float(20 * np.log10(amplitudes.max() / amplitudes.min())) if amplitudes.min() > 0 else np.inf
    pressure = REFERENCE_PRESSURE * 10 ** (level / 20)
    return CalibratorTone(pressure / rms, tone_hz, float(np.sqrt(rest / (rest + rms**2))), spread)


@method(
    "microphone-correction",
    version=1,
    title="Response of a microphone within the frequency range of its calibration",
    formula="Level and phase of the calibration, linear over log frequency",
    source="level and phase linear over log frequency between the calibration's frequencies",
    source_status="common practice, no source",
    limitations="Not known outside the frequencies of the calibration.",
)
def interpolate_microphone_response(
    frequency: ArrayLike, known_frequency: ArrayLike, level: ArrayLike, phase: ArrayLike | None = None
) -> Complexes:
    """Return the complex response of a microphone relative to its stated sensitivity; divide the spectrum by it.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz.
    known_frequency : array_like, shape (m,)
        Frequencies of the calibration in Hz, ascending.
    level : array_like, shape (m,)
        Level of the calibration, dB.
    phase : array_like, shape (m,), optional
        Phase of the calibration in degrees; zero if absent.

    Returns
    -------
    numpy.ndarray of complex, shape (n,)
        NaN outside the frequencies of the calibration.
    """
    f = np.asarray(frequency, dtype=np.float64)
    known = np.asarray(known_frequency, dtype=np.float64)
    log_known, log_f = np.log(known), np.log(f)
    gain = np.interp(log_f, log_known, np.asarray(level, dtype=np.float64))
    angle = np.zeros(f.size)
    if phase is not None:
        angle = np.interp(log_f, log_known, np.unwrap(np.deg2rad(np.asarray(phase, float))))
    response = 10 ** (gain / 20) * np.exp(1j * angle)
    tolerance = 1e-9
    outside = (f < known[0] * (1 - tolerance)) | (f > known[-1] * (1 + tolerance))
    return np.where(outside, np.nan + 0j, response)

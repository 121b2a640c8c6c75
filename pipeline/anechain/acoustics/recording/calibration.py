"""From full scale to pascals: the recording of a sound calibrator, and corrections for the microphone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.levels import REFERENCE_PRESSURE
from anechain.arrays import Complexes, Floats
from anechain.methods import method

__all__ = ["CalibratorTone", "calibrator_tone", "correction_at"]


@dataclass(frozen=True)
class CalibratorTone:
    """What the recording of a sound calibrator says.

    Attributes
    ----------
    sensitivity : float
        Pascals that full scale (a sample value of 1) stands for.
    frequency : float
        Hz, as found.
    residual : float
        Everything but the tone, as a share of the whole, r.m.s. (the standard's distortion and noise).
    spread : float
        dB between the loudest and the quietest eighth of the recording.
    """

    sensitivity: float
    frequency: float
    residual: float
    spread: float


def _tone(record: Floats, sampling_rate: float, frequency: float) -> tuple[complex, float]:
    """Complex amplitude of the sine of a given frequency that fits a record best, and the mean square of the rest."""
    time = np.arange(record.size) / sampling_rate
    basis = np.stack([np.cos(2 * np.pi * frequency * time), np.sin(2 * np.pi * frequency * time), np.ones_like(time)])
    fit, *_ = np.linalg.lstsq(basis.T, record, rcond=None)
    rest = record - fit @ basis
    return complex(fit[0], -fit[1]), float(np.mean(rest**2))


@method(
    "calibrator-sensitivity",
    version=1,
    title="Pressure that full scale stands for, from the recording of a sound calibrator",
    formula="Stated pressure of the calibrator over the root mean square of the sine that fits the recording best",
    source="IEC 60942: a stated level at a stated frequency; sine fitted by least squares (IEEE 1057)",
    limitations="As right as the calibrator and its fit to the microphone; holds for the gain it was recorded with.",
)
def calibrator_tone(
    recording: ArrayLike, sampling_rate: float, level: float = 94.0, frequency: float = 1000.0
) -> CalibratorTone:
    """Sensitivity from the recording of a sound calibrator.

    Parameters
    ----------
    recording : array_like, shape (samples,)
        Full scale is 1.
    sampling_rate : float
        Hz.
    level : float
        dB re 20 µPa that the calibrator makes.
    frequency : float
        Hz that it makes it at; looked for within a tenth of an octave.

    Returns
    -------
    CalibratorTone
        The tone alone counts: hum and noise beside it do not.

    Raises
    ------
    ValueError
        If the recording is shorter than 0.25 s or silent.
    """
    record = np.asarray(recording, dtype=np.float64)
    if record.size < 0.25 * sampling_rate:
        raise ValueError(f"a recording of {record.size / sampling_rate:.3g} s; a calibrator needs 0.25 s at least")
    mean_square = float(np.mean((record - record.mean()) ** 2))
    if not mean_square > 0:
        raise ValueError("the recording is silent")
    # Coarsely by the greatest bin, finely by the phase advance between the halves, which a fitted sine shows.
    part = record[: min(record.size, round(8 * sampling_rate))]
    spectrum = np.abs(np.fft.rfft(part * np.hanning(part.size)))
    bins = np.fft.rfftfreq(part.size, 1 / sampling_rate)
    near = np.flatnonzero((bins > frequency * 2**-0.1) & (bins < frequency * 2**0.1))
    found = float(bins[near[int(np.argmax(spectrum[near]))]])
    half = part.size // 2
    for _ in range(3):
        early, late = (_tone(piece, sampling_rate, found)[0] for piece in (part[:half], part[half : 2 * half]))
        if not (early and late):
            break
        expected = 2 * np.pi * found * half / sampling_rate
        turned = np.angle(late / early * np.exp(-1j * expected))
        found += float(turned) / (2 * np.pi * half / sampling_rate)
    amplitude, _ = _tone(part, sampling_rate, found)
    eighths = [_tone(piece, sampling_rate, found) for piece in np.array_split(record, 8)]
    sizes = np.array([abs(value) for value, _ in eighths])
    # The sine's frequency is known well enough within an eighth, not over minutes: the size is the mean of them.
    rms = float(np.sqrt(np.mean(sizes**2) / 2)) or abs(amplitude) / np.sqrt(2)
    if not rms > 0:
        raise ValueError("the recording holds no such tone")
    rest = float(np.mean([square for _, square in eighths]))
    with np.errstate(divide="ignore"):
        spread = float(20 * np.log10(sizes.max() / sizes.min())) if sizes.min() > 0 else np.inf
    pressure = REFERENCE_PRESSURE * 10 ** (level / 20)
    return CalibratorTone(pressure / rms, found, float(np.sqrt(rest / (rest + rms**2))), spread)


@method(
    "microphone-correction",
    version=1,
    title="Response of a microphone at any frequency of its calibration",
    formula="Level and phase of the calibration, linear over log frequency",
    source="level and phase linear over log frequency between the calibration's frequencies",
    source_status="common practice, no source",
    limitations="Not beyond the frequencies of the calibration: nothing is known there.",
)
def correction_at(
    frequency: ArrayLike, known_frequency: ArrayLike, level: ArrayLike, phase: ArrayLike | None = None
) -> Complexes:
    """Complex response of a microphone relative to what its stated sensitivity says; divide the spectrum by it.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz.
    known_frequency : array_like, shape (m,)
        Hz, ascending, of the calibration.
    level : array_like, shape (m,)
        dB.
    phase : array_like, shape (m,), optional
        Degrees; none counts as zero.

    Returns
    -------
    numpy.ndarray of complex, shape (n,)
        NaN beyond the calibration.
    """
    f = np.asarray(frequency, dtype=np.float64)
    known = np.asarray(known_frequency, dtype=np.float64)
    x, at = np.log(known), np.log(f)
    gain = np.interp(at, x, np.asarray(level, dtype=np.float64))
    angle = np.zeros(f.size) if phase is None else np.interp(at, x, np.unwrap(np.deg2rad(np.asarray(phase, float))))
    response = 10 ** (gain / 20) * np.exp(1j * angle)
    edge = 1e-9
    return np.where((f < known[0] * (1 - edge)) | (f > known[-1] * (1 + edge)), np.nan + 0j, response)

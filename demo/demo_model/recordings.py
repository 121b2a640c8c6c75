"""Recordings of sweeps on the axis at five drives, with distortion, heating and noise.

The woofer is solved in time (module drive_unit); tweeter and cabinet are linear. The difference from the woofer's
small-signal response is solved while the sweep is below 5 kHz: above, the crossover hardly moves the cone.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from anechain.arrays import Complexes, Floats
from demo_model.air import SPEED_OF_SOUND
from demo_model.drive_unit import (
    COPPER,
    Enclosure,
    Unit,
    admittance,
    enclosure,
    half_space_pressure,
    solve_motion,
    temperatures_after,
    unit,
)
from demo_model.filters import band_pass
from demo_model.loudspeaker_model import DISTANCE, DRIVE, Driver, Loudspeaker, LowEnd, transfer

__all__ = [
    "CALIBRATOR",
    "DRIVES",
    "RATE",
    "Recording",
    "calibrator_recording",
    "recordings",
    "sweep",
    "unit_and_box",
    "warmed_up",
    "wave_file",
]


RATE = 48_000
"""Hz."""
START, STOP, DURATION = 18.0, 21_000.0, 5.6
"""Exponential sweep: Hz, Hz, s."""
FADE_IN, FADE_OUT = 0.030, 0.005
"""s."""
BEFORE, LENGTH = 0.4, 6.8
"""Silence before the sweep, and length of the recording, s."""
DRIVES = (0.7, 1.4, 2.83, 5.66, 11.3)
"""V r.m.s. at the terminals, increasing. The first is repeated at the end, to show whether anything changed."""
FULL_SCALE = 20.0
"""Sound pressure at full scale of the recorder, Pa."""
CALIBRATOR = 94.0
"""dB re 20 µPa, at 1 kHz."""
NOISE = 15.0
"""dB re 20 µPa of the microphone's white noise up to 20 kHz; below 1 kHz it rises by 6 dB an octave."""

SOLVED_BELOW = 5_000.0
"""Frequency of the sweep in Hz up to which the motion is solved."""


@dataclass(frozen=True)
class Recording:
    """One recording of a series.

    Attributes
    ----------
    drive : float
        V r.m.s. of the sweep.
    start : float
        s from the start of the first sweep.
    temperatures : (float, float)
        Temperatures of voice coil and magnet above the air when the sweep starts, K.
    sound : numpy.ndarray
        Sound pressure in Pa with the microphone's noise; sampling rate RATE.
    """

    drive: float
    start: float
    temperatures: tuple[float, float]
    sound: Floats


def sweep() -> Floats:
    """Return the sweep, of amplitude 1 (Farina 2000: frequency grows by the factor e in equal times)."""
    rate = DURATION / np.log(STOP / START)
    time = np.arange(round(DURATION * RATE)) / RATE
    signal = np.sin(2 * np.pi * START * rate * np.expm1(time / rate))
    rising, falling = round(FADE_IN * RATE), round(FADE_OUT * RATE)
    signal[:rising] *= np.sin(np.pi / 2 * (np.arange(rising) + 0.5) / rising) ** 2
    signal[-falling:] *= np.cos(np.pi / 2 * (np.arange(falling) + 0.5) / falling) ** 2
    return np.asarray(signal)


def _played() -> Floats:
    """Return the sweep with the silence before and after it."""
    signal = np.zeros(round(LENGTH * RATE))
    tone, start = sweep(), round(BEFORE * RATE)
    signal[start : start + tone.size] = tone
    return signal


def _noise(samples: int, seed: int) -> Floats:
    """Return noise of the microphone in Pa; the same for the same seed."""
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(samples))
    frequency = np.fft.rfftfreq(samples, 1 / RATE)
    # NOISE is the level up to 20 kHz, which has 20/24 of the power up to half the sampling rate.
    size = 20e-6 * 10 ** (NOISE / 20) * np.sqrt(RATE / 2 / 20_000)
    spectrum[1:] *= size * np.sqrt(1 + (1_000 / np.maximum(frequency[1:], 10.0)) ** 2)
    spectrum[0] = 0.0
    return np.asarray(np.fft.irfft(spectrum, samples))


def _on_axis(loudspeaker: Loudspeaker, driver: Driver, frequency: Floats) -> Complexes:
    """Return the transfer function from a driver to the microphone on axis, interpolated without the common delay."""
    from scipy.interpolate import CubicSpline

    coarse = np.concatenate([[2.0, 5.0, 10.0], np.arange(20.0, RATE / 2 + 20, 20.0)])
    coarse_transfer = transfer(loudspeaker, driver, np.array([[1.0, 0.0, 0.0]]), coarse, DISTANCE)[0]
    smooth = CubicSpline(coarse, coarse_transfer * np.exp(2j * np.pi * coarse * DISTANCE / SPEED_OF_SOUND))
    return np.asarray(smooth(frequency) * np.exp(-2j * np.pi * frequency * DISTANCE / SPEED_OF_SOUND))


def _woofer(loudspeaker: Loudspeaker) -> tuple[Driver, LowEnd]:
    return next((driver, driver.low_end) for driver in loudspeaker.drivers if driver.low_end is not None)


def unit_and_box(loudspeaker: Loudspeaker) -> tuple[Unit, Enclosure]:
    """Return the woofer of a loudspeaker and its box, for the module drive_unit."""
    _, low = _woofer(loudspeaker)
    return unit(low.woofer, low.large), enclosure(low.volume, low.tuning, low.leakage_q, low.port_radius)


@dataclass(frozen=True)
class _Linear:
    """A loudspeaker at small signals, at the frequencies of a recording's transform.

    Attributes
    ----------
    network : numpy.ndarray of complex
        Transfer function from the terminals to the woofer's coil.
    after_piston : numpy.ndarray of complex
        Transfer function from the woofer's half-space pressure at 1 m, as a piston, to the pressure at the microphone.
    total : numpy.ndarray of complex
        Pressure at the microphone per volt at the terminals.
    voltage : numpy.ndarray
        Voltage at the woofer's coil with a sweep of 1 V peak at the terminals, while the motion is solved.
    piston : numpy.ndarray
        The woofer's half-space pressure for this voltage, Pa, at half of RATE.
    """

    network: Complexes
    after_piston: Complexes
    total: Complexes
    voltage: Floats
    piston: Floats


@lru_cache(maxsize=1)
def _linear(loudspeaker: Loudspeaker) -> _Linear:
    # The closed forms have no value at 0 Hz, where the pressure is zero.
    frequency = np.maximum(np.fft.rfftfreq(round(LENGTH * RATE), 1 / RATE), 0.1)
    paths = {driver.name: _on_axis(loudspeaker, driver, frequency) for driver in loudspeaker.drivers}
    total = np.zeros(frequency.size, dtype=np.complex128)
    for driver in loudspeaker.drivers:
        total += paths[driver.name] * driver.response(frequency) * (20e-6 * 10 ** (driver.level / 20) / DRIVE)
    for resonance in loudspeaker.resonances:
        delay = np.exp(-2j * np.pi * frequency * DISTANCE / SPEED_OF_SOUND) / DISTANCE
        total += (
            band_pass(resonance.frequency, resonance.q, frequency)
            * (20e-6 * 10 ** (resonance.level / 20) / DRIVE)
            * delay
        )
    woofer, low = _woofer(loudspeaker)
    total[0] = 0.0
    network = low.network(frequency)
    first = round(BEFORE * RATE)
    steps = round(DURATION * RATE * np.log(SOLVED_BELOW / START) / np.log(STOP / START)) // 2
    voltage = np.fft.irfft(np.fft.rfft(_played()) * network)[first : first + 2 * steps + 1]
    piston = half_space_pressure(
        solve_motion(*unit_and_box(loudspeaker), voltage, RATE, linear=True).volume_acceleration
    )
    return _Linear(network, low.cone(frequency) * paths[woofer.name], total, voltage, piston)


def _excess_spectrum(excess: Floats, first: int) -> Complexes:
    """Return the transform at RATE of a signal at half that rate that starts at sample `first`; its end is faded."""
    fade = round(0.05 * RATE / 2)
    excess[-fade:] *= np.cos(np.pi / 2 * (np.arange(fade) + 0.5) / fade) ** 2
    half = np.zeros(round(LENGTH * RATE) // 2)
    half[first // 2 : first // 2 + excess.size] = excess
    spectrum = np.zeros(half.size + 1, dtype=np.complex128)
    spectrum[: half.size // 2] = 2 * np.fft.rfft(half)[:-1]
    return spectrum


def warmed_up(loudspeaker: Loudspeaker, volts: float, seconds: int) -> tuple[float, float]:
    """Return temperatures of coil and magnet above the air, K, after pink noise from 20 Hz to 20 kHz.

    Computed with the small-signal admittance; `volts` is the r.m.s. voltage at the terminals.
    """
    _, low = _woofer(loudspeaker)
    drive_unit, box = unit_and_box(loudspeaker)
    frequency = np.geomspace(20, 20_000, 400)
    temperatures = (0.0, 0.0)
    for _ in range(seconds // 5):
        resistance = drive_unit.resistance * (1 + COPPER * temperatures[0])
        current = np.abs(admittance(drive_unit, box, frequency, temperatures[0]) * low.network(frequency)) * volts
        temperatures = temperatures_after(drive_unit.large, temperatures, resistance * float(np.mean(current**2)), 5.0)
    return temperatures


def recordings(
    loudspeaker: Loudspeaker, seed: int, temperatures: tuple[float, float] = (0.0, 0.0), interval: float = 20.0
) -> Iterator[Recording]:
    """Yield recordings on the axis at each of DRIVES, and at the first again at the end.

    Parameters
    ----------
    loudspeaker : Loudspeaker
        A loudspeaker whose woofer has a model of its low end.
    seed : int
        Seed of the microphone's noise.
    temperatures : (float, float)
        Temperatures of voice coil and magnet above the air at the beginning, K.
    interval : float
        s from the start of one sweep to that of the next, at least LENGTH.
    """
    drive_unit, box = unit_and_box(loudspeaker)
    linear = _linear(loudspeaker)
    spectrum = np.fft.rfft(_played())
    first, solved = round(BEFORE * RATE), linear.voltage.size / RATE
    for number, drive in enumerate([*DRIVES, DRIVES[0]]):
        peak = drive * np.sqrt(2)
        motion = solve_motion(drive_unit, box, peak * linear.voltage, RATE, temperatures)
        excess = half_space_pressure(motion.volume_acceleration) - peak * linear.piston
        sound = np.fft.irfft(peak * spectrum * linear.total + _excess_spectrum(excess, first) * linear.after_piston)
        noise = _noise(sound.size, seed + number)
        yield Recording(drive, number * interval, temperatures, sound + noise)
        temperatures = temperatures_after(drive_unit.large, motion.temperatures, 0.0, interval - solved)


def calibrator_recording(seed: int) -> Floats:
    """Return two seconds of a sound calibrator on the microphone, Pa."""
    time = np.arange(2 * RATE) / RATE
    tone = np.sqrt(2) * 20e-6 * 10 ** (CALIBRATOR / 20) * np.sin(2 * np.pi * 1_000 * time)
    return np.asarray(tone + _noise(time.size, seed))


def wave_file(sound: Floats) -> bytes:
    """Return a 24-bit WAV file of a sound in Pa.

    Raises
    ------
    ValueError
        If the recorder is overloaded.
    """
    import soundfile

    if not np.abs(sound).max() < FULL_SCALE:
        raise ValueError("the recorder is overloaded")
    file = io.BytesIO()
    soundfile.write(file, sound / FULL_SCALE, RATE, format="WAV", subtype="PCM_24")
    return file.getvalue()

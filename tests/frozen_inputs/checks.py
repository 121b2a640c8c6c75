"""Frozen reference inputs of the measurement checks: recordings and responses with known flaws."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from anechain.arrays import Floats

__all__ = ["reference_calls_of_checks"]


_RATE = 16000
_LAW = (60.0, 7500.0, 0.5)
_BAND = (60.0, 7500.0)
_BANDS: Floats = np.geomspace(250.0, 8000.0, 16)


def _played() -> Floats:
    from anechain.acoustics.recording.sweeps import swept_sine

    return swept_sine("exponential", *_LAW, _RATE, 0.02, 0.002)


def _recording(signal: Floats) -> Floats:
    """A sweep with an echo, a hum of three lines and a steady tone."""
    time = np.arange(signal.size + 8000) / _RATE
    record = np.zeros(time.size)
    for frequency, amplitude in ((50, 1e-3), (150, 5e-4), (250, 3e-4), (333, 1e-5)):
        record += amplitude * np.sin(2 * np.pi * frequency * time + frequency)
    for delay, gain in ((37, 0.5), (38, 0.2), (40, -0.1), (37 + 113, 0.06)):
        record[delay : delay + signal.size] += gain * signal
    return np.asarray(record, dtype=np.float64)


def _early(signal: Floats) -> Floats:
    from anechain.acoustics.recording.deconvolution import deconvolve, inverse_spectrum

    length = 18000
    response = deconvolve(_recording(signal), inverse_spectrum(_played(), length, _RATE, _BAND), length)
    return np.asarray(response[np.arange(37 - 80, 37 + 480) % length])


def _turned(angle: Floats, tilt: float) -> Floats:
    """Levels that narrow with frequency about an axis beside the middle."""
    narrow = np.log10(1.0 + _BANDS / 700.0)
    return np.asarray(85.0 - 6.0 * (1.0 - np.cos(np.deg2rad(angle[:, np.newaxis] - tilt))) * narrow)


def reference_calls_of_checks() -> dict[str, Callable[[], Any]]:
    """Calls by method id."""
    from anechain.acoustics.directivity import arrivals, misplaced_directions, orbit_checks
    from anechain.acoustics.nonlinear import intermodulation
    from anechain.acoustics.recording import (
        clock_errors,
        excitation_timing,
        later_sound,
        polarity,
        recording_noise,
        reflections,
        stated_signals,
    )
    from anechain.acoustics.recording.time_windows import Window

    angle = np.arange(-170.0, 181.0, 10.0)
    level = _turned(angle, 7.0)
    exchanged = level.copy()
    exchanged[[20, 22]] = exchanged[[22, 20]]
    mislaid = level.copy()
    mislaid[21] = _turned(np.array([52.0]), 7.0)[0]
    times = 5.8e-3 - 1e-4 * np.cos(np.deg2rad(angle)) + 3e-5 * np.sin(np.deg2rad(angle)) + 2e-4 * (angle == 60)
    at = np.geomspace(90.0, 7000.0, 40)

    def stretched(ratio: float) -> Floats:
        signal = _played()
        places = np.arange(round(signal.size * ratio)) / ratio
        return np.interp(places, np.arange(signal.size), signal)

    def clock() -> list[float]:
        early = _early(stretched(1.0004))
        law = excitation_timing.excitation_delay(_played(), _RATE, at)
        found = clock_errors.clock_error(early, _RATE, at, law, _BAND)
        return [round(found.error, 1), round(found.uncertainty, 3), round(found.before, 4), round(found.after, 4)]

    def surroundings() -> Floats:
        """The response from 25 ms before the arrival to 33 ms after it, with two reflections of the later sound."""
        early = np.concatenate([np.zeros(320), _early(_played()), np.zeros(48)])
        return np.asarray(early + 0.2 * np.roll(early, 150) + 1e-5 * np.sin(np.arange(early.size) ** 1.5))

    def reflected() -> list[Any]:
        found = reflections.find_reflections(surroundings(), _RATE, 0.025, (300.0, 6500.0))
        rows = [[round(each.delay, 7), round(each.level, 4), *each.band] for each in found.reflections]
        return [*rows, round(found.floor, 4)]

    def energy() -> list[float]:
        found = reflections.find_reflections(surroundings(), _RATE, 0.025, (300.0, 6500.0))
        windows = (None, Window(0.001, 0.009, 0.003, "hann"))
        return [round(reflections.later_energy(found, window), 4) for window in windows]

    def later() -> list[Floats]:
        envelopes = later_sound.later_sound(surroundings(), _RATE, 0.025, [(300.0, 6500.0), (1000.0, 4000.0)])
        return [np.round(envelope.amplitude, 8) for envelope in envelopes]

    def hum() -> list[Any]:
        found = recording_noise.mains_hum(_recording(0 * _played()), _RATE)
        return [found.mains, np.round(found.frequency, 6), np.round(found.power / 1e-7, 6)]

    def ratio() -> list[float]:
        # A hundredth of the gain: it is a quotient of two powers, of which the lesser one is nearly noise.
        found, gain = clock_errors.clock_ratio(_recording(stretched(0.91875)), _played(), _RATE, _BAND)
        return [found, round(float(np.log10(gain)), 2)]

    def unlisted() -> list[Floats]:
        time = np.arange(16000) / _RATE
        tones = ((300.0, 1.0), (500.0, 0.3), (900.0, 0.7), (610.0, 0.2))
        record = sum(amplitude * np.sin(2 * np.pi * f * time + f) for f, amplitude in tones)
        level, frequency = intermodulation.strongest_unlisted_lines(record, _RATE, [300.0, 500.0, 900.0])
        return [np.round(np.maximum(level, -60.0), 6), frequency[1:]]

    def ending() -> list[float]:
        found = excitation_timing.sweep_end(_recording(_played()), _RATE)
        return [found.time, round(found.fall_db, 4)]

    return {
        "arrival-from-phase": lambda: np.round(
            arrivals.arrival_from_phase(
                np.geomspace(200.0, 18000.0, 130),
                -360 * np.geomspace(200.0, 18000.0, 130) * np.array([[0.0059], [0.0121]]),
            ),
            9,
        ),
        "arrival-round-orbit": lambda: np.round(arrivals.fit_arrivals(angle, times).residual, 10),
        "clock-error": clock,
        "clock-ratio": ratio,
        "distance-law-check": lambda: arrivals.distance_law_error(0.7, 1.9, 2.2),
        "excitation-delay": lambda: np.round(excitation_timing.excitation_delay(_played(), _RATE, at), 8),
        "harmonic-misplacement": lambda: round(stated_signals.harmonic_time_error(_played(), _RATE, 0.11, 4, _BAND), 7),
        "later-energy": energy,
        "later-sound": later,
        "level-by-drive": lambda: stated_signals.level_error_by_drive(
            [[80.0, 82.0, np.nan], [80.2, 82.2, 70.0], [88.9, 91.0, 80.0]], [1.0, 1.0, 2.83]
        ),
        "likely-angle": lambda: [
            misplaced_directions.best_angle(angle, mislaid, row).angle for row in (3, 17, 20, 21, 22, 35)
        ],
        "mains-hum": hum,
        "mirror-differences": lambda: orbit_checks.mirror_differences(angle, level),
        "neighbour-differences": lambda: [
            np.round(part, 8) for part in orbit_checks.neighbour_differences(angle, mislaid)
        ],
        "pole-difference": lambda: orbit_checks.pole_difference(level[17], level[21]),
        "recording-signal-to-noise": lambda: recording_noise.band_signal_to_noise(
            np.array([1.0, 2e-3, 1e-6, np.nan]), np.array([1e-5, 1e-3, 1e-6, 1.0])
        ),
        "reflections": reflected,
        "response-likeness": lambda: round(
            polarity.normalized_correlation(_early(_played()), np.roll(-_early(_played()), 2), _RATE), 8
        ),
        "rotation-centre-error": lambda: arrivals.rotation_error(0.11, 1.7),
        "speed-of-sound": lambda: arrivals.speed_of_sound(np.array([-10.0, 0.0, 20.0, 31.0])),
        "swapped-directions": lambda: [
            [found.first, found.second, round(found.before, 8), round(found.after, 8)]
            for found in (misplaced_directions.best_swap(angle, exchanged),)
        ],
        "sweep-ending": ending,
        "unlisted-lines": unlisted,
    }

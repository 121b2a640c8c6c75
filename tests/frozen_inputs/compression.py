"""Frozen reference inputs of compression, coil heating, takes in measuring order, and usable limits."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from anechain.arrays import Floats

__all__ = ["reference_calls_of_compression"]


_FREQUENCY: Floats = np.geomspace(22.0, 14_000.0, 97)
_DRIVES: Floats = np.array([0.7, 1.9, 5.3, 11.0])
_BAND = (320.0, 2900.0)


def _levels() -> Floats:
    """Levels with compression at low frequencies, a resonance that shifts with the drive, and a gap."""
    drive = _DRIVES[:, np.newaxis]
    linear = 84.0 + 20.0 * np.log10(drive) - 9.0 * np.log2(1.0 + (45.0 / _FREQUENCY) ** 2)
    loss = 0.004 * drive**2 * (0.3 + 3.0 / (1.0 + (_FREQUENCY / 90.0) ** 2))
    ripple = np.sin(4.0 * np.log2(_FREQUENCY / 100.0) + 0.02 * drive)
    level = linear - loss + ripple
    level[2, 40:42] = np.nan
    return np.asarray(level)


def _noise() -> Floats:
    return np.broadcast_to(46.0 - 6.0 * np.log2(_FREQUENCY / 20.0), (_DRIVES.size, _FREQUENCY.size)).copy()


def _takes() -> tuple[Floats, Floats, Floats, Floats]:
    order = np.array([0, 2, 2, 3, 3, 0])
    warm = np.array([0.0, 0.1, 0.4, 0.9, 1.3, 0.2])
    level = _levels()[order] - warm[:, np.newaxis] * (1.0 + _FREQUENCY / 9000.0)
    return _FREQUENCY, level, _DRIVES[order], np.array([0.0, 21.0, 40.0, 63.0, 99.0, 150.0])


def reference_calls_of_compression() -> dict[str, Callable[[], Any]]:
    """Calls by method id."""
    from anechain.acoustics.nonlinear import (
        coil_heating,
        compression_deltas,
        exceedance_bands,
        level_and_shape,
        listening_level,
        octave_compression,
        reading_uncertainty,
        usable_limits,
    )
    from anechain.acoustics.recording import drift, drift_fit, take_changes

    def deltas() -> compression_deltas.CompressionDeltas:
        return compression_deltas.compression_deltas(_FREQUENCY, _levels(), _DRIVES, _noise(), 5.0)

    def reached() -> list[octave_compression.LimitReached]:
        bands = octave_compression.octave_bands(_FREQUENCY, _levels(), _DRIVES, deltas().flag)
        rows = zip(bands.level_db.T, bands.delta_db.T, strict=True)
        return [octave_compression.limit_reached(_DRIVES, level, delta, -0.8) for level, delta in rows]

    def lowest() -> list[usable_limits.LowestUsable]:
        limit = usable_limits.distortion_limit_curve(_FREQUENCY)
        distortion = 4.0 * (70.0 / _FREQUENCY) ** 1.3
        return [
            usable_limits.lowest_usable(_FREQUENCY, low * distortion, distortion, limit, row, -1.1, top)
            for row in deltas().delta_db
            for low in (0.2, 1.0)
            for top in (None, 900.0)
        ]

    frequency, level, drive, started = _takes()
    return {
        "coil-temperature-rise": lambda: [
            coil_heating.implied_temperature_rise([0.1, -0.3, -2.4], share, conductor)
            for share in (0.0, 0.4)
            for conductor in ("copper", "aluminium")
        ],
        "compression-bands": lambda: [
            exceedance_bands.exceedance_bands(_FREQUENCY, row, limit)
            for row in deltas().delta_db
            for limit in (-0.4, -1.2)
        ],
        "compression-delta": deltas,
        "compression-level-and-shape": lambda: level_and_shape.level_and_shape(_FREQUENCY, deltas().delta_db, _BAND),
        "compression-recovery": lambda: take_changes.recovery(frequency, level, drive, _BAND, started, 4.0),
        "drift-removal": lambda: [
            drift_fit.fit_drift(frequency, level + 0.02 * rate * started[:, np.newaxis], drive, _BAND, times, 30.0)
            for rate in (-1.0, 0.3)
            for times in (None, started)
        ],
        "held-level": lambda: [
            listening_level.lowest_level(_FREQUENCY, _levels()[1], 61.0, 2700.0, room) for room in (None, 11.0)
        ],
        "level-at-compression": reached,
        "level-resolution": lambda: [
            reading_uncertainty.level_resolution(np.round(_levels() / step) * step + 0.3)
            for step in (0.5, 0.1, 0.02, 1e-7)
        ],
        "listening-level": lambda: [
            listening_level.listening_level_step(4.3, number, addition)
            for number in (1, 3)
            for addition in ("incoherent", "coherent")
        ],
        "long-term-compression": lambda: take_changes.long_term(frequency, level, drive, _BAND, started, 4.0),
        "lowest-usable-frequency": lowest,
        "noise-uncertainty": lambda: reading_uncertainty.noise_uncertainty([3.0, 12.0, 27.0, 55.0]),
        "octave-compression": lambda: octave_compression.octave_bands(_FREQUENCY, _levels(), _DRIVES, deltas().flag),
        "take-drift": lambda: drift.drift(frequency, level, drive, 4.0, 0.15),
        "take-over-frequency": lambda: [usable_limits.take_over(hertz) for hertz in (33.0, 100.0, 144.0)],
    }

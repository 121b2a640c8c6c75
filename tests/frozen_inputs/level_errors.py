"""Frozen reference inputs of the uncertainty of distortion and compression: takes at two drives, orders, a limit."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from anechain.arrays import Floats

__all__ = ["reference_calls_of_level_errors"]


_AT: Floats = np.geomspace(40.0, 4000.0, 41)
_ORDERS = (2, 3)
_LEVEL: Floats = np.array([-31.0 - 4.0 * np.log2(_AT / 40.0), -44.0 - 2.0 * np.log2(_AT / 40.0)])


def _errors() -> Any:
    """Two takes with one microphone and different repeatability."""
    from anechain.acoustics.nonlinear.harmonic_errors import OrderErrors, sounding_frequencies
    from anechain.acoustics.uncertainty.drawn_errors import DirectionErrors

    frequencies, first, order = sounding_frequencies(_AT, _ORDERS, np.ones((2, _AT.size), dtype=bool))
    errors = DirectionErrors(
        frequency=frequencies,
        broadband_error=np.full(frequencies.size, 0.23),
        response=0.1 + 0.05 * np.log2(frequencies / 40.0),
        own=np.stack([np.full(frequencies.size, 0.11), np.full(frequencies.size, 0.07)]),
        angle_error=np.zeros((2, frequencies.size)),
        shares={"at": np.repeat([[0.3], [0.7]], frequencies.size, axis=1)},
        own_octaves=1.0,
        response_octaves=0.7,
        draws=40,
    )
    return OrderErrors(errors, first, order)


def reference_calls_of_level_errors() -> dict[str, Callable[[], Any]]:
    """Calls by method id."""
    from anechain.acoustics.nonlinear import compression_uncertainty, harmonic_errors, level_slopes

    slopes = level_slopes.LevelSlopes(
        np.array([np.full(_AT.size, 0.9), np.full(_AT.size, 1.8)]),
        np.array([np.full(_AT.size, 1.1), np.full(_AT.size, 2.3)]),
        np.where(_AT > 300.0, 1.0, 0.0) / (_AT > 300.0).sum(),
    )
    noise = harmonic_errors.order_noise_uncertainty(_LEVEL, np.full(_LEVEL.shape, -71.0), _LEVEL < -55.0)
    shares = harmonic_errors.order_power_shares(_LEVEL)
    over = np.where((_AT > 60.0) & (_AT < 900.0), 1.0 / _AT, 0.0)
    slope_options = (None, slopes)

    def summed() -> list[float]:
        return [
            harmonic_errors.sum_uncertainty(_errors(), "at", shares, over / over.sum(), noise, option)
            for option in slope_options
        ]

    return {
        "coil-rise-uncertainty": lambda: compression_uncertainty.temperature_rise_uncertainty(-2.4, 81.0, 0.13),
        "drawn-harmonic-errors": lambda: [
            harmonic_errors.draw_order_errors(_errors(), "at", noise, option) for option in slope_options
        ],
        "harmonic-sum-uncertainty": summed,
        "passing-level-shares": lambda: [
            compression_uncertainty.limit_level_sensitivities(4, below, (91.0, 96.2), (-0.4, -1.3), -1.0)
            for below in (0, 2)
        ],
    }

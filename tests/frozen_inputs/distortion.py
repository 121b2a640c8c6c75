"""Frozen reference inputs of distortion: orders in noise, sums, peaks, takes at a level, tones."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from anechain.arrays import Floats

__all__ = ["reference_calls_of_distortion"]


_AT: Floats = np.geomspace(30.0, 9000.0, 67)
_ORDERS = (2, 3, 4, 5)


def _fundamental() -> Floats:
    return np.asarray(88.0 - 10.0 * np.log10(1.0 + (52.0 / _AT) ** 4) + 0.6 * np.sin(3.0 * np.log2(_AT)))


def _levels() -> Floats:
    """Orders that fall with frequency, one with a peak; values above 20 kHz are missing."""
    level = np.array([_fundamental() - 33.0 - 7.0 * n - 5.0 * np.log10(_AT / 60.0) for n in range(4)])
    level[1] += 14.0 * np.exp(-((np.log2(_AT / 410.0) / 0.15) ** 2))
    return np.asarray(np.where(np.array(_ORDERS)[:, np.newaxis] * _AT > 20000.0, np.nan, level))


def _noise() -> Floats:
    return np.asarray(np.broadcast_to(17.0 + 6.0 * np.log10(_AT / 30.0), (4, _AT.size)))


def _noise_rule() -> list[Floats]:
    from anechain.acoustics.nonlinear.noise_rule import noise_rule

    rule = noise_rule(0.001, [1.0, 4.0, 8.0, np.inf, 0.0, 0.0], [1.0, 2.0, 1.0, 3.0, 2.0, 5.0])
    return [rule.margin_db, rule.limit]


def _referred() -> Any:
    from anechain.acoustics.nonlinear.noise_rule import NoiseRule
    from anechain.acoustics.nonlinear.relative_orders import referred_orders

    rule = NoiseRule(np.full((4, 1), 10.0), np.full((4, 1), np.sqrt(3.0)))
    return referred_orders(_fundamental(), _levels(), _noise(), rule)


def _tones() -> tuple[Floats, Floats]:
    played = 300.0 * 2.0 ** (np.arange(9) / 3) + 0.37
    time = np.arange(16000) / 16000
    signal = sum(0.1 * np.sin(2 * np.pi * tone * time + row) for row, tone in enumerate(played))
    return np.asarray(signal + 0.03 * signal**2 - 0.05 * signal**3), played


def reference_calls_of_distortion() -> dict[str, Callable[[], Any]]:
    """Calls by method id."""
    from anechain.acoustics.nonlinear import (
        distortion_at_level,
        distortion_in_bands,
        harmonic_peaks,
        harmonic_sums,
        intermodulation,
        measured_levels,
        relative_orders,
    )

    def summed() -> Any:
        found = _referred()
        return [
            harmonic_sums.harmonic_sum(found.level_db, found.bound, _ORDERS, *ends) for ends in ((2, 9), (2, 3), (4, 9))
        ]

    def percents() -> tuple[Floats, Floats]:
        found = _referred()
        total = harmonic_sums.harmonic_sum(found.level_db, found.bound, _ORDERS, 2, 5)
        percent, least = (harmonic_sums.percent_of_level(level) for level in (total.upper_db, total.lower_db))
        return percent, least

    takes = [np.nan_to_num(_levels()) + step for step in (0.0, 4.7, 9.1)]
    levels = (84.1, 88.8, None, 93.2)

    def between() -> Any:
        record, tones = _tones()
        found = intermodulation.multitone_bands(record, 16000.0, tones, 3, 100.0, 7000.0)
        return [found.centre_hz, np.round(found.tones, 10), np.round(found.between, 12), found.free]

    hall = distortion_at_level.MeasurementConditions("spl", 1.0, "Hall")
    return {
        "between-takes": lambda: distortion_at_level.interpolate_takes(
            takes, distortion_at_level.TakesAtLevel(90.0, 90.0, (0, 2), 0.37, "")
        ),
        "distortion-comparability": lambda: distortion_at_level.comparable_devices(
            {
                "a": distortion_at_level.MeasurementConditions("spl", 1.0, "Yard"),
                "b": hall,
                "c": hall,
                "d": distortion_at_level.MeasurementConditions("relative", None, "Hall"),
                "e": distortion_at_level.MeasurementConditions("spl", 2.0, "hall"),
            }
        ),
        "distortion-in-band": lambda: distortion_in_bands.distortion_in_band(_AT, *percents(), 90.0, 2500.0),
        "harmonic-peaks": lambda: harmonic_peaks.harmonic_peaks(_AT, _fundamental(), _referred(), _ORDERS),
        "harmonic-sum": summed,
        "harmonics-and-noise": lambda: harmonic_sums.harmonics_and_noise(_referred(), _ORDERS, 2, 9),
        "lowest-frequency-under": lambda: [
            distortion_in_bands.lowest_frequency_below_limit(_AT, *percents(), limit, 1000.0)
            for limit in (0.1, 3.0, 5.0)
        ],
        "multitone-bands": between,
        "multitone-ratio": lambda: intermodulation.multitone_ratio([1.0, 0.0, 2.3], [0.01, np.nan, 0.0007]),
        "noise-rule": lambda: _noise_rule(),
        "order-noise": lambda: relative_orders.order_noise(
            _levels(), _noise(), np.abs(np.sin(np.arange(4 * _AT.size))).reshape(4, -1)
        ),
        "referred-orders": _referred,
        "relative-to-total": lambda: harmonic_sums.relative_to_total([-60.0, -17.0, -3.0]),
        "levels-within-takes": lambda: [
            measured_levels.levels_within_takes(levels),
            measured_levels.levels_within_takes([83.6, None, 96.2], 78.0, 6.0, 0.5),
        ],
        "take-at-level": lambda: [
            distortion_at_level.takes_at_level(levels, level) for level in (70.0, 84.5, 86.0, 91.0, 99.0)
        ],
        "take-level": lambda: distortion_at_level.take_levels(_AT, [_fundamental(), _fundamental() + 3.3]),
    }

"""Frozen reference inputs of time and phase: a response that is no minimum phase, with a delay."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from anechain.arrays import Complexes, Floats

__all__ = ["reference_calls_of_phase"]


def _response(frequency: Floats) -> Complexes:
    """A high-pass, a resonance, an all-pass and 5 ms of delay."""
    s = 1j * frequency
    high_pass = s**2 / (s**2 + 60.0 * s + 55.0**2)
    resonance = 1 + 0.4 * np.exp(0.7j) / (1 + 9j * (frequency / 840.0 - 840.0 / frequency))
    all_pass = (1700.0 - s) / (1700.0 + s)
    return np.asarray(high_pass * resonance * all_pass * np.exp(-2j * np.pi * frequency * 0.005) / (1 + s / 21000.0))


def reference_calls_of_phase() -> dict[str, Callable[[], Any]]:
    """Calls by method id."""
    from anechain.acoustics.phase import burst_decay, excess_phase, group_delay, impulse_response, minimum_phase

    frequency = np.geomspace(25.0, 19000.0, 331)
    response = _response(frequency)
    level, phase = 20 * np.log10(np.abs(response)), np.rad2deg(np.angle(response))
    without_delay = np.rad2deg(np.unwrap(np.angle(response * np.exp(2j * np.pi * frequency * 0.005))))
    centres = np.array([130.0, 840.0, 2600.0, 9100.0])

    def rounded(values: Any) -> list[str]:
        # Transforms are not the same to the last digits everywhere.
        return [f"{value:.4f}" for value in np.ravel(values)]

    def parts() -> Any:
        found = excess_phase.excess_phase(frequency, level, phase)
        return f"{1e3 * (found.delay or 0.0):.5f}", *map(
            rounded, (found.minimum, found.excess, found.low_error, found.high_error)
        )

    def decay() -> Any:
        found = burst_decay.burst_decay(frequency, level, without_delay, centres)
        return rounded(found.periods), rounded(found.known), [f"{value:.2f}" for value in found.floor]

    def impulse() -> Any:
        found = impulse_response.impulse_response(frequency, level, 0.3 * without_delay)
        return rounded(1e3 * found.time[::7]), rounded(found.impulse[::7]), rounded(found.step[::7])

    return {
        "band-arrivals": lambda: [
            group_delay.band_arrivals(frequency, level, without_delay, centres, fraction) for fraction in (1, 3)
        ],
        "burst-decay": decay,
        "excess-phase": parts,
        "group-delay": lambda: [
            group_delay.group_delay(frequency, without_delay, centres, fraction) for fraction in (3.0, 6.0)
        ],
        "group-delay-threshold": lambda: group_delay.group_delay_threshold([300.0, 700.0, 3000.0, 7000.0, 9000.0]),
        "impulse-response": impulse,
        "minimum-phase": lambda: rounded(minimum_phase.minimum_phase(frequency, level)),
        "polarity-of-phase": lambda: [
            excess_phase.polarity_of_phase([mean - 10.0, mean + 10.0]) for mean in range(-170, 400, 47)
        ],
    }

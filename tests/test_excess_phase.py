"""Excess phase of responses in closed form: none for minimum phase, that of the all-pass else."""

import numpy as np
import pytest

from anechain.acoustics.curve.excess_phase import excess_phase
from deviation_sources import section_response
from filters import decibels

GRID = 50 * 2 ** (np.arange(8 * 48 + 24) / 48)


def excess_of(response):
    octaves, excess = excess_phase(GRID, decibels(response), np.rad2deg(np.angle(response)))
    inner = (octaves > np.log2(100)) & (octaves < np.log2(9000))
    return octaves[inner], excess[inner]


@pytest.mark.parametrize("q", [0.8, 3, 10])
@pytest.mark.parametrize("gain", [6, -6])
def test_a_resonance_is_minimum_phase(q, gain):
    _, excess = excess_of(section_response(1000, q, gain, GRID))
    assert np.abs(excess).max() < np.deg2rad(3)


def test_a_weak_echo_is_minimum_phase():
    _, excess = excess_of(1 + 0.2 * np.exp(-2j * np.pi * GRID * 0.0005))
    assert np.abs(excess).max() < np.deg2rad(8)


def test_two_drive_units_have_an_all_pass_part():
    """Linkwitz and Riley of order 4 sum up to an all-pass of order 2 with Q 0.71, which turns by 360 degrees."""
    s = 1j * GRID / 1000
    octaves, excess = excess_of((s**2 - np.sqrt(2) * s + 1) / (s**2 + np.sqrt(2) * s + 1))
    turned = np.interp(np.log2([150, 6700]), octaves, excess)
    expected = 2 * np.angle([(1 - (f / 1000) ** 2) - 1j * np.sqrt(2) * f / 1000 for f in (150, 6700)])
    assert turned[0] - turned[1] == pytest.approx(expected[0] - expected[1], abs=np.deg2rad(20))


def test_a_delay_is_no_excess_phase():
    _, excess = excess_of(np.exp(-2j * np.pi * GRID * 1e-5))
    assert np.abs(excess).max() < 1e-4

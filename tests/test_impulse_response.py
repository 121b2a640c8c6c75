"""Impulse and step response against an independent simulation of the same filters."""

import numpy as np
import pytest
from scipy.signal import butter, lti, step

from anechain.acoustics.phase.excess_phase import excess_phase
from anechain.acoustics.phase.impulse_response import impulse_response
from anechain.acoustics.recording.polarity import polarity
from phase_systems import GRID, band_pass, delayed, filtered, level_and_phase, linkwitz_riley_sum


def simulated_step(low, order, time):
    """Step of a high-pass and of a low-pass at 12 kHz, as scipy simulates the analogue system; greatest value 1."""
    numerators, denominators = zip(
        butter(order, 2 * np.pi * low, "highpass", analog=True),
        butter(2, 2 * np.pi * 12_000, "lowpass", analog=True),
        strict=True,
    )
    _, found = step(lti(np.polymul(*numerators), np.polymul(*denominators)), T=time)
    return found / np.abs(found).max()


def found_from(low, order, grid):
    """The same from its level and delayed phase in a band."""
    response = filtered("highpass", order, low, grid) * filtered("lowpass", 2, 12_000, grid)
    parts = excess_phase(grid, *level_and_phase(delayed(response, grid, 0.006)))
    return impulse_response(grid, level_and_phase(response)[0], parts.excess)


TIME = np.linspace(0, 0.005, 5001)


@pytest.mark.parametrize(("low", "order", "grid"), [(60.0, 2, GRID), (45.0, 4, GRID), (60.0, 2, GRID[GRID > 35])])
def test_the_step_of_a_band_pass(low, order, grid):
    """Measured: to 2 % of the peak from 0.1 to 4 ms."""
    truth, found = simulated_step(low, order, TIME), found_from(low, order, grid)
    at = np.linspace(0.1e-3, 4e-3, 200)
    np.testing.assert_allclose(np.interp(at, found.time, found.step), np.interp(at, TIME, truth), atol=0.02)


@pytest.mark.parametrize(("low", "order"), [(40.0, 4), (40.0, 2), (80.0, 2)])
def test_the_step_of_a_gated_measurement(low, order):
    """From 200 Hz, the phase alone shows that there is a roll-off below. Measured: to 17 % of the peak up to 2 ms."""
    truth, found = simulated_step(low, order, TIME), found_from(low, order, GRID[GRID >= 200])
    at = np.linspace(0.1e-3, 2e-3, 200)
    np.testing.assert_allclose(np.interp(at, found.time, found.step), np.interp(at, TIME, truth), atol=0.17)
    assert np.abs(found.step[found.time < -0.3e-3]).max() < 0.06


def test_polarity_and_arrival():
    """Upwards first for a positive response, downwards for a reversed one, at time zero."""
    for sign in (1, -1):
        level, phase = level_and_phase(delayed(sign * band_pass(GRID), GRID, 0.004))
        found = impulse_response(GRID, level, excess_phase(GRID, level, phase).excess)
        assert polarity(found.impulse) == sign
        assert abs(found.time[np.argmax(np.abs(found.impulse))]) < 30e-6
        assert np.abs(found.impulse).max() == np.abs(found.step).max() == 1.0


def test_a_crossover_parts_the_arrivals():
    """Fourth-order crossover at 800 Hz: the woofer's step follows the tweeter's, each with its own peak."""
    level, phase = level_and_phase(band_pass(GRID) * linkwitz_riley_sum(GRID, 800.0))
    found = impulse_response(GRID, level, excess_phase(GRID, level, phase).excess)
    tweeter = found.time[np.argmax(np.where(found.time < 0.2e-3, found.step, -2))]
    woofer = found.time[np.argmax(np.where(found.time > 0.2e-3, found.step, -2))]
    between = found.step[(found.time > tweeter) & (found.time < woofer)].min()
    assert tweeter < 0.05e-3 and 0.5e-3 < woofer < 1.5e-3 and between < -0.1


def test_the_time_that_is_asked_for():
    found = impulse_response(GRID, np.zeros(GRID.size), np.zeros(GRID.size), before=0.001, after=0.002)
    assert found.time[0] == pytest.approx(-0.001) and found.time[-1] == pytest.approx(0.002)
    assert (np.diff(found.time) > 0).all()

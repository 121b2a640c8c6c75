"""Decay of bursts: resonances of known Q, and where a decay is not known."""

import numpy as np
import pytest

from anechain.acoustics.phase.burst_decay import burst_decay, shortest_decay
from phase_systems import GRID, band_pass, level_and_phase

DENSE = np.geomspace(20, 20_000, 961)
DROPS = (10.0, 20.0, 30.0)


def unwrapped(response):
    level, phase = level_and_phase(response)
    return level, np.rad2deg(np.unwrap(np.deg2rad(phase)))


def resonance(frequency, centre, q):
    return 1 / (1 + 1j * q * (frequency / centre - centre / frequency))


@pytest.mark.parametrize("centre", [200.0, 1000.0, 6000.0])
@pytest.mark.parametrize(("q", "error"), [(4, 0.015), (8, 0.015), (16, 0.02)])
def test_a_resonance_decays_by_27_over_q_decibels_per_period(centre, q, error):
    """Closed form: the envelope is e^(-pi f t / Q), 27.29 / Q dB per period. 96 points per octave."""
    found = burst_decay(DENSE, *unwrapped(resonance(DENSE, centre, q)), [centre], DROPS)
    first, last = found.periods[0, 0], found.periods[2, 0]
    if centre == 200.0 and q == 16:
        assert np.isnan(last)  # 18 periods, of which one period of 20 Hz allows ten
    else:
        assert (last - first) / 20 == pytest.approx(q / 27.288, rel=error)


def test_the_grid_shortens_a_narrow_resonance():
    """Measured: with 48 points per octave, Q = 18 seems to decay by 6 % faster (straight lines between samples)."""
    found = burst_decay(GRID, *unwrapped(resonance(GRID, 620.0, 18)), [620.0], DROPS)
    rate = (found.periods[2, 0] - found.periods[0, 0]) / 20
    assert 0.92 < rate / (18 / 27.288) < 1.0


def test_a_weak_resonance_is_found_in_its_band_only():
    """10 dB below the rest it goes on after a burst has gone, at its frequency."""
    response = band_pass(GRID) * (1 + 10**-0.5 * resonance(GRID, 800.0, 20))
    centres = np.array([400.0, 800.0, 1600.0])
    found = burst_decay(GRID, *unwrapped(response), centres, (30.0,))
    assert found.periods[0, 1] > 8 and (found.periods[0, [0, 2]] < 4).all()


@pytest.mark.parametrize("drop", DROPS)
def test_without_a_resonance_the_burst_alone_decays(drop):
    """Closed form of the Gaussian: sqrt(drop ln 10 / 10) / (2 pi s), s its relative width."""
    found = burst_decay(GRID, np.zeros(GRID.size), np.zeros(GRID.size), [500.0, 2000.0], (drop,))
    np.testing.assert_allclose(found.periods[0], shortest_decay(drop), rtol=0.01)
    assert shortest_decay(20.0) == pytest.approx(2.46, abs=0.01)
    assert (found.floor < -90).all()


def test_a_delay_changes_nothing():
    """The decay is counted from the maximum."""
    level, phase = unwrapped(resonance(DENSE, 1000.0, 8))
    there, later = (burst_decay(DENSE, level, phase - 360 * DENSE * delay, [1000.0]) for delay in (0.0, 0.003))
    np.testing.assert_allclose(there.periods, later.periods, atol=0.05)


def test_nothing_is_known_beyond_one_period_of_the_lowest_frequency():
    gated = GRID[GRID >= 200]
    flat = np.zeros(gated.size)
    found = burst_decay(gated, flat, flat, [250.0, 400.0, 700.0, 15_000.0], (20.0,))
    # The burst must lie in the band, and take no longer than the window: 2.46 periods are 2.46 times 200 Hz.
    assert np.isfinite(found.periods[0]).tolist() == [False, False, True, False]
    assert found.known[1] == pytest.approx(2.0) and np.isnan(found.known[[0, 3]]).all()


def test_noise_hides_a_drop():
    random = np.random.default_rng(3)
    noise = random.standard_normal(GRID.size) + 1j * random.standard_normal(GRID.size)
    found = burst_decay(GRID, *unwrapped(1 + 0.2 * noise), np.geomspace(200, 8000, 40), DROPS)
    assert np.isfinite(found.periods[0]).mean() > 0.9
    assert np.isfinite(found.periods[2]).mean() < 0.1


def test_coarse_frequencies_see_less_far():
    """With 12 per octave, steps of 1/17.3 of the frequency: half of one over the step is 8.7 periods, 7.7 at the
    upper end of the burst."""
    coarse = np.geomspace(20, 20_000, 121)
    found = burst_decay(coarse, np.zeros(121), np.zeros(121), [2000.0], (20.0,))
    assert found.known[0] == pytest.approx(7.7, abs=0.4)


def test_a_late_echo_is_not_mistaken_for_an_early_one():
    """An echo of -10 dB comes 0.2 s later, 1000 periods: in steps of 1 Hz it is known to be late."""
    linear = np.arange(20.0, 20_000.0)
    late = 1 + 0.3 * np.exp(-2j * np.pi * linear * 0.2)
    found = burst_decay(linear, *unwrapped(late), [5000.0], DROPS)
    np.testing.assert_allclose(found.periods[:, 0], [shortest_decay(drop) for drop in DROPS], rtol=0.1)
    # An echo 2 ms later is 10 periods at 5 kHz, and is seen.
    soon = 1 + 0.1 * np.exp(-2j * np.pi * linear * 0.002)
    found = burst_decay(linear, *unwrapped(soon), [5000.0], DROPS)
    assert found.periods[1, 0] < 3 and found.periods[2, 0] == pytest.approx(10 + shortest_decay(10.0), abs=0.5)

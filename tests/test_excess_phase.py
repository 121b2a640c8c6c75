"""Excess phase: crossovers whose sum is an all-pass in closed form, with any delay."""

import os
from pathlib import Path

import numpy as np
import pytest

from anechain.acoustics.phase.excess_phase import excess_phase, polarity_of_phase
from anechain.acoustics.phase.group_delay import group_delay
from phase_systems import (
    GRID,
    band_pass,
    butterworth_sum,
    delayed,
    filtered,
    level_and_phase,
    linkwitz_riley_sum,
)


def excess_of(response, frequency=GRID, delay=0.0):
    return excess_phase(frequency, *level_and_phase(delayed(response, frequency, delay)))


def all_pass_phase(response):
    """Degrees, 0 at high frequencies."""
    phase = np.rad2deg(np.unwrap(np.angle(response)))
    return phase - 360 * np.round(phase[-1] / 360)


@pytest.mark.parametrize("delay", [0.0, 2 / 343, 0.02, -0.0015])
@pytest.mark.parametrize("crossover", [800.0, 2500.0])
def test_a_linkwitz_riley_crossover_turns_once(delay, crossover):
    """Measured: the phase to 6 degrees from 80 Hz to 14 kHz, and the delay to 8 us, of which the dome has 6."""
    found = excess_of(band_pass(GRID) * linkwitz_riley_sum(GRID, crossover), delay=delay)
    inside = (GRID > 80) & (GRID < 14_000)
    truth = all_pass_phase(linkwitz_riley_sum(GRID, crossover))
    assert np.abs(found.excess - truth)[inside].max() < 6.0
    assert found.delay == pytest.approx(delay, abs=8e-6)


def test_a_third_order_crossover_turns_half_way():
    """An all-pass of first order, with the tweeter reversed. Measured: to 8 degrees."""
    found = excess_of(band_pass(GRID) * butterworth_sum(GRID, 2500.0), delay=0.006)
    turn = found.excess[np.searchsorted(GRID, 50.0)] - found.excess[np.searchsorted(GRID, 15_000.0)]
    truth = all_pass_phase(butterworth_sum(GRID, 2500.0))
    assert turn == pytest.approx(truth[np.searchsorted(GRID, 50.0)] - truth[np.searchsorted(GRID, 15_000.0)], abs=8)


@pytest.mark.parametrize("sign", [1, -1])
def test_minimum_phase_has_none_but_its_sign(sign):
    found = excess_of(sign * band_pass(GRID), delay=0.01)
    inside = (GRID > 80) & (GRID < 14_000)
    off = (found.excess[inside] + 180) % 360 - 180 if sign > 0 else found.excess[inside] % 360 - 180
    assert np.abs(off).max() < 6.0
    assert polarity_of_phase(found.excess[GRID > 10_000]) == sign
    assert polarity_of_phase(found.excess[GRID < 80]) == sign


def test_a_reversed_tweeter_of_a_second_order_crossover():
    """The usual wiring of a second-order Linkwitz-Riley crossover: the tweeter is reversed, the sum an all-pass."""
    low, high = (filtered(kind, 1, 2000.0, GRID) ** 2 for kind in ("lowpass", "highpass"))
    found = excess_of(band_pass(GRID) * (low - high), delay=0.006)
    assert polarity_of_phase(found.excess[(GRID > 80) & (GRID < 160)]) == 1
    assert polarity_of_phase(found.excess[GRID > 10_000]) == -1


@pytest.mark.parametrize(("low", "corner"), [(200.0, 50.0), (200.0, 120.0), (30.0, 40.0)])
def test_the_uncertainty_covers_what_a_gate_hides(low, corner):
    """The roll-off below the band is unknown: within two standard uncertainties the excess phase is zero."""
    grid = GRID[low <= GRID]
    found = excess_of(band_pass(grid, low=corner), grid)
    combined = np.hypot(found.low_error, found.high_error)
    inside = (grid > low * 1.5) & (grid < 14_000)
    assert (np.abs(found.excess[inside]) < 2 * combined[inside] + 1.0).all()


def test_equal_steps_and_a_few_takes_off_the_grid():
    linear = np.arange(20.0, 20_000.0, 2.0)
    found = excess_of(band_pass(linear) * linkwitz_riley_sum(linear, 2500.0), linear, 0.0058)
    assert found.delay == pytest.approx(0.0058, abs=8e-6)
    kept = np.random.default_rng(1).random(GRID.size) > 0.1
    holed = excess_of((band_pass(GRID) * linkwitz_riley_sum(GRID, 2500.0))[kept], GRID[kept], 0.0058)
    assert holed.delay == pytest.approx(found.delay, abs=1e-6)


def test_a_phase_that_cannot_be_followed():
    """Noise, and a strong echo 50 ms later on a grid that cannot resolve it."""
    random = np.random.default_rng(1)
    noise = excess_phase(GRID, np.zeros(GRID.size), random.uniform(-180, 180, GRID.size))
    assert noise.delay is None and np.isnan(noise.excess).all() and "shorter time window" in noise.reason
    late = excess_of(band_pass(GRID) * (1 - 1.5 * np.exp(-2j * np.pi * GRID * 0.05)))
    assert late.delay is None


def test_a_polarity_that_is_open():
    assert polarity_of_phase([80.0, 100.0]) == 0 and polarity_of_phase([]) == 0 and polarity_of_phase([np.nan]) == 0
    assert polarity_of_phase([340.0, 370.0]) == 1 and polarity_of_phase([-170.0]) == -1


def test_what_has_no_excess_phase_is_refused():
    with pytest.raises(ValueError, match="eight or more"):
        excess_phase(GRID[:5], np.zeros(5), np.zeros(5))
    with pytest.raises(ValueError, match="eight or more"):
        excess_phase(GRID, np.zeros(GRID.size), np.full(GRID.size, np.nan))


@pytest.mark.parametrize("azimuth", [0.0, 30.0, 60.0, 90.0, 120.0])
def test_the_time_between_the_ears_of_an_artificial_head(azimuth):
    """Measured impulse responses (open data, Gardner and Martin 1995) are a delay, a minimum phase and little more.

    The delays and the excess group delay in the middle differ between the ears by (a / c)(sin + angle) of a rigid
    sphere, a = 87.5 mm (Woodworth 1938; recalled): within 45 us.
    """
    root = os.environ.get("ANECHAIN_REFERENCE_DATA")
    path = next(Path(root).glob("mit_kemar/*.sofa"), None) if root else None
    if path is None:
        pytest.skip("ANECHAIN_REFERENCE_DATA is not set or has no artificial head: the open data are not at hand")
    import h5py

    with h5py.File(path) as file:
        responses, position = file["Data.IR"][:], file["SourcePosition"][:]
        rate = float(file["Data.SamplingRate"][0])
    row = int(np.argmin(np.abs(position[:, 0] - azimuth) + np.abs(position[:, 1])))
    frequency = np.fft.rfftfreq(8192, 1 / rate)
    band = (frequency > 150) & (frequency < 18_000)
    arrivals = []
    for ear in responses[row]:
        found = excess_phase(frequency[band], *level_and_phase(np.fft.rfft(ear, 8192)[band]))
        middle = group_delay(frequency[band], found.excess, np.geomspace(500, 8000, 60), 3.0)
        arrivals.append(found.delay + float(np.median(middle)))
    # Behind the ear, the path is that of the mirrored direction.
    lateral = np.deg2rad(min(azimuth, 180 - azimuth))
    truth = 0.0875 / 343.2 * (lateral + np.sin(lateral))
    assert arrivals[1] - arrivals[0] == pytest.approx(truth, abs=4.5e-5)

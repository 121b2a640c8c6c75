"""Group delay of all-passes in closed form, arrival of bands against a simulation in time, and the threshold."""

import numpy as np
import pytest

from anechain.acoustics.curve.bands import band_centres, band_edges
from anechain.acoustics.phase.excess_phase import excess_phase
from anechain.acoustics.phase.group_delay import band_arrivals, group_delay, group_delay_threshold
from phase_systems import (
    GRID,
    band_pass,
    butterworth_sum,
    delayed,
    first_order_delay,
    level_and_phase,
    linkwitz_riley_sum,
    second_order_delay,
)


@pytest.mark.parametrize(
    ("crossover", "closed_form"),
    [(linkwitz_riley_sum, second_order_delay), (butterworth_sum, first_order_delay)],
)
def test_the_excess_group_delay_of_a_crossover(crossover, closed_form):
    """Measured: to 8 us from 300 Hz to 8 kHz, of a sum with a box and a dome, after 6 ms of travel."""
    found = excess_phase(GRID, *level_and_phase(delayed(band_pass(GRID) * crossover(GRID, 2500.0), GRID, 0.006)))
    at = np.geomspace(300, 8000, 60)
    np.testing.assert_allclose(group_delay(GRID, found.excess, at), closed_form(at, 2500.0), atol=8e-6)
    # Below, the box and its level beyond 20 Hz: 60 us at 80 Hz, of 180 us.
    assert group_delay(GRID, found.excess, [80.0])[0] == pytest.approx(closed_form(80.0, 2500.0), abs=6e-5)


def test_a_delay_and_the_ends():
    at = [20.0, 30.0, 1000.0, 19_000.0, 20_000.0]
    found = group_delay(GRID, -360 * GRID * 0.003, at)
    assert np.isnan(found[[0, 3, 4]]).all()
    np.testing.assert_allclose(found[1:3], 0.003)
    assert np.isfinite(group_delay(GRID, GRID, [20.0 * 2 ** (1 / 24)], fraction=12)).all()
    with pytest.raises(ValueError, match="fraction"):
        group_delay(GRID, GRID, at, fraction=0)


def test_the_arrival_of_a_band_is_the_centre_time_of_its_energy():
    """A band of a system, cut out of its spectrum: the centre of the squared magnitude of its analytic signal."""
    rate, count = 96_000, 2**18
    frequency = np.fft.fftfreq(count, 1 / rate)
    centres = band_centres(1, 500, 4000)
    positive = np.arange(1, count // 2)
    f = frequency[positive]
    response = delayed(band_pass(f) * linkwitz_riley_sum(f, 1500.0), f, 0.01)
    level, phase = level_and_phase(response)
    found = band_arrivals(f, level, np.rad2deg(np.unwrap(np.deg2rad(phase))), centres)
    time = np.arange(count) / rate
    for centre, arrival, low, high in zip(centres, found, *band_edges(centres, 1), strict=True):
        spectrum = np.zeros(count, complex)
        inside = (f > low) & (f < high)
        spectrum[positive[inside]] = response[inside]
        energy = np.abs(np.fft.ifft(spectrum)) ** 2
        # A band cut off sharply decays slowly: both ends of the record count from the middle of the time.
        position = np.where(time > time[-1] / 2, time - count / rate, time)
        assert arrival == pytest.approx(float(position @ energy / energy.sum()), abs=2e-5), centre


def test_bands_beyond_the_data_have_no_arrival():
    found = band_arrivals(GRID, np.zeros(GRID.size), -360 * GRID * 0.002, band_centres(1, 16, 16_000))
    assert np.isnan(found[[0, -1]]).all()
    np.testing.assert_allclose(found[2:-1], 0.002)


def test_the_threshold_as_it_was_published():
    """3.2, 2, 1, 1.5 and 2 ms at 500 Hz, 1, 2, 4 and 8 kHz (Blauert and Laws 1978; recalled)."""
    at = [499.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 8001.0]
    np.testing.assert_allclose(1e3 * group_delay_threshold(at), [np.nan, 3.2, 2.0, 1.0, 1.5, 2.0, np.nan])
    assert group_delay_threshold([np.sqrt(2) * 1000])[0] == pytest.approx(1.5e-3)

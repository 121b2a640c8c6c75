"""Minimum phase: closed forms, an independent cepstrum, and the error of what lies beyond the band."""

import numpy as np
import pytest
from scipy.signal import firwin2, freqz
from scipy.signal import minimum_phase as minimum_phase_fir

from anechain.acoustics.phase.minimum_phase import (
    EdgeSlopes,
    edge_slopes,
    minimum_phase,
    phase_of_slope_beyond,
    slope_ranges,
)
from filters import biquad, decibels
from phase_systems import GRID, band_pass, filtered


def remaining(response, found):
    """Phase in degrees that the response has beyond the minimum phase that was found."""
    return np.angle(response * np.exp(-1j * np.deg2rad(found)), deg=True)


@pytest.mark.parametrize("slope", [-12.0, -3.0, 0.0, 6.0205999])
def test_a_constant_slope_has_a_constant_phase(slope):
    """Bode: 90 degrees for each 6.02 dB per octave."""
    level = slope * np.log2(GRID / 1000)
    found = minimum_phase(GRID, level, EdgeSlopes(slope, slope))
    np.testing.assert_allclose(found, 90 * slope / (20 * np.log10(2)), atol=1e-4)


@pytest.mark.parametrize(
    ("centre", "q", "gain", "errors"),
    [
        # Broad sections reach beyond the ends of the grid, whatever its density.
        (100.0, 1.0, 6.0, (0.6, 0.6, 0.6)),
        (6000.0, 0.7, -6.0, (0.7, 0.7, 0.7)),
        # Straight lines between samples cut off a narrow peak: the error falls with the square of their distance.
        (1000.0, 5.0, -4.0, (0.35, 0.09, 0.006)),
        (3000.0, 10.0, 8.0, (2.7, 0.75, 0.06)),
    ],
)
def test_biquads(centre, q, gain, errors):
    """Peaking sections are minimum phase. Measured from 80 Hz to 5 kHz with 24, 48 and 192 points per octave."""
    for count, error in zip((241, 481, 1921), errors, strict=True):
        grid = np.geomspace(20, 20_000, count)
        response = biquad(centre, q, gain, grid)
        found = remaining(response, minimum_phase(grid, decibels(response)))
        assert np.abs(found[(grid > 80) & (grid < 5000)]).max() < error


@pytest.mark.parametrize("order", [2, 3, 4])
def test_high_pass_whose_roll_off_is_in_the_band(order):
    """Measured: at most 3 degrees at the end, 1.5 an octave above it."""
    response = filtered("highpass", order, 50.0, GRID)
    error = np.abs(remaining(response, minimum_phase(GRID, decibels(response))))
    assert error.max() < 3.5
    assert error[GRID > 40].max() < 1.5 and error[GRID > 160].max() < 0.4


def test_a_low_pass_beyond_the_band_is_a_delay():
    """A dome that rolls off from 26 kHz: 45 degrees at 20 kHz, but all but 6 degrees of it are a delay up to 14 kHz."""
    response = band_pass(GRID)
    error = remaining(response, minimum_phase(GRID, decibels(response)))
    assert error[-1] == pytest.approx(-46, abs=2)
    inside = (GRID > 200) & (GRID < 14_000)
    delay = np.polyfit(GRID[inside], error[inside], 1)
    assert np.abs(error - np.polyval(delay, GRID))[inside].max() < 1.0
    assert -delay[0] / 360 == pytest.approx(5.9e-6, abs=1e-6)


def test_like_the_cepstrum_of_an_independent_library():
    """scipy's minimum-phase filter by the cepstrum (homomorphic) has the phase that is found from its level."""
    rate = 48_000
    corners = np.array([0, 100, 400, 2000, 5000, 9000, 15_000, 24_000])
    gains = 10 ** (np.array([-18, -12, 0, 3, -4, 2, -10, -30]) / 20)
    linear = firwin2(4095, corners, gains, fs=rate)
    taps = minimum_phase_fir(linear, method="homomorphic", half=False, n_fft=2**17)
    frequency = np.linspace(40, 23_000, 8000)
    response = freqz(taps, worN=2 * np.pi * frequency / rate)[1]
    found = minimum_phase(frequency, decibels(response))
    inside = (frequency > 160) & (frequency < 6000)
    error = remaining(response, found)[inside]
    # A sampled system has a level that repeats beyond half its rate, and ours is continued by its slope: a delay.
    error -= np.polyval(np.polyfit(frequency[inside], error, 1), frequency[inside])
    assert np.abs(error).max() < 2.0


def test_the_phase_of_what_is_beyond_is_that_of_the_difference():
    """Two continuations differ by the closed form: 37 degrees an octave inside for 12 dB per octave."""
    level = decibels(band_pass(GRID))
    flat, steep = (minimum_phase(GRID, level, EdgeSlopes(slope, -12.0)) for slope in (0.0, 12.0))
    np.testing.assert_allclose(steep - flat, phase_of_slope_beyond(GRID, GRID[0], 12.0), atol=1e-9)
    assert phase_of_slope_beyond([40.0], 20.0, 12.0)[0] == pytest.approx(37.5, abs=0.1)
    assert phase_of_slope_beyond([160.0], 20.0, 12.0)[0] == pytest.approx(9.1, abs=0.1)
    # At the end itself half of the phase of a constant slope.
    assert phase_of_slope_beyond([20.0], 20.0, 12.0)[0] == pytest.approx(45 * 12 / (20 * np.log10(2)), abs=1e-6)


@pytest.mark.parametrize("corner", [50.0, 100.0, 190.0])
@pytest.mark.parametrize("order", [2, 4])
def test_a_gated_band_knows_no_more_than_its_range(order, corner):
    """From 200 Hz only: the true phase lies within the phases of the range of slopes."""
    grid = GRID[GRID >= 200]
    response = filtered("highpass", order, corner, grid)
    level = decibels(response)
    (least, most), _ = slope_ranges(edge_slopes(grid, level))
    truth = np.rad2deg(np.unwrap(np.angle(response)))
    truth -= 360 * np.round(truth[-1] / 360)
    low, high = (minimum_phase(grid, level, EdgeSlopes(slope, 0.0)) for slope in (least, most))
    assert (truth > low - 0.5).all() and (truth < high + 0.5).all()


def test_slopes_are_those_of_a_roll_off_and_never_rise_outwards():
    assert edge_slopes(GRID, decibels(filtered("highpass", 4, 200.0, GRID))).low == pytest.approx(24.08, abs=0.01)
    rising = edge_slopes(GRID, 3 * np.log2(GRID / 1000))
    assert rising.high == 0.0 and rising.low == pytest.approx(3.0)
    assert edge_slopes(GRID, 60 * np.log2(GRID / 1000)).low == 36.0
    assert edge_slopes([100.0, 1000.0], [0.0, 0.0]) == EdgeSlopes(0.0, 0.0)


def test_what_has_no_minimum_phase_is_refused():
    with pytest.raises(ValueError, match="finite"):
        minimum_phase([100.0, 200.0], [0.0, np.nan])
    with pytest.raises(ValueError, match="two or more"):
        minimum_phase([100.0], [0.0])

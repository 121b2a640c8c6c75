"""Intervals of deviations against simulated measurements with a known truth, and against closed forms."""

import numpy as np
import pytest

from anechain.acoustics.curve.linearity import half_range
from anechain.acoustics.uncertainty.deviation_interval import curve_without_noise, deviation_interval, noise_averages
from simulated_measurements import Errors, capture_errors, peaking

FREQUENCY = 200 * 2.0 ** (np.arange(61) / 12)
SIMULATED = 300


def rms(levels):
    return np.sqrt((levels**2).mean(axis=-1))


MEASURES = {"r.m.s.": rms, "half the range": half_range}


@pytest.mark.parametrize("measure", MEASURES.values(), ids=MEASURES)
@pytest.mark.parametrize("octaves", [3.0, 0.0], ids=["smooth", "white"])
@pytest.mark.parametrize(("size", "least"), [(0.0, 0.92), (0.3, 0.84)], ids=["flat", "small"])
def test_the_interval_covers_the_truth(measure, octaves, size, least):
    """A curve of known shape with errors of 0.2 dB, in 300 measurements; draws and errors are independent.

    The truth is covered in 97.5 % of all measurements if it is zero, and in 89 % or more if it is as large as the
    errors: the limits are four standard deviations (binomial) below.
    """
    true = size * (peaking(FREQUENCY) - peaking(FREQUENCY).mean())
    truth = float(measure(true[np.newaxis])[0])
    random = np.random.default_rng(3)
    measured = true + capture_errors(random, Errors(0.2, octaves), SIMULATED, FREQUENCY)
    drawn = capture_errors(random, Errors(0.2, octaves), 40 * SIMULATED, FREQUENCY).reshape(SIMULATED, 40, -1)
    covered = []
    for curve, errors in zip(measured, drawn, strict=True):
        value = float(measure(curve[np.newaxis])[0])
        low, high = deviation_interval(measure, curve_without_noise(FREQUENCY, curve, errors), errors, value)
        assert 0 <= low <= value <= high
        covered.append(low - 1e-12 <= truth <= high)
    assert np.mean(covered) >= least


def test_errors_far_below_the_deviation_give_the_interval_of_first_order():
    """GUM, 5.1.2: of the r.m.s. of a curve the gradient is y / (n rms), so for white errors u is s / root n."""
    curve = np.sin(np.arange(FREQUENCY.size))
    drawn = 0.001 * np.random.default_rng(1).standard_normal((4000, FREQUENCY.size))
    value = float(rms(curve))
    low, high = deviation_interval(rms, curve, drawn, value)
    assert (high - low) / 2 == pytest.approx(1.96 * 0.001 / np.sqrt(FREQUENCY.size), rel=0.06)
    assert (high + low) / 2 == pytest.approx(value, rel=1e-4)


def test_a_curve_without_any_deviation_may_have_that_of_its_errors():
    """The median of |z| is 0.6745."""
    drawn = np.random.default_rng(2).standard_normal((4000, 1)) * np.ones(FREQUENCY.size)
    low, high = deviation_interval(rms, np.zeros(FREQUENCY.size), drawn, 0.0)
    assert low == 0.0 and high == pytest.approx(0.6745, rel=0.05)


def test_noise_is_removed_and_what_errors_do_not_explain_is_kept():
    random = np.random.default_rng(4)
    noise = 0.2 * random.standard_normal((100, FREQUENCY.size))
    flat = curve_without_noise(FREQUENCY, noise[0], noise[1:])
    assert rms(flat) < 0.5 * rms(noise[0])
    resonance = 6.0 * np.exp(-((np.log2(FREQUENCY / 1000) / 0.08) ** 2))
    kept = curve_without_noise(FREQUENCY, resonance, 0.01 * noise)
    assert kept.max() == pytest.approx(resonance.max(), abs=0.01)
    line = np.log2(FREQUENCY)
    np.testing.assert_allclose(curve_without_noise(FREQUENCY, line, noise), line, atol=1e-9)


def test_averages_are_the_value_of_a_fitted_line():
    """Against numpy.polyfit, in the middle and at both ends; white noise is averaged over 8/3 octaves."""
    noise = 0.2 * np.random.default_rng(5).standard_normal((100, FREQUENCY.size))
    weights = noise_averages(FREQUENCY, noise[0], noise[1:])
    np.testing.assert_allclose(weights.sum(axis=1), 1.0, atol=1e-12)
    octaves = np.log2(FREQUENCY)
    for place in (0, 30, 60):
        inside = np.abs(octaves - octaves[place]) < 4 / 3 + 1e-6
        line = np.polyfit(octaves[inside], noise[0][inside], 1)
        assert weights[place] @ noise[0] == pytest.approx(np.polyval(line, octaves[place]), abs=1e-9)


def test_simultaneous_selection_leaves_noise_at_no_frequency():
    """Errors alone are averaged everywhere in 90 % of the measurements; a line at an end has a weight of 4 / 17."""
    simultaneous, one_by_one = [], []
    for seed in range(80):
        noise = 0.2 * np.random.default_rng(seed).standard_normal((61, FREQUENCY.size))
        for found, option in ((simultaneous, True), (one_by_one, False)):
            weights = noise_averages(FREQUENCY, noise[0], noise[1:], simultaneous=option)
            found.append(np.diag(weights).max() < 0.25)
    assert np.mean(simultaneous) >= 0.9 - 4 * np.sqrt(0.09 / 80)
    assert np.mean(one_by_one) < np.mean(simultaneous)


def test_narrower_windows_follow_a_curve_more_closely():
    """A parabola y = b x^2 over log frequency: a line over a window of w octaves is b w^2 / 12 off in its middle."""
    octaves = np.log2(FREQUENCY / FREQUENCY[30])
    noise = 0.5 * np.random.default_rng(6).standard_normal((100, FREQUENCY.size))
    curve = 0.1 * octaves**2
    off = [float((noise_averages(FREQUENCY, curve, noise, narrowing=by) @ curve)[30]) for by in (1.0, 2.0)]
    # 33 and 17 points at 1/12 octave: the mean of the squares is (n^2 - 1) / 12 steps.
    np.testing.assert_allclose(off, [0.1 * (n**2 - 1) / 12 / 144 for n in (33, 17)], rtol=1e-6)

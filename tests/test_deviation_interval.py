"""Intervals of deviations against simulated measurements with a known truth, and against closed forms."""

import numpy as np
import pytest

from anechain.acoustics.curve.linearity import half_range
from anechain.acoustics.uncertainty.deviation_interval import curve_without_noise, deviation_interval
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

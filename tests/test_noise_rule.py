"""Rate of false alarms of the noise margin: closed forms, and Monte Carlo through the reading of the noise itself."""

import numpy as np
import pytest

from anechain.acoustics.nonlinear.noise_rule import false_alarm_rate, noise_rule, silence_margin, spread_margin
from anechain.acoustics.nonlinear.relative_orders import order_noise
from anechain.acoustics.recording.response_spectra import noise_magnitude, noise_stretches, spectrum_at
from anechain.acoustics.recording.time_windows import Window, apply_window

RATE = 4000


@pytest.mark.parametrize("stretches", [1, 2, 3, 8, 20])
@pytest.mark.parametrize("rate", [0.1, 0.001])
def test_one_take_has_a_closed_form(stretches, rate):
    """F with 2 and 2 m degrees of freedom: the survival function is (1 + x / m)^-m."""
    ratio = silence_margin(rate, stretches)
    assert (1 + ratio / stretches) ** -stretches == pytest.approx(rate)
    assert false_alarm_rate(10 * np.log10(ratio), stretches) == pytest.approx(rate)


def test_ten_decibels_above_the_noise():
    """1 of 657 readings with eight stretches, 1 of 11 with one, 1 of 22 026 = exp(10) if the noise is known exactly."""
    found = 1 / false_alarm_rate(10.0, [8, 1, 1e7])
    np.testing.assert_allclose(found, [656.8, 11.0, 22026], rtol=1e-3)
    assert silence_margin(np.exp(-10), np.inf) == pytest.approx(10)


def test_noise_from_few_stretches_gives_the_wanted_rate():
    """White noise as an impulse response: one reading through a window, the noise from the rest of the response."""
    random = np.random.default_rng(3)
    window, busy, frequency = Window(0.01, 0.03, 0.01), (0.05, 0.05), np.arange(300.0, 1700.0, 50.0)
    for duration, stretches in ((0.145, 1), (0.24, 3), (0.5, 8)):
        assert noise_stretches(duration, window, busy) == stretches
        wanted, alarms = 0.02, []
        for _ in range(1000):
            response = random.standard_normal(round(duration * RATE))
            noise = noise_magnitude(response, RATE, 0.06, frequency, window, busy)
            part, offset = apply_window(response, RATE, 0.06, window)
            ratio = np.abs(spectrum_at(part, RATE, frequency, offset)) ** 2 / noise**2
            alarms.append(ratio > silence_margin(wanted, stretches))
        # 28 000 readings; neighbouring frequencies are dependent, as the window has 40 ms.
        assert np.mean(alarms) == pytest.approx(wanted, abs=0.004)


def test_averaged_takes():
    """Powers of three takes and of four stretches in each: gamma variables, drawn 400 000 times."""
    random = np.random.default_rng(5)
    reading, noise = random.gamma(3, 1 / 3, 400_000), random.gamma(12, 1 / 12, 400_000)
    assert np.mean(reading / noise > silence_margin(0.01, 4, 3)) == pytest.approx(0.01, rel=0.06)


@pytest.mark.parametrize("takes", [2, 3, 5, 8])
@pytest.mark.parametrize("rate", [0.05, 0.01])
def test_noise_from_the_spread_of_takes_keeps_the_rate(takes, rate):
    """Noise alone in so many takes, 200 000 times: no more alarms than wanted, and not less than a tenth of them."""
    random = np.random.default_rng(7)
    levels = 10 * np.log10(random.exponential(size=(takes, 200_000)))
    mean = 10 * np.log10(np.mean(10 ** (levels / 10), axis=0))
    noise = order_noise(mean, np.full(mean.shape, np.nan), levels.std(axis=0, ddof=1))
    found = np.mean(mean - noise > 10 * np.log10(spread_margin(rate, takes)))
    assert rate / 10 < found <= rate * 1.1


def test_two_takes_have_a_closed_form():
    """Levels of noise alone differ by less than d (neper of power) with the probability tanh(d / 2)."""
    ratio = float(spread_margin(1e-3, 2))
    # Half the variance of two values is a quarter of their squared difference.
    difference = 2 / np.sqrt(ratio)
    assert np.tanh(difference / 2) == pytest.approx(1e-3, rel=0.01)


def test_rules_of_a_dataset_of_several_takes():
    found = noise_rule(1e-3, [[8, 0], [np.inf, 0]], [[1, 1], [2, 2]])
    np.testing.assert_allclose(found.margin_db[:, 0], [10.40, 6.643], atol=0.01)
    assert found.margin_db[0, 1] == np.inf and found.margin_db[1, 1] == pytest.approx(60, abs=1)
    # 5 %: 8 (0.05^(-1/8) - 1) is 3.63.
    assert found.limit[0, 0] == pytest.approx(np.sqrt(3.634), abs=0.002)


@pytest.mark.parametrize(
    "call",
    [
        lambda: silence_margin(0.0, 8),
        lambda: silence_margin(0.1, 0),
        lambda: spread_margin(1.0, 3),
        lambda: spread_margin(0.1, 1),
        lambda: noise_rule(0.1, 8, 0),
    ],
)
def test_impossible_arguments_are_refused(call):
    with pytest.raises(ValueError):
        call()

"""Swept sines against their closed forms."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anechain.acoustics.recording.sweeps import advance_times, sweep_amplitude, sweep_rate, swept_sine


def test_advance_times_of_an_exponential_sweep():
    """Farina 2000: T = 10 s, 20 Hz to 20 kHz. L = 1.4476483 s; advances L ln n, computed by hand."""
    rate = sweep_rate("exponential", 20, 20000, 10)
    assert rate == pytest.approx(1.4476483, abs=5e-8)
    expected = [0, 1.003433, 1.590404, 2.006867, 2.329900, 2.593838]
    np.testing.assert_allclose(advance_times([1, 2, 3, 4, 5, 6], rate), expected, atol=5e-7)
    assert advance_times(2, rate) * 48000 == pytest.approx(48164.80, abs=0.005)


@pytest.mark.parametrize(("asked", "rate", "length"), [(10, 1.45, 10.016245), (1, 0.15, 1.036163)])
def test_a_synchronised_sweep_has_whole_periods_of_its_start_in_its_rate(asked, rate, length):
    """Novak, Lotton and Simon 2015: k = 29 and 3 for 20 Hz to 20 kHz."""
    assert sweep_rate("synchronised", 20, 20000, asked) == pytest.approx(rate)
    signal = swept_sine("synchronised", 20, 20000, asked, 48000)
    assert signal.size == round(length * 48000)
    # The harmonics of a synchronised sweep are the sweep itself, earlier by L ln n and at n times the frequency.
    time = np.arange(2000) / 48000
    np.testing.assert_allclose(signal[:2000], np.sin(2 * np.pi * 20 * rate * np.exp(time / rate)), atol=1e-9)


def test_samples_of_an_independent_implementation():
    """pyfar 0.8.1, signals.exponential_sweep_time(4800, [100, 10000], n_fade_out=0, sampling_rate=48000)."""
    signal = swept_sine("exponential", 100, 10000, 0.1, 48000)
    assert signal.size == 4800
    np.testing.assert_allclose(signal[PYFAR_AT], PYFAR_IS, atol=1e-9)


PYFAR_AT = [1, 10, 100, 1000, 2500, 4000, 4799]
PYFAR_IS = [
    0.0130958763683,
    0.131150722659,
    0.980668182016,
    0.0225423550623,
    -0.991954695573,
    -0.681557236985,
    -0.993936719852,
]


@pytest.mark.parametrize("kind", ["exponential", "linear"])
def test_frequency_runs_by_its_law(kind):
    """Instantaneous frequency from the zero crossings: f1 (f2/f1)^(t/T), or f1 + (f2 - f1) t/T."""
    start, stop, duration, rate = 50.0, 2000.0, 2.0, 48000
    signal = swept_sine(kind, start, stop, duration, rate)
    at = np.flatnonzero((signal[:-1] < 0) & (signal[1:] >= 0))
    crossing = (at - signal[at] / (signal[at + 1] - signal[at])) / rate
    middle, period = (crossing[1:] + crossing[:-1]) / 2, np.diff(crossing)
    share = middle / duration
    law = start * (stop / start) ** share if kind == "exponential" else start + (stop - start) * share
    np.testing.assert_allclose((1 / period)[20:], law[20:], rtol=2e-3)


def test_fades_are_squared_sines():
    plain = swept_sine("linear", 100, 1000, 1.0, 8000)
    faded = swept_sine("linear", 100, 1000, 1.0, 8000, 0.1, 0.05)
    assert np.abs(faded[0]) < 1e-4 and np.abs(faded[-1]) < 1e-4
    np.testing.assert_array_equal(faded[800:-400], plain[800:-400])
    # Half way up, a squared sine is at a half.
    assert np.mean(faded[399:401] / plain[399:401]) == pytest.approx(0.5, abs=1e-6)


@given(
    st.sampled_from(["exponential", "synchronised", "linear"]),
    st.floats(10, 100),
    st.floats(1000, 20000),
    st.floats(0.5, 1.5),
)
def test_a_sweep_never_exceeds_its_amplitude(kind, start, stop, duration):
    signal = swept_sine(kind, start, stop, duration, 44100, 0.01, 0.01)
    assert np.abs(signal).max() <= 1
    assert sweep_amplitude(0.3 * signal) == pytest.approx(0.3, rel=0.02)


def test_amplitude_of_a_recorded_sweep_does_not_mind_silence_and_fades():
    signal = swept_sine("exponential", 20, 20000, 3.0, 48000, 0.2, 0.05)
    record = np.concatenate([np.zeros(10000), 0.25 * signal, np.zeros(30000)])
    assert sweep_amplitude(record) == pytest.approx(0.25, rel=2e-3)
    with pytest.raises(ValueError, match="silent"):
        sweep_amplitude(np.zeros(10))


@pytest.mark.parametrize(
    ("arguments", "match"),
    [
        (("exponential", 0, 1000, 1, 8000), "must rise from above 0 Hz"),
        (("exponential", 1000, 100, 1, 8000), "must rise from above 0 Hz"),
        (("exponential", 100, 5000, 1, 8000), "needs a sampling rate of"),
        (("exponential", 100, 1000, 0, 8000), "must be above zero"),
        (("exponential", 100, 1000, math.nan, 8000), "must be above zero"),
        (("quadratic", 100, 1000, 1, 8000), "a sweep is one of"),
        (("synchronised", 20, 20000, 0.05, 48000), "too short for a synchronised sweep"),
        (("linear", 100, 1000, 1, 8000, 0.6, 0.5), "do not fit"),
    ],
)
def test_sweeps_that_cannot_be(arguments, match):
    with pytest.raises(ValueError, match=match):
        swept_sine(*arguments)


def test_orders_of_a_linear_sweep_do_not_come_apart():
    with pytest.raises(ValueError, match="exponential or synchronised, not 'linear'"):
        sweep_rate("linear", 20, 20000, 1)
    with pytest.raises(ValueError, match="orders must be 1 or more"):
        advance_times(0, 1.0)

"""Stated law of a sweep and stated drives, against signals made by the closed form."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anechain.acoustics.recording.stated_signals import harmonic_time_error, level_error_by_drive

RATE = 48000
START, STOP = 20.0, 20000.0


def sweep(duration, start=START, lead=0.0, tail=0.0):
    """Exponential sweep by its formula (Farina 2000), with silence on either side."""
    rate = duration / np.log(STOP / start)
    time = np.arange(round(duration * RATE)) / RATE
    signal = np.sin(2 * np.pi * start * rate * np.expm1(time / rate))
    return np.concatenate([np.zeros(round(lead * RATE)), signal, np.zeros(round(tail * RATE))])


def stated(duration, start=START):
    return duration / np.log(STOP / start)


@pytest.mark.parametrize("silence", [(0.0, 0.0), (0.5, 1.0)])
def test_the_stated_law_is_the_one_played(silence):
    off = harmonic_time_error(sweep(2.0, lead=silence[0], tail=silence[1]), RATE, stated(2.0), 5, (START, STOP))
    assert abs(off) < 2e-4


@pytest.mark.parametrize(("duration", "start"), [(2.2, START), (2.02, START), (1.8, START), (2.0, 10.0), (2.0, 50.0)])
def test_another_law_puts_orders_elsewhere_by_the_difference_of_the_rates(duration, start):
    """Farina 2000: order n is rate times ln n before the linear response."""
    off = harmonic_time_error(sweep(2.0), RATE, stated(duration, start), 5, (max(START, start), STOP))
    assert off == pytest.approx((stated(2.0) - stated(duration, start)) * np.log(5), abs=3e-4)


def test_a_linear_sweep_has_no_such_law():
    time = np.arange(2 * RATE) / RATE
    linear = np.sin(2 * np.pi * (START * time + (STOP - START) / 4 * time**2))
    assert abs(harmonic_time_error(linear, RATE, stated(2.0), 5, (START, STOP))) > 0.05


def test_noise_60_db_below_the_sweep_does_not_matter():
    signal = sweep(2.0, lead=0.2, tail=0.5)
    noise = 10 ** (-60 / 20) * np.random.default_rng(1).standard_normal(signal.size)
    assert abs(harmonic_time_error(signal + noise, RATE, stated(2.0), 5, (START, STOP))) < 5e-4


def test_a_band_without_orders_says_nothing():
    assert np.isnan(harmonic_time_error(sweep(0.5), RATE, stated(0.5), 5, (10000.0, 20000.0)))


@given(st.lists(st.floats(0.1, 30.0), min_size=2, max_size=6), st.floats(-30, 30))
def test_a_linear_device_follows_its_drives(volts, mistyped_db):
    """Level rises as the voltage; a take whose drive is mistyped, and is not the lowest, is off by just that."""
    shape = np.array([70.0, 85.0, 84.0, 60.0])
    levels = shape + 20 * np.log10(volts)[:, np.newaxis]
    np.testing.assert_allclose(level_error_by_drive(levels, volts), 0.0, atol=1e-9)
    levels[int(np.argmax(volts))] += mistyped_db
    if max(volts) > min(volts):
        assert level_error_by_drive(levels, volts)[int(np.argmax(volts))] == pytest.approx(mistyped_db, abs=1e-9)


def test_takes_without_a_frequency_in_common_are_not_judged():
    found = level_error_by_drive([[80.0, np.nan], [np.nan, 90.0]], [1.0, 2.0])
    assert found[0] == 0.0 and np.isnan(found[1])

"""Spectra of impulse responses against closed forms."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import sosfreqz

from anechain.acoustics.recording.arrival_time import arrival_time
from anechain.acoustics.recording.response_spectra import noise_magnitude, spectrum_at
from anechain.acoustics.recording.time_windows import Window, apply_window
from delayed_systems import RATE, SECTIONS, response


def test_a_reflection_after_the_window_is_gone_and_one_inside_it_is_a_comb():
    """Reflection of half the pressure 4 ms later: 1 + 0.5 exp(-j w t) inside, nothing outside."""
    frequency = np.geomspace(500, 8000, 41)
    plain = response(0.003)
    heard = plain + 0.5 * response(0.007)
    arrival = arrival_time(heard, RATE)
    closed = sosfreqz(SECTIONS, frequency, fs=RATE)[1]
    short, offset = apply_window(heard, RATE, arrival, Window(0.0005, 0.0036, 0.0004))
    found = spectrum_at(short, RATE, frequency, offset)
    # The high-pass at 100 Hz rings on after 4 ms: what the gate takes of it leaves a few tenths of a decibel at 500 Hz.
    np.testing.assert_allclose(20 * np.log10(np.abs(found / closed)), 0, atol=0.6)
    np.testing.assert_allclose(20 * np.log10(np.abs(found / closed))[frequency > 1500], 0, atol=0.1)
    long, offset = apply_window(heard, RATE, arrival, Window(0.0005, 0.1, 0.02))
    comb = np.abs(1 + 0.5 * np.exp(-2j * np.pi * frequency * 0.004))
    found = spectrum_at(long, RATE, frequency, offset)
    np.testing.assert_allclose(20 * np.log10(np.abs(found) / np.abs(closed) / comb), 0, atol=0.01)


def test_the_phase_left_after_the_arrival_is_that_of_the_system():
    """Closed form of the sections; the arrival differs from the delay by less than three samples, as a constant."""
    frequency = np.geomspace(200, 8000, 61)
    h = response(0.00531)
    arrival = arrival_time(h, RATE)
    part, offset = apply_window(h, RATE, arrival, Window(0.002, 0.2, 0.05))
    found = spectrum_at(part, RATE, frequency, offset)
    closed = sosfreqz(SECTIONS, frequency, fs=RATE)[1] * np.exp(2j * np.pi * frequency * (arrival - 0.00531))
    np.testing.assert_allclose(np.angle(found / closed, deg=True), 0, atol=0.2)


@given(st.integers(1, 400), st.floats(-0.01, 0.01), st.integers(0, 10**6))
@settings(max_examples=30)
def test_spectrum_at_any_frequency_is_the_fourier_sum(samples, offset, seed):
    """Against the definition, written out."""
    random = np.random.default_rng(seed)
    record, frequency = random.standard_normal((2, samples)), random.uniform(1, 24000, 7)
    time = np.arange(samples) / RATE + offset
    expected = record @ np.exp(-2j * np.pi * time[:, None] * frequency)
    np.testing.assert_allclose(spectrum_at(record, RATE, frequency, offset), expected, atol=1e-9 * samples)


def test_spectrum_of_a_damped_oscillation_has_its_closed_form():
    decay, omega = 0.999, 2 * np.pi * 1000 / RATE
    record = decay ** np.arange(20000) * np.cos(omega * np.arange(20000))
    frequency = np.array([100.0, 990.0, 1000.0, 5000.0])
    pole = decay * np.exp(1j * omega)
    z = np.exp(2j * np.pi * frequency / RATE)
    closed = 0.5 * (1 / (1 - pole / z) + 1 / (1 - np.conj(pole) / z))
    np.testing.assert_allclose(spectrum_at(record, RATE, frequency), closed, rtol=1e-6)


def test_noise_through_a_window_has_the_power_of_the_window():
    """White noise of variance s: the mean squared spectrum through a window is s times the sum of its squares."""
    noise = 0.01 * np.random.default_rng(5).standard_normal(20 * RATE)
    window = Window(0.001, 0.02, 0.005)
    weights, _ = apply_window(np.ones(RATE), RATE, 0.5, window)
    frequency = np.linspace(500, 20000, 400)
    found = noise_magnitude(noise, RATE, 0.1, frequency, window, (0.5, 0.5))
    expected = 0.01 * np.sqrt(np.sum(weights**2))
    assert np.sqrt(np.mean(found**2)) == pytest.approx(expected, rel=0.05)
    assert np.isnan(noise_magnitude(noise[:RATE], RATE, 0.1, frequency, window, (0.5, 0.5))).all()

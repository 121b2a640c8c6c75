"""Arrival, polarity, window and spectrum of impulse responses that are known in closed form."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import butter, sosfilt, sosfreqz

import capture_files
from anechain.acoustics.recording.arrival_time import arrival_time
from anechain.acoustics.recording.complex_smoothing import complex_smooth
from anechain.acoustics.recording.polarity import polarity
from anechain.acoustics.recording.response_spectra import noise_magnitude, spectrum_at
from anechain.acoustics.recording.time_windows import Window, lowest_valid_frequency, windowed

RATE = 48000
SECTIONS = np.concatenate(
    [butter(2, 100, "highpass", fs=RATE, output="sos"), butter(4, 9000, "lowpass", fs=RATE, output="sos")]
)


def response(delay, length=RATE, gain=1.0):
    """A band-limited system after a delay of any length: its closed form is sosfreqz times the delay."""
    impulse = np.zeros(length)
    impulse[0] = gain
    return capture_files.delayed(sosfilt(SECTIONS, impulse), delay)


@pytest.mark.parametrize(
    ("window", "lowest"),
    [
        (Window(0, 0.005, shape="rectangular"), 200.0),
        (Window(0, 0.003, shape="rectangular"), 333.3),
        (Window(0.001, 0.006, 0.002, "hann"), 200.0),
        (Window(0, 0.010, 0, "blackman"), 100.0),
    ],
)
def test_a_window_tells_nothing_below_one_over_its_length(window, lowest):
    """Struck and Temme 1994; floor at (1.2 m, 2 m): 3.2753 ms and 305.3 Hz, by hand. A Hann fall counts for half."""
    assert lowest_valid_frequency(window) == pytest.approx(lowest, rel=2e-4)
    assert lowest_valid_frequency(Window(0, 0.0032753)) == pytest.approx(305.3, abs=0.05)


def test_the_area_of_a_window_is_what_it_passes_of_a_constant():
    for shape in ("rectangular", "hann", "blackman"):
        window = Window(0.0, 0.02, 0.012, shape)
        part, _ = windowed(np.ones(4800), RATE, 0.0, window)
        assert part.sum() / RATE == pytest.approx(window.length if shape != "rectangular" else 0.02, rel=1e-3)


@given(st.floats(0.0, 0.4))
@settings(max_examples=25)
def test_arrival_follows_a_delay_of_any_length_to_a_hundredth_of_a_sample(delay):
    start = arrival_time(response(0.0), RATE)
    assert abs(arrival_time(response(delay), RATE) - start - delay) < 0.01 / RATE
    assert 0 <= start < 3 / RATE


def test_arrival_of_one_metre_of_air():
    """1 m at 343.2 m/s (20 degrees): 2.913753 ms later than no way at all."""
    step = arrival_time(response(1 / 343.2), RATE) - arrival_time(response(0.0), RATE)
    assert 1e3 * step == pytest.approx(2.913753, abs=2e-4)


def test_an_arrival_just_before_time_zero_is_below_zero():
    turned = np.roll(response(0.01), -600)
    assert arrival_time(turned, RATE) == pytest.approx(arrival_time(response(0.01), RATE) - 600 / RATE, abs=1e-7)


@pytest.mark.parametrize("gain", [1.0, -1.0, 1e-6, -1e-6])
def test_polarity_is_that_of_the_first_large_swing(gain):
    assert polarity(response(0.002, gain=gain)) == np.sign(gain)
    # A later, larger swing of the other sign does not change it; one below half of the greatest is no large one.
    assert polarity(gain * np.array([0, -0.1, 0, 0.6, 0, -1, 0])) == np.sign(gain)
    assert polarity(gain * np.array([0, -0.1, 0, 0.4, 0, -1, 0])) == -np.sign(gain)


@pytest.mark.parametrize("function", [polarity, lambda h: arrival_time(h, RATE)])
def test_silence_has_neither(function):
    with pytest.raises(ValueError, match="silent"):
        function(np.zeros(100))


def test_a_reflection_after_the_window_is_gone_and_one_inside_it_is_a_comb():
    """Reflection of half the pressure 4 ms later: 1 + 0.5 exp(-j w t) inside, nothing outside."""
    frequency = np.geomspace(500, 8000, 41)
    plain = response(0.003)
    heard = plain + 0.5 * response(0.007)
    arrival = arrival_time(heard, RATE)
    closed = sosfreqz(SECTIONS, frequency, fs=RATE)[1]
    short, offset = windowed(heard, RATE, arrival, Window(0.0005, 0.0036, 0.0004))
    found = spectrum_at(short, RATE, frequency, offset)
    # The high-pass at 100 Hz rings on after 4 ms: what the gate takes of it leaves a few tenths of a decibel at 500 Hz.
    np.testing.assert_allclose(20 * np.log10(np.abs(found / closed)), 0, atol=0.6)
    np.testing.assert_allclose(20 * np.log10(np.abs(found / closed))[frequency > 1500], 0, atol=0.1)
    long, offset = windowed(heard, RATE, arrival, Window(0.0005, 0.1, 0.02))
    comb = np.abs(1 + 0.5 * np.exp(-2j * np.pi * frequency * 0.004))
    found = spectrum_at(long, RATE, frequency, offset)
    np.testing.assert_allclose(20 * np.log10(np.abs(found) / np.abs(closed) / comb), 0, atol=0.01)


def test_the_phase_left_after_the_arrival_is_that_of_the_system():
    """Closed form of the sections; the arrival differs from the delay by less than three samples, as a constant."""
    frequency = np.geomspace(200, 8000, 61)
    h = response(0.00531)
    arrival = arrival_time(h, RATE)
    part, offset = windowed(h, RATE, arrival, Window(0.002, 0.2, 0.05))
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
    weights, _ = windowed(np.ones(RATE), RATE, 0.5, window)
    frequency = np.linspace(500, 20000, 400)
    found = noise_magnitude(noise, RATE, 0.1, frequency, window, (0.5, 0.5))
    expected = 0.01 * np.sqrt(np.sum(weights**2))
    assert np.sqrt(np.mean(found**2)) == pytest.approx(expected, rel=0.05)
    assert np.isnan(noise_magnitude(noise[:RATE], RATE, 0.1, frequency, window, (0.5, 0.5))).all()


def test_complex_smoothing_keeps_a_constant_and_follows_its_closed_form():
    """Mean of exp(j a ln f) over a window w wide in ln f: the same times sin(a w / 2) / (a w / 2)."""
    frequency = np.geomspace(20, 20000, 4001)
    np.testing.assert_allclose(complex_smooth(frequency, np.full(4001, 2 - 1j), 6), 2 - 1j, rtol=1e-12)
    turn, width = 5.0, np.log(2) / 3
    wave = np.exp(1j * turn * np.log(frequency))
    inner = slice(400, -400)
    expected = np.sinc(turn * width / 2 / np.pi) * wave
    np.testing.assert_allclose(complex_smooth(frequency, wave, 3)[inner], expected[inner], rtol=1e-4)


def test_complex_smoothing_leaves_what_its_window_does_not_reach():
    frequency = np.array([100.0, 200.0, 400.0])
    values = np.array([1.0, 5j, -1.0])
    np.testing.assert_array_equal(complex_smooth(frequency, values, 6), values)
    with pytest.raises(ValueError, match="above zero"):
        complex_smooth(frequency, values, 0)


@pytest.mark.parametrize(
    "wrong", [{"shape": "round"}, {"before": -1}, {"after": 0}, {"fade": 0.5}, {"after": float("nan")}]
)
def test_windows_that_cannot_be(wrong):
    with pytest.raises(ValueError, match="window"):
        Window(**({"before": 0.001, "after": 0.1, "fade": 0.01} | wrong))


def test_a_window_longer_than_the_response_is_refused():
    with pytest.raises(ValueError, match="a window of 4848 samples is longer than the response of 1000"):
        windowed(np.ones(1000), RATE, 0.0, Window(0.001, 0.1))

"""Harmonic orders against a nonlinearity whose harmonics are known exactly."""

import numpy as np
import pytest
from numpy.polynomial import chebyshev

import capture_files
from anechain.acoustics.recording.arrival_time import arrival_time
from anechain.acoustics.recording.deconvolution import deconvolve, inverse_spectrum, transform_length
from anechain.acoustics.recording.harmonics import harmonic_orders, order_window
from anechain.acoustics.recording.sweeps import advance_times, sweep_rate, swept_sine
from anechain.acoustics.recording.time_windows import Window
from capture_files import ORDERS, RATE, chain

LAW = (20.0, 20000.0, 4.0)
WINDOW = Window(0.005, 0.25, 0.05)
FREQUENCY = 1000 * 2.0 ** (np.arange(-10, 10) / 3)


def test_the_polynomial_of_the_fixture():
    """Chebyshev: h = (1, .03, .01, .003, .001) has the power coefficients -0.027 ... 0.016, no direct part."""
    coefficients = [-0.027, 0.975, 0.036, 0.020, 0.024, 0.016]
    # T2 and T4 bring -0.03 + 0.003 as constant terms.
    np.testing.assert_allclose(chebyshev.cheb2poly(ORDERS), coefficients, atol=1e-12)
    wave = np.cos(2 * np.pi * np.arange(64) / 64)
    np.testing.assert_allclose(np.fft.rfft(chebyshev.chebval(wave, ORDERS)).real[1:6] / 32, ORDERS[1:], atol=1e-12)


@pytest.fixture(scope="module", params=["exponential", "synchronised"])
def measured(request):
    kind = request.param
    played = swept_sine(kind, *LAW, RATE, 0.05, 0.002)
    recording = capture_files.record_loudspeaker(played, gain=1.0, orders=ORDERS, tail=2.0)
    length = transform_length(recording.size)
    inverse = inverse_spectrum(played, length, RATE, LAW[:2])
    return sweep_rate(kind, *LAW), deconvolve(recording, inverse, length)


def test_orders_arrive_before_the_linear_response_by_their_advance(measured):
    """Farina 2000: L ln n. The greatest magnitude near each time lies within a sample or two of it."""
    rate, response = measured
    arrival = arrival_time(response, RATE)
    main = int(np.argmax(np.abs(response)))
    for order in (2, 3, 4, 5):
        at = main - round(float(advance_times(order, rate)) * RATE)
        near = np.arange(at - 200, at + 200) % response.size
        assert abs(int(np.argmax(np.abs(response[near]))) - 200) <= 2
    assert arrival == pytest.approx(0.004, abs=3 / RATE)


def test_levels_of_the_orders(measured):
    """Order n of the sine is h_n; the linear part then passes it at n f: h_n |H(n f)|, within 0.1 dB."""
    rate, response = measured
    bands = [(20.0, 20000.0 / order) for order in range(1, 6)]
    found = harmonic_orders(response, RATE, arrival_time(response, RATE), rate, 5, FREQUENCY, WINDOW, bands)
    for order in range(1, 6):
        heard_at = order * FREQUENCY
        told = (heard_at > 150) & (heard_at < 18000)
        expected = 20 * np.log10(ORDERS[order] * np.abs(chain(heard_at)))
        level = 20 * np.log10(np.abs(found.spectrum[order - 1]))
        np.testing.assert_allclose(level[told], expected[told], atol=0.1)
        beyond = heard_at > 20000
        assert np.isnan(level[beyond]).all() and np.isfinite(level[~beyond]).all()


def test_noise_of_the_orders_is_that_of_the_recording():
    """Without any harmonic, what is read as one is noise, and its level is told to be about that."""
    played = swept_sine("synchronised", *LAW, RATE, 0.05, 0.002)
    recording = capture_files.record_loudspeaker(played, gain=1.0, noise=1e-3, tail=2.0)
    length = transform_length(recording.size)
    response = deconvolve(recording, inverse_spectrum(played, length, RATE, LAW[:2]), length)
    rate = sweep_rate("synchronised", *LAW)
    frequency = np.linspace(200, 3000, 200)
    bands = [(20.0, 5000.0)] * 3
    found = harmonic_orders(response, RATE, arrival_time(response, RATE), rate, 3, frequency, WINDOW, bands)
    for order in (2, 3):
        heard, noise = np.abs(found.spectrum[order - 1]), found.noise[order - 1]
        ratio = np.sqrt(np.mean((heard / noise) ** 2))
        assert 20 * np.log10(ratio) == pytest.approx(0, abs=1.5)


def test_gates_end_before_the_next_lower_order_begins():
    rate = sweep_rate("exponential", *LAW)
    wide = Window(0.01, 1.0, 0.1)
    assert order_window(1, rate, wide) == wide
    for order in range(2, 12):
        shortened = order_window(order, rate, wide)
        room = float(advance_times(order, rate) - advance_times(order - 1, rate))
        assert 0 < shortened.after < room and shortened.fade <= shortened.after
        assert shortened.before <= float(advance_times(order + 1, rate) - advance_times(order, rate))


def test_orders_begin_with_the_first():
    with pytest.raises(ValueError, match="must be 1 or more"):
        harmonic_orders(np.ones(100), RATE, 0.0, 1.0, 0, FREQUENCY, WINDOW, [])
    with pytest.raises(ValueError, match="1 bands for 2 orders"):
        harmonic_orders(np.ones(100), RATE, 0.0, 1.0, 2, FREQUENCY, WINDOW, [(20.0, 200.0)])

"""Bands of harmonic orders: devices simulated in the time domain against their harmonics with steady sines."""

import itertools
from functools import lru_cache

import numpy as np
import pytest
from scipy.signal import butter, sosfilt, sosfreqz

from anechain.acoustics.recording.arrival_time import arrival_time
from anechain.acoustics.recording.band_edge import causal_edge_phase, phase_at
from anechain.acoustics.recording.deconvolution import deconvolve, inverse_spectrum, regularisation, transform_length
from anechain.acoustics.recording.harmonic_bands import PERIODS, harmonic_bands
from anechain.acoustics.recording.harmonics import harmonic_orders
from anechain.acoustics.recording.sweeps import sweep_rate, swept_sine
from anechain.acoustics.recording.time_windows import Window
from swept_devices import DEVICES, FINE, LINEAR, RATE, record, steady_orders

ORDERS = 5
LONG = Window(0.05, 1.0, 0.25)
SWEEPS = {
    "two seconds": (("exponential", 20.0, 20000.0, 2.0), (0.1, 0.005), LONG),
    "five seconds": (("exponential", 20.0, 20000.0, 5.0), (0.1, 0.002), LONG),
    "synchronised": (("synchronised", 20.0, 20000.0, 2.0), (0.1, 0.002), LONG),
    "no fades": (("exponential", 20.0, 20000.0, 2.0), (0.0, 0.0), LONG),
    "short window": (("exponential", 20.0, 20000.0, 2.0), (0.1, 0.005), Window(0.001, 0.0085, 0.0085 / 4)),
}
FREQUENCY = 1000 * 2.0 ** (np.arange(-135, 104) / 24)


def decibels(values):
    return 20 * np.log10(np.abs(values))


class Chain:
    """Sweep, inverse and bands of one case."""

    def __init__(self, name):
        self.law, fades, self.window = SWEEPS[name]
        self.rate = sweep_rate(*self.law)
        self.played = swept_sine(*self.law, RATE, *fades)
        self.samples = transform_length(self.played.size + RATE)
        band = self.law[1], self.law[2]
        share = regularisation(np.fft.rfftfreq(self.samples, 1 / RATE), band, -100.0, 0.0)
        spectrum = np.fft.rfft(self.played, self.samples)
        self.phase = causal_edge_phase(spectrum, share, self.samples, RATE, band)
        self.inverse = inverse_spectrum(self.played, self.samples, RATE, band) * np.exp(1j * self.phase)
        self.bands = self.bands_of(self.rate)

    def bands_of(self, rate):
        how = self.phase, self.samples, RATE, rate, ORDERS, self.window, self.law[1:3]
        return harmonic_bands(self.played, self.inverse, *how)

    def measured(self, device):
        response = deconvolve(record(device, self.played), self.inverse, self.samples)
        limits = [(band.low, band.high) for band in self.bands]
        # The device has no delay, but its sound is found a little before time zero, where it rises.
        arrival = arrival_time(deconvolve(self.played, self.inverse, self.samples), RATE)
        found = harmonic_orders(response, RATE, arrival, self.rate, ORDERS, FREQUENCY, self.window, limits)
        for band in self.bands:
            heard = band.order * FREQUENCY
            edge = phase_at(self.phase, self.samples, RATE, heard)
            found.spectrum[band.order - 1] *= np.exp(-1j * (band.phase + 2 * np.pi * heard * arrival)) / edge
        return found.spectrum


@pytest.fixture(scope="module", params=["two seconds", "synchronised", "no fades"])
def chain(request):
    return Chain(request.param)


def rows_at(band, count=6):
    """Rows of frequencies in a band: the lowest, the highest, and some between."""
    inside = np.flatnonzero((band.low * 0.999 <= FREQUENCY) & (band.high * 1.001 >= FREQUENCY))
    return np.unique(inside[np.round(np.linspace(0, 1, count) ** 2 * (inside.size - 1)).astype(int)])


@lru_cache
def steady(name, row):
    return steady_orders(DEVICES[name], FREQUENCY[row : row + 1], ORDERS)[:, 0]


@pytest.mark.parametrize(
    ("sweep", "name"),
    [("two seconds", name) for name in DEVICES]
    + list(itertools.product(["five seconds", "no fades"], ["Hammerstein", "Wiener"])),
)
def test_orders_inside_their_bands_are_those_of_steady_sines(sweep, name):
    """Within 0.5 dB, and 5 degrees, as long as the order is above -90 dB re the fundamental."""
    chain = Chain(sweep)
    measured = chain.measured(DEVICES[name])
    for band in chain.bands:
        rows = rows_at(band)
        expected = np.array([steady(name, row) for row in rows]).T
        above = np.abs(expected[band.order - 1]) > 10 ** (-90 / 20) * np.abs(expected[0])
        ratio = measured[band.order - 1, rows][above] / expected[band.order - 1, above]
        assert np.abs(decibels(ratio)).max(initial=0) < 0.5, (band, decibels(ratio))
        assert np.abs(np.degrees(np.angle(ratio))).max(initial=0) < 5, band


def test_orders_outside_their_bands_are_missing(chain):
    measured = chain.measured(DEVICES["memoryless"])
    for band in chain.bands:
        outside = (band.low * 0.999 > FREQUENCY) | (band.high * 1.001 < FREQUENCY)
        assert (
            np.isnan(measured[band.order - 1, outside]).all() and np.isfinite(measured[band.order - 1, ~outside]).all()
        )


@pytest.mark.parametrize("name", list(LINEAR))
def test_a_linear_device_has_no_distortion(chain, name):
    """The stated floor is -80 dB re the fundamental; without noise it is far lower."""
    measured = chain.measured(LINEAR[name])
    distortion = decibels(measured[1:]) - decibels(measured[0])
    assert np.nanmax(distortion) < -100


def test_a_short_window_needs_higher_frequencies():
    """Through 8.5 ms nothing is known below 134 Hz; orders that fall with frequency are within 0.5 dB in the bands."""
    chain = Chain("short window")
    assert chain.bands[0].low >= 134 and all(band.low > 134 for band in chain.bands[1:])
    for name in ("memoryless", "excursion"):
        measured = chain.measured(DEVICES[name])
        for band in chain.bands[:3]:
            rows = rows_at(band)
            expected = np.array([steady(name, row) for row in rows]).T
            above = np.abs(expected[band.order - 1]) > 10 ** (-70 / 20) * np.abs(expected[0])
            error = decibels(measured[band.order - 1, rows][above] / expected[band.order - 1, above])
            assert np.abs(error).max(initial=0) < 0.5, (name, band, error)


def test_without_bands_the_ends_are_wrong():
    """What the bands keep out: at 22 Hz the fade halves the second order, and more of the third."""
    chain = Chain("two seconds")
    response = deconvolve(record(DEVICES["memoryless"], chain.played), chain.inverse, chain.samples)
    everywhere = [(20.0, 20000.0 / order) for order in range(1, 4)]
    found = harmonic_orders(response, RATE, 0.0, chain.rate, 3, FREQUENCY, chain.window, everywhere)
    row = int(np.argmin(np.abs(FREQUENCY - 22)))
    error = decibels(found.spectrum[:, row] / steady("memoryless", row)[:3])
    assert abs(error[0]) < 0.2 and error[1] < -6 and error[2] < -6


def test_reasons_of_the_limits():
    chain = Chain("two seconds")
    assert chain.bands[0].low_reason == "the sweep fades in"
    # 8 n periods while the frequency grows by e, which takes 0.29 s.
    for band in chain.bands[1:]:
        assert band.low == pytest.approx(8 * band.order / chain.rate, rel=0.03)
        assert "periods" in band.low_reason and "end of the sweep" in band.high_reason
    for band in chain.bands:
        assert 0.9 * 20000 / band.order < band.high <= 20000 / band.order


def test_a_wrong_law_leaves_no_band():
    """A sweep of two seconds that is stated as three: the orders are not where their windows are."""
    chain = Chain("two seconds")
    bands = chain.bands_of(1.5 * chain.rate)
    assert all(np.isnan(band.low) and np.isnan(band.high) for band in bands[1:])
    assert "does not fit" in bands[1].low_reason


def test_the_arrival_does_not_count():
    """A signal that begins later, as in a loopback, has the same bands."""
    chain = Chain("two seconds")
    later = np.concatenate([np.zeros(2000), chain.played])
    samples = transform_length(later.size + RATE)
    share = regularisation(np.fft.rfftfreq(samples, 1 / RATE), chain.law[1:3], -100.0, 0.0)
    phase = causal_edge_phase(np.fft.rfft(later, samples), share, samples, RATE, chain.law[1:3])
    inverse = inverse_spectrum(later, samples, RATE, chain.law[1:3]) * np.exp(1j * phase)
    found = harmonic_bands(later, inverse, phase, samples, RATE, chain.rate, ORDERS, LONG, chain.law[1:3])
    for band, other in zip(chain.bands, found, strict=True):
        assert (band.low, band.high) == pytest.approx((other.low, other.high), rel=0.03)
        assert np.cos(band.phase - other.phase) == pytest.approx(1, abs=1e-3)


def test_the_error_behind_a_filter_is_that_of_a_chirp_in_closed_form():
    """Order n behind a filter of the group delay T: 8.686 (n - 1) f T' / (2 L) dB too low, to the first order of 1 / L.

    A chirp leaves the filter as H - (j/2) w' H'', its nth power has a spectrum with the amplitude's second derivative
    over time (stationary phase), and with w' = 2 pi f / L the sum is 1 - (j/2) w' (n - 1) (ln H)'' re the steady sine.
    """
    chain = Chain("five seconds")
    high_pass = butter(4, 60, "highpass", fs=FINE, output="sos")
    measured = chain.measured(lambda x: sosfilt(high_pass, x) ** 2)[1]
    rows = np.flatnonzero((FREQUENCY > 60) & (FREQUENCY < 200))[::3]
    squared = steady_orders(lambda x: sosfilt(high_pass, x) ** 2, FREQUENCY[rows], 2)[1]
    step = 0.01
    phases = [
        np.unwrap(np.angle(sosfreqz(high_pass, FREQUENCY[rows] + shift, fs=FINE)[1])) for shift in (-step, 0, step)
    ]
    slope = -(phases[2] - 2 * phases[1] + phases[0]) / step**2 / (2 * np.pi)  # of the group delay, s/Hz
    predicted = -8.6859 * FREQUENCY[rows] * slope / (2 * chain.rate)
    assert np.abs(predicted).max() > 0.08
    np.testing.assert_allclose(decibels(measured[rows] / squared), predicted, atol=0.02)


def test_the_stated_number_of_periods_is_enough_for_the_second_order():
    """f L times the greatest error of that closed form, for a Butterworth high-pass of the fourth order, is 5.2 dB."""
    u = np.linspace(0.2, 10, 200_001)
    s = 1j * u
    phase = np.unwrap(np.angle(s**4 / np.polyval([1, 2.613126, 3.414214, 2.613126, 1], s)))
    error = 8.6859 * np.abs(np.gradient(np.gradient(phase, u), u)) * u**2 / (4 * np.pi)
    assert error[10:-10].max() == pytest.approx(5.25, abs=0.05)
    assert error[10:-10].max() / (2 * PERIODS) < 0.35

"""Bands of harmonic orders: devices simulated in the time domain against their harmonics with steady sines."""

import numpy as np
import pytest

from anechain.acoustics.recording.band_edge import causal_edge_phase, phase_at
from anechain.acoustics.recording.deconvolution import deconvolve, inverse_spectrum, regularisation, transform_length
from anechain.acoustics.recording.harmonic_bands import harmonic_bands
from anechain.acoustics.recording.harmonics import harmonic_orders
from anechain.acoustics.recording.sweeps import sweep_rate, swept_sine
from anechain.acoustics.recording.time_windows import Window
from swept_devices import DEVICES, LINEAR, RATE, record, steady_orders

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
        # The device has no delay: phases are relative to time zero.
        found = harmonic_orders(response, RATE, 0.0, self.rate, ORDERS, FREQUENCY, self.window, limits)
        turn = [
            np.exp(-1j * band.phase) / phase_at(self.phase, self.samples, RATE, band.order * FREQUENCY)
            for band in self.bands
        ]
        return found.spectrum * np.array(turn)


@pytest.fixture(scope="module", params=["two seconds", "five seconds", "synchronised", "no fades"])
def chain(request):
    return Chain(request.param)


def rows_at(band, count=12):
    """Rows of frequencies in a band: the lowest, the highest, and some between."""
    inside = np.flatnonzero((band.low * 0.999 <= FREQUENCY) & (band.high * 1.001 >= FREQUENCY))
    return np.unique(inside[np.round(np.linspace(0, 1, count) ** 2 * (inside.size - 1)).astype(int)])


@pytest.mark.parametrize("name", list(DEVICES))
def test_orders_inside_their_bands_are_those_of_steady_sines(chain, name):
    """Within 0.5 dB, and 5 degrees, as long as the order is above -90 dB re the fundamental."""
    measured = chain.measured(DEVICES[name])
    for band in chain.bands:
        rows = rows_at(band)
        steady = steady_orders(DEVICES[name], FREQUENCY[rows], ORDERS)
        above = np.abs(steady[band.order - 1]) > 10 ** (-90 / 20) * np.abs(steady[0])
        ratio = measured[band.order - 1, rows][above] / steady[band.order - 1, above]
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
    distortion = decibels(measured[1:] / measured[0])
    assert np.nanmax(distortion) < -100


def test_a_short_window_needs_higher_frequencies():
    """Through 8.5 ms nothing is known below 134 Hz; orders that fall with frequency are within 0.5 dB in the bands."""
    chain = Chain("short window")
    assert chain.bands[0].low >= 134 and all(band.low > 134 for band in chain.bands[1:])
    for name in ("memoryless", "excursion"):
        measured = chain.measured(DEVICES[name])
        for band in chain.bands[:3]:
            rows = rows_at(band)
            steady = steady_orders(DEVICES[name], FREQUENCY[rows], ORDERS)
            above = np.abs(steady[band.order - 1]) > 10 ** (-70 / 20) * np.abs(steady[0])
            error = decibels(measured[band.order - 1, rows][above] / steady[band.order - 1, above])
            assert np.abs(error).max(initial=0) < 0.5, (name, band, error)


def test_without_bands_the_ends_are_wrong():
    """What the bands keep out: at 22 Hz the fade halves the second order, and more of the third."""
    chain = Chain("two seconds")
    response = deconvolve(record(DEVICES["memoryless"], chain.played), chain.inverse, chain.samples)
    everywhere = [(20.0, 20000.0 / order) for order in range(1, 4)]
    found = harmonic_orders(response, RATE, 0.0, chain.rate, 3, FREQUENCY, chain.window, everywhere)
    row = int(np.argmin(np.abs(FREQUENCY - 22)))
    steady = steady_orders(DEVICES["memoryless"], FREQUENCY[row : row + 1], 3)
    error = decibels(found.spectrum[:, row] / steady[:, 0])
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


def test_the_quasi_steady_error_is_that_of_a_chirp_through_a_high_pass():
    """Relative error of the first order of the rate: (w'/2) |Re(j H'' / H)| with w' = 2 pi f / L, so f L times it is fixed.

    For a Butterworth high-pass of the fourth order, 20 / ln 10 times its maximum is 3.5 dB for each order.
    """
    u = np.linspace(0.3, 8, 200_001)
    s = 1j * u
    response = s**4 / np.polyval([1, 2.613126, 3.414214, 2.613126, 1], s)
    second = np.gradient(np.gradient(response, u), u)
    error = 8.6859 * np.abs((-0.5j * second / response).real) * u**2 / (2 * np.pi)
    assert 2.5 < error[100:-100].max() < 4.5

"""Effect of window and band edge on a flat response: simulated recordings of an ideal device, and closed forms."""

import numpy as np
import pytest

from anechain.acoustics.recording.arrival_time import arrival_time
from anechain.acoustics.recording.band_edge import causal_edge_phase
from anechain.acoustics.recording.deconvolution import deconvolve, inverse_spectrum, regularisation
from anechain.acoustics.recording.response_spectra import spectrum_at
from anechain.acoustics.recording.sweeps import swept_sine
from anechain.acoustics.recording.time_windows import Window, apply_window
from anechain.acoustics.recording.window_effect import lowest_accurate_frequency, window_effect

RATE, BAND = 48000, (20.0, 20000.0)
SAMPLES = 5 * RATE // 2 + 3 * RATE
FREQUENCY = 20 * 2.0 ** (np.arange(0, 120) / 24)


def parts(causal):
    played = swept_sine("exponential", *BAND, 2.0, RATE, 0.1, 0.005)
    spectrum = np.fft.rfft(played, SAMPLES)
    share = regularisation(np.fft.rfftfreq(SAMPLES, 1 / RATE), BAND, -100.0, 0.0)
    phase = causal_edge_phase(spectrum, share, SAMPLES, RATE, BAND) if causal else np.zeros(spectrum.size)
    return played, spectrum, inverse_spectrum(played, SAMPLES, RATE, BAND) * np.exp(1j * phase)


def test_the_default_window_leaves_a_flat_device_flat():
    """With a causal edge 0.1 dB from 20 Hz on; with a phase of zero the rise of 50 ms took 1.7 dB at 20 Hz."""
    window = Window(0.05, 1.0, 0.25)
    _, spectrum, inverse = parts(causal=True)
    assert np.abs(window_effect(spectrum, inverse, SAMPLES, RATE, FREQUENCY, window)).max() < 0.1
    _, spectrum, inverse = parts(causal=False)
    found = window_effect(spectrum, inverse, SAMPLES, RATE, FREQUENCY, window)
    assert found[0] == pytest.approx(-1.7, abs=0.2) and found[8] < -0.9


@pytest.mark.parametrize("window", [Window(0.05, 1.0, 0.25), Window(0.001, 0.1, 0.025), Window(0.001, 0.0085, 0.002)])
def test_the_effect_is_what_a_recording_of_an_ideal_device_shows(window):
    """The sweep itself, 100 samples later and half as loud, recorded without noise."""
    played, spectrum, inverse = parts(causal=True)
    response = deconvolve(np.concatenate([np.zeros(100), 0.5 * played]), inverse, SAMPLES)
    part, offset = apply_window(response, RATE, arrival_time(response, RATE), window)
    shown = 20 * np.log10(np.abs(spectrum_at(part, RATE, FREQUENCY, offset)) / 0.5)
    found = window_effect(spectrum, inverse, SAMPLES, RATE, FREQUENCY, window)
    np.testing.assert_allclose(found, shown, atol=1e-6)


def test_a_short_window_is_accurate_from_a_higher_frequency_on():
    _, spectrum, inverse = parts(causal=True)
    found = window_effect(spectrum, inverse, SAMPLES, RATE, FREQUENCY, Window(0.001, 0.1, 0.025))
    lowest = lowest_accurate_frequency(FREQUENCY, found)
    assert 25 < lowest < 40
    assert np.abs(found[lowest <= FREQUENCY]).max() <= 0.5 < np.abs(found[lowest > FREQUENCY]).max()


def test_the_lowest_frequency_by_hand():
    assert lowest_accurate_frequency([10, 20, 30, 40], [0.1, 0.6, -0.2, 0.4]) == 30
    assert lowest_accurate_frequency([10, 20], [0.1, 0.2]) == 10
    assert np.isnan(lowest_accurate_frequency([10, 20], [0.1, np.nan]))

"""Causal lower edge of a deconvolution's band: minimum phase in closed form, and ringing before the arrival."""

import numpy as np
import pytest
from scipy.signal import butter, sosfreqz

from anechain.acoustics.recording.band_edge import causal_edge_phase, phase_at
from anechain.acoustics.recording.deconvolution import inverse_spectrum, regularisation
from anechain.acoustics.recording.sweeps import swept_sine

RATE, BAND = 48000, (20.0, 20000.0)
SAMPLES = 3 * RATE


def edges(fades=(0.1, 0.005)):
    played = swept_sine("exponential", *BAND, 2.0, RATE, *fades)
    share = regularisation(np.fft.rfftfreq(SAMPLES, 1 / RATE), BAND, -100.0, 0.0)
    spectrum = np.fft.rfft(played, SAMPLES)
    return played, spectrum, causal_edge_phase(spectrum, share, SAMPLES, RATE, BAND)


def test_the_phase_is_that_of_a_butterworth_high_pass_with_the_same_magnitude():
    """A magnitude of minimum phase has one phase: a recursive filter's own, here of the second order at 40 Hz."""
    frequency = np.fft.rfftfreq(SAMPLES, 1 / RATE)
    wanted = sosfreqz(butter(2, 40, "highpass", fs=RATE, output="sos"), frequency, fs=RATE)[1]
    # |X|^2 / (|X|^2 + share) with |X| = 1.
    with np.errstate(divide="ignore"):
        share = 1 / np.maximum(np.abs(wanted), 1e-9) - 1
    phase = causal_edge_phase(np.ones(frequency.size), share, SAMPLES, RATE, BAND)
    # Below -60 dB, at 1.3 Hz, the magnitude counts as constant, which takes some degrees at the lowest frequencies.
    inside = (frequency > 60) & (frequency < 400)
    difference = np.angle(np.exp(1j * phase[inside]) / (wanted[inside] / np.abs(wanted[inside])))
    assert np.abs(np.degrees(difference)).max() < 2


@pytest.mark.parametrize("fades", [(0.1, 0.005), (0.02, 0.002), (0.0, 0.0)])
def test_nothing_rings_before_the_arrival(fades):
    """Low frequencies from 10 to 500 ms before the arrival: 50 dB less than with a phase of zero."""
    played, spectrum, phase = edges(fades)
    inverse = inverse_spectrum(played, SAMPLES, RATE, BAND)

    def before(factor):
        response = np.fft.irfft(spectrum * inverse * factor, SAMPLES)
        early = response[-RATE // 2 : -RATE // 100]
        # The upper edge rings too, at 20 kHz: only low frequencies count.
        low = np.fft.rfft(early * np.hanning(early.size))[:200]
        return 10 * np.log10(np.sum(np.abs(low) ** 2))

    assert before(np.exp(1j * phase)) < before(1.0) - 50


def test_the_magnitude_stays_and_the_phase_fades_with_frequency():
    _, _, phase = edges()
    at = phase_at(phase, SAMPLES, RATE, [100.0, 1000.0, 10000.0])
    np.testing.assert_allclose(np.abs(at), 1, atol=1e-12)
    angle = np.degrees(np.angle(at))
    # A high-pass: its phase leads, and falls as one over the frequency.
    assert angle[0] > 0 and angle[1] == pytest.approx(angle[0] / 10, rel=0.1) and abs(angle[2]) < 1


def test_a_silent_excitation_is_refused():
    with pytest.raises(ValueError, match="silent"):
        causal_edge_phase(np.zeros(SAMPLES // 2 + 1), np.ones(SAMPLES // 2 + 1), SAMPLES, RATE, BAND)

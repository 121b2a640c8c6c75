"""Later sound re the direct sound: reflections, ringing and noise of known size."""

import numpy as np
import pytest

from anechain.acoustics.recording.later_sound import later_sound
from room_images import Loudspeaker, Reflection, impulse_response

RATE = 48000
FREQUENCY = np.fft.rfftfreq(2**13, 1 / RATE)
BANDS = [(800.0, 16000.0), (1000.0, 4000.0)]
ARRIVAL = 0.03


def ideal(noise=0.0, gain=0.0, delay=0.0):
    """A flat direct sound with a reflection that repeats it, and white noise."""
    flat = np.ones(FREQUENCY.size, complex)
    h = impulse_response(FREQUENCY, flat, [Reflection(delay, gain * flat)], ARRIVAL, RATE)
    return h + noise * np.random.default_rng(2).standard_normal(h.size)


@pytest.mark.parametrize("delay", [0.0021, 0.00987, 0.0253])
@pytest.mark.parametrize("gain", [0.5, -0.05])
def test_a_reflection_has_its_amplitude_at_its_delay(delay, gain):
    for envelope in later_sound(ideal(gain=gain, delay=delay), RATE, ARRIVAL, BANDS):
        place = int(np.argmax(envelope.amplitude))
        assert place / RATE == pytest.approx(delay, abs=1 / RATE)
        assert envelope.amplitude[place] == pytest.approx(abs(gain), rel=0.03)


def test_the_energy_of_a_reflection_is_its_squared_amplitude():
    for envelope in later_sound(ideal(gain=0.3, delay=0.01), RATE, ARRIVAL, BANDS):
        energy = np.sum(envelope.amplitude**2) / envelope.pulse_energy
        assert energy == pytest.approx(0.09, rel=0.03)


def test_noise_is_that_of_the_band():
    """White noise of variance s: s times the sampling rate over the band, times 1.5 for a Hann weight.

    Harris 1978 (recalled). The later sound of noise alone has as much.
    """
    direct = ideal()
    for (low, high), envelope in zip(BANDS, later_sound(ideal(noise=1e-3), RATE, ARRIVAL, BANDS), strict=True):
        height = np.abs(np.fft.rfft(direct)).max()
        expected = 1e-3 / height * np.sqrt(1.5 * RATE / (high - low))
        assert envelope.noise == pytest.approx(expected, rel=0.35)
        later = envelope.amplitude[round(0.002 * RATE) :]
        assert np.sqrt(np.mean(later**2)) == pytest.approx(expected, rel=0.35)


def test_ringing_counts_by_its_share_of_the_band():
    """A resonance of 6 dB and a Q of 20 at 3 kHz has 150 Hz of 15 kHz, and a time constant of Q / (pi f) = 2.1 ms."""
    loudspeaker = Loudspeaker(resonances=((3000.0, 20.0, 1.0),))
    h = impulse_response(FREQUENCY, loudspeaker.spectrum(np.maximum(FREQUENCY, 1e-3)), [], ARRIVAL, RATE)
    (envelope,) = later_sound(h, RATE, ARRIVAL, BANDS[:1])
    assert 20 * np.log10(envelope.amplitude[round(0.0015 * RATE) :].max()) < -35


def test_silence_before_an_impulse_response_is_not_its_noise():
    """A file that begins 2 ms before the direct sound: the noise is that of its end."""
    h = ideal(noise=1e-3)
    cut = np.concatenate([h[round(0.028 * RATE) :], np.zeros(RATE // 10)])
    (whole,), (late,) = (
        later_sound(response, RATE, arrival, BANDS[:1]) for response, arrival in ((h, ARRIVAL), (cut, 0.002))
    )
    assert late.noise == pytest.approx(whole.noise, rel=0.4)


def test_a_response_that_is_too_short():
    with pytest.raises(ValueError, match="too short"):
        later_sound(np.ones(1000), RATE, 0.005, BANDS)

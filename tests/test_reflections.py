"""First echo of impulse responses with and without an echo."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from anechain.acoustics.recording.reflections import first_reflection
from capture_files import RATE
from flawed_captures import early, recording


@settings(max_examples=25, deadline=None)
@given(delay=st.floats(0.002, 0.024), gain=st.floats(0.05, 0.5), sign=st.sampled_from([-1, 1]))
def test_an_echo_is_found_with_its_delay_and_level(delay, gain, sign):
    """Delay within 20 microseconds (7 mm), level within half a decibel."""
    found = first_reflection(*echo_of(delay, sign * gain))
    assert found.delay == pytest.approx(delay, abs=2e-5)
    assert found.level == pytest.approx(20 * np.log10(gain), abs=0.5)


BARE = None


def echo_of(delay, gain):
    """The loudspeaker's early response with an echo, put in as a turn of its spectrum."""
    global BARE
    if BARE is None:
        BARE = early(recording(noise=1e-4))[0]
    length = 8 * BARE.size
    frequency = np.fft.rfftfreq(length, 1 / RATE)
    spectrum = np.fft.rfft(BARE, length) * (1 + gain * np.exp(-2j * np.pi * frequency * delay))
    return np.fft.irfft(spectrum, length)[: BARE.size], RATE, 0.005


def test_the_first_of_two_echoes_is_found():
    record = recording(echo=(0.009, 0.4)) + 0.15 * recording(delay=0.0105, noise=0)
    found = first_reflection(early(record)[0], RATE, 0.005)
    assert found.delay == pytest.approx(0.0065, abs=3e-5)


@pytest.mark.parametrize("noise", [1e-6, 1e-4, 3e-3])
def test_ringing_is_no_echo(noise):
    """The loudspeaker rings at 900 Hz and, by 5 dB at a Q of 20, at 3.2 kHz."""
    found = first_reflection(early(recording(noise=noise))[0], RATE, 0.005)
    assert np.isnan(found.delay) and found.floor >= -30


def test_an_echo_below_the_noise_is_not_found():
    found = first_reflection(early(recording(noise=1.0))[0], RATE, 0.005)
    assert found.floor > -20
    with pytest.raises(ValueError, match="band"):
        first_reflection(np.ones(1680), RATE, 0.005, (100.0, 900.0))

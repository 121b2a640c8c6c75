"""Calibrator recordings and microphone corrections."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from anechain.acoustics.recording.calibration import calibrator_tone, interpolate_microphone_response

RATE = 48000


def tone(rms, frequency=1000.0, seconds=3.0, rate=RATE, phase=0.3):
    return np.sqrt(2) * rms * np.sin(2 * np.pi * frequency * np.arange(round(seconds * rate)) / rate + phase)


@pytest.mark.parametrize(("level", "pressure"), [(94, 1.0023745), (114, 10.023745), (124, 31.697864)])
def test_pressure_of_calibrators(level, pressure):
    """dB re 20 µPa: 94 dB are 1.0023745 Pa, not 1 Pa (93.9794 dB); IEC 60942 states the levels."""
    found = calibrator_tone(tone(0.1), RATE, level)
    assert found.sensitivity == pytest.approx(pressure / 0.1, rel=1e-7)
    assert found.frequency == pytest.approx(1000, abs=1e-4)
    assert found.residual < 1e-6 and found.spread < 1e-5


@given(
    st.floats(950, 1050),
    st.floats(1e-3, 0.5),
    st.floats(0.3, 5),
    st.sampled_from([44100, 48000, 96000]),
    st.floats(0, 6),
)
@settings(max_examples=25, deadline=None)
def test_any_frequency_length_and_phase(frequency, rms, seconds, rate, phase):
    found = calibrator_tone(tone(rms, frequency, seconds, rate, phase), rate, 94)
    assert found.sensitivity * rms == pytest.approx(1.0023745, rel=1e-5)
    assert found.frequency == pytest.approx(frequency, abs=0.01)


def test_hum_noise_and_an_offset_beside_the_tone_do_not_count():
    """Residual by hand: hum of a tenth, and noise of a hundredth, of the tone's r.m.s. value."""
    noise = 0.001 * np.random.default_rng(2).standard_normal(3 * RATE)
    found = calibrator_tone(tone(0.1) + tone(0.01, 50) + noise + 0.05, RATE)
    assert found.sensitivity == pytest.approx(10.023745, rel=1e-3)
    expected = np.sqrt((0.01**2 + 0.001**2) / (0.1**2 + 0.01**2 + 0.001**2))
    assert found.residual == pytest.approx(expected, rel=0.02)


def test_a_level_that_falls_shows():
    """1 dB over the recording: between its first and last eighth 7/8 dB."""
    record = tone(0.1) * 10 ** (-np.linspace(0, 1, 3 * RATE) / 20)
    assert calibrator_tone(record, RATE).spread == pytest.approx(7 / 8, abs=0.01)


@pytest.mark.parametrize(("record", "match"), [(np.ones(1000), "0.25 s"), (np.ones(RATE), "silent")])
def test_what_is_no_calibrator(record, match):
    with pytest.raises(ValueError, match=match):
        calibrator_tone(record, RATE)


def test_corrections_between_and_beyond_the_frequencies_of_a_calibration():
    """Half way in log frequency is half way in decibels and degrees; the phase goes the short way round 180."""
    found = interpolate_microphone_response([100, 1000, 10000, 99, 10001], [100, 10000], [0, 6], [170, -170])
    np.testing.assert_allclose(20 * np.log10(np.abs(found[:3])), [0, 3, 6], atol=1e-12)
    np.testing.assert_allclose(np.mod(np.angle(found[:3], deg=True), 360), [170, 180, 190])
    assert np.isnan(found[3:]).all()
    assert interpolate_microphone_response([1000.0], [100, 10000], [0, 6])[0].imag == 0

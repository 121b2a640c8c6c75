import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anechain.acoustics.recording.transforms import level_and_phase, spectrum_of_impulse_response

RATE = 48000.0


def test_a_unit_impulse_has_the_magnitude_one_everywhere():
    impulse = np.zeros((2, 3, 480))
    impulse[..., 0] = 1
    frequency, spectrum = spectrum_of_impulse_response(impulse, RATE)
    assert frequency == pytest.approx(np.arange(241) * 100.0)
    assert spectrum.shape == (2, 3, 241)
    assert spectrum == pytest.approx(1)


@pytest.mark.parametrize("samples", [64, 63])
def test_a_decaying_exponential_has_its_closed_form(samples):
    # Geometric sum: (1 - a^N) / (1 - a z^-1), since z^-N = 1 at the frequencies of the transform.
    a = 0.9
    frequency, spectrum = spectrum_of_impulse_response(a ** np.arange(samples), RATE)
    assert frequency == pytest.approx(np.arange(samples // 2 + 1) * RATE / samples)
    assert spectrum == pytest.approx((1 - a**samples) / (1 - a * np.exp(-2j * np.pi * frequency / RATE)), rel=1e-12)


@given(st.integers(0, 100), st.floats(0, 40, allow_nan=False))
def test_a_late_arrival_turns_the_phase_only(late, more):
    impulse = np.zeros(256)
    impulse[late] = 1
    frequency, spectrum = spectrum_of_impulse_response(impulse, RATE, more)
    assert spectrum == pytest.approx(np.exp(-2j * np.pi * frequency * (late + more) / RATE), abs=1e-9)


def test_each_record_has_its_own_delay():
    impulse = np.zeros((2, 64))
    impulse[0, 3] = impulse[1, 0] = 1
    _, spectrum = spectrum_of_impulse_response(impulse, RATE, [0.0, 3.0])
    assert spectrum[1] == pytest.approx(spectrum[0], abs=1e-12)


def test_the_sum_of_squares_is_that_of_the_record():
    # Parseval's theorem for a real record of even length.
    record = np.random.default_rng(3).normal(size=128)
    _, spectrum = spectrum_of_impulse_response(record, RATE)
    twice = np.full(65, 2.0)
    twice[[0, -1]] = 1
    assert (twice * np.abs(spectrum) ** 2).sum() / 128 == pytest.approx((record**2).sum(), rel=1e-12)


@pytest.mark.parametrize("record", [[], np.zeros((3, 0)), 1.0])
def test_no_sample_no_spectrum(record):
    with pytest.raises(ValueError, match="sample"):
        spectrum_of_impulse_response(record, RATE)


@pytest.mark.parametrize("rate", [0, -1, np.nan, np.inf])
def test_the_sampling_rate_is_above_zero(rate):
    with pytest.raises(ValueError, match="sampling rate"):
        spectrum_of_impulse_response([1.0], rate)


def test_level_and_phase_of_known_pressures():
    # 1 Pa is 93.979 dB re 20 µPa (ISO 1683's reference).
    level, phase = level_and_phase([1.0, 1j, -2.0, -1 - 0j, 1 - 1j, 0], 20e-6)
    assert level == pytest.approx([93.9794, 93.9794, 100.0, 93.9794, 96.9897, -np.inf], abs=1e-4)
    assert phase == pytest.approx([0, 90, 180, 180, -45, 0])


def test_level_needs_a_reference():
    with pytest.raises(ValueError, match="reference"):
        level_and_phase([1.0], 0.0)

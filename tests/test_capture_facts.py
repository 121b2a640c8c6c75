"""Facts of recordings, on signals whose facts are known."""

import numpy as np
import pytest

from anechain_capture.recording_facts import BANDS, EARLY, recording_facts
from capture_files import RATE, delayed, record_loudspeaker


def response(delay=0.5, gain=1.0):
    impulse = np.zeros(2 * RATE)
    impulse[0] = gain
    return delayed(record_loudspeaker(impulse, gain=1.0, delay=0.0, tail=0.0), delay)


def facts(record, **how):
    return recording_facts(record, response(**how), RATE)


def quiet(seed=1, size=2 * RATE):
    return 1e-4 * np.random.default_rng(seed).standard_normal(size)


def test_arrival_and_early_response():
    found = facts(quiet())
    assert found.arrival == pytest.approx(0.5, abs=2 / RATE) and found.duration == 2.0
    assert found.silence == pytest.approx(0.4995, abs=2 / RATE)
    assert found.early.size == round(sum(EARLY) * RATE) and found.early.dtype == np.float32
    assert abs(int(np.argmax(np.abs(found.early))) - EARLY[0] * RATE) < 5


@pytest.mark.parametrize(("latest", "longest"), [(0.028, 0.028), (0.1, 0.1), (5.0, 1.97)])
def test_the_response_that_reflections_are_searched_in(latest, longest):
    """25 ms before the arrival and 5 ms after the latest reflection; no longer than the response of 2 s."""
    found = recording_facts(quiet(), response(), RATE, None, latest)
    assert found.latest_reflection == pytest.approx(longest)
    assert found.with_reflections.size == pytest.approx((longest + 0.03) * RATE, abs=2)
    assert abs(int(np.argmax(np.abs(found.with_reflections))) - 0.025 * RATE) < 5
    assert facts(quiet()).with_reflections.size == 0


@pytest.mark.parametrize("gain", [1.0, -0.5])
def test_polarity(gain):
    assert facts(quiet(), gain=gain).polarity == np.sign(gain)


def test_a_clipped_sine_has_its_flat_tops_counted():
    """A sine cut at 0.5 stands there for a third of the time on either side: arcsine of a half."""
    wave = np.sin(2 * np.pi * 37 * np.arange(2 * RATE) / RATE)
    found = facts(np.clip(wave, -0.5, 0.5))
    assert found.peak == 0.5
    assert found.clipped == pytest.approx(2 * RATE * 2 / 3, rel=0.01)
    assert facts(0.4 * np.random.default_rng(1).standard_normal(2 * RATE)).clipped == 0


def test_power_of_silence_and_sound_by_band():
    """White noise of variance s: a band holds s times its share of half the sampling rate; then a sine, 60 dB up."""
    record = quiet()
    half = RATE // 2
    record[half:] += 0.1 * np.sin(2 * np.pi * 1000 * np.arange(record.size - half) / RATE)
    found = facts(record)
    high = BANDS > 400
    width = (10**0.05 - 10**-0.05) * BANDS
    expected = 1e-8 * width / (RATE / 2)
    np.testing.assert_allclose(10 * np.log10(found.silence_power / expected)[high], 0, atol=1.5)
    at = int(np.argmin(np.abs(BANDS - 1000)))
    assert 10 * np.log10(found.sound_power[at] / 0.005) == pytest.approx(0, abs=0.05)
    assert (
        np.isfinite(found.silence_power[BANDS > 10]).all() and np.isnan(facts(record, delay=0.04).silence_power).all()
    )


def test_hum_of_the_silence():
    """50 Hz and 150 Hz of 1 % and 0.5 % of full scale, mean squares of 5e-5 and 1.25e-5."""
    time = np.arange(2 * RATE) / RATE
    found = facts(quiet() + 0.01 * np.sin(2 * np.pi * 50 * time) + 0.005 * np.sin(2 * np.pi * 150 * time)).hum
    assert found.mains == 50
    np.testing.assert_allclose(found.frequency, [50, 150], atol=1.5)
    np.testing.assert_allclose(10 * np.log10(found.power / [5e-5, 1.25e-5]), 0, atol=1.5)
    assert facts(quiet(), delay=0.1).hum is None and facts(quiet()).hum.mains == 0


def test_the_longer_silence_counts():
    """A sweep of 0.5 s after 0.1 s leaves 1.4 s, of which the later half is silence."""
    record = quiet()
    record[round(0.1 * RATE) : round(0.6 * RATE)] += 0.1
    found = recording_facts(record, response(delay=0.1), RATE, 0.5)
    assert found.silence == pytest.approx(0.7, abs=2e-3)
    np.testing.assert_allclose(10 * np.log10(found.silence_power[-1] / (1e-8 * 4620 / 24000)), 0, atol=0.5)
    assert recording_facts(record, response(delay=1.2), RATE, 0.5).silence == pytest.approx(1.1995, abs=1e-3)


def test_end_of_sound_and_compactness():
    record = np.concatenate([0.1 * np.sin(2 * np.pi * 1000 * np.arange(RATE) / RATE), quiet(size=RATE)])
    found = facts(record)
    assert found.sound_end.time == pytest.approx(1.0, abs=0.006) and found.sound_end.fall_db > 40
    assert found.compactness > 0.99

"""Signal-to-noise ratio and mains hum, with and without hum of known size."""

import numpy as np
import pytest

from anechain.acoustics.recording.recording_noise import band_signal_to_noise, mains_hum
from capture_files import RATE


def test_signal_to_noise_is_the_ratio_of_powers():
    """A sine of mean square 1/2 in white noise of variance s over a band of a tenth of it: 10 lg (0.5 / 0.1 s)."""
    assert band_signal_to_noise(0.5 + 0.1e-4, 0.1e-4) == pytest.approx(10 * np.log10(0.5e5), abs=1e-9)
    assert band_signal_to_noise(1.0, 1.0) == pytest.approx(-30) and band_signal_to_noise(1.0, 0.0) == 200
    assert np.isnan(band_signal_to_noise(np.nan, 1.0)) and np.isnan(band_signal_to_noise(1.0, np.nan))


def tones(seconds, *lines, noise=1e-4, seed=1):
    time = np.arange(round(seconds * RATE)) / RATE
    sound = noise * np.random.default_rng(seed).standard_normal(time.size)
    return sound + sum(a * np.sin(2 * np.pi * f * time + f) for f, a in lines)


@pytest.mark.parametrize("mains", [50.0, 60.0])
@pytest.mark.parametrize("seconds", [0.25, 0.5, 3.0])
def test_hum_is_found_with_its_lines(mains, seconds):
    """Lines of amplitude a have the mean square a^2 / 2."""
    lines = ((mains, 2e-3), (2 * mains, 1e-3), (3 * mains, 2e-3))
    found = mains_hum(tones(seconds, *lines), RATE)
    assert found.mains == mains
    np.testing.assert_allclose(found.frequency[:3], [mains, 2 * mains, 3 * mains], atol=0.6 / seconds)
    np.testing.assert_allclose(10 * np.log10(found.power[:3] / [2e-6, 5e-7, 2e-6]), 0, atol=1.6)


@pytest.mark.parametrize("drift", [-0.2, 0.2])
def test_mains_that_drift_are_still_mains(drift):
    assert mains_hum(tones(3.0, *((h * (50 + drift), 1e-3) for h in (1, 3, 5))), RATE).mains == 50


@pytest.mark.parametrize("seconds", [0.25, 0.4, 2.0])
def test_noise_is_no_hum(seconds):
    """White and brown noise, a hundred times each."""
    for seed in range(50):
        noise = tones(seconds, seed=seed)
        assert not mains_hum(noise, RATE).mains
        brown = np.cumsum(noise)
        assert not mains_hum(brown - np.linspace(0, brown[-1], brown.size), RATE).mains


def test_other_tones_are_no_hum():
    assert not mains_hum(tones(1.0, (73.0, 1e-2), (440.0, 1e-2)), RATE).mains
    with pytest.raises(ValueError, match=r"0\.1 s"):
        mains_hum(tones(0.1), RATE)

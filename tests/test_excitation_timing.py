"""End of the sound in recordings, and group delay of sweeps."""

import numpy as np
import pytest

from anechain.acoustics.recording.excitation_timing import excitation_delay, sweep_end
from anechain.acoustics.recording.sweeps import sweep_rate, swept_sine
from capture_files import LAW, RATE, SWEEP, sweep
from flawed_captures import recording


def test_a_whole_sweep_ends_when_it_ends():
    length = sweep().size / RATE
    for noise in (1e-6, 1e-3):
        found = sweep_end(recording(noise=noise), RATE)
        assert found.time == pytest.approx(length + 0.004, abs=0.007) and found.fall_db > 20


@pytest.mark.parametrize("stop", [0.9, 1.5, 1.9])
def test_a_player_that_stops_early_is_detected(stop):
    found = sweep_end(recording(stop=stop), RATE)
    assert found.time == pytest.approx(stop + 0.004, abs=0.007) and found.fall_db > 20


def test_a_recording_that_is_cut_ends_with_the_file():
    record = recording()[: round(1.7 * RATE)]
    found = sweep_end(record, RATE)
    assert found.time == pytest.approx(1.7) and found.fall_db == np.inf
    padded = sweep_end(np.concatenate([record, np.zeros(RATE)]), RATE)
    assert padded.time == pytest.approx(1.7, abs=0.006) and padded.fall_db > 20


def test_a_fall_of_the_loudspeaker_is_no_cut():
    """A low-pass of second order at 500 Hz leaves a sweep into noise slowly."""
    from scipy.signal import butter, sosfilt

    woofer = sosfilt(butter(2, 500, fs=RATE, output="sos"), recording(noise=0))
    woofer = woofer + 1e-4 * np.random.default_rng(1).standard_normal(woofer.size)
    found = sweep_end(woofer, RATE)
    assert found.time < 1.9 and found.fall_db < 12


@pytest.mark.parametrize("kind", ["exponential", "synchronised", "linear"])
def test_excitation_delay_is_the_law_of_the_sweep(kind):
    """Farina 2000: f = f1 exp(t / L); of a linear sweep f = f1 + (f2 - f1) t / T."""
    signal = swept_sine(kind, 20, 20000, 2.0, RATE, 0.1, 0.002)
    at = np.array([200.0, 1000.0, 4000.0, 15000.0])
    if kind == "linear":
        at = at[2:]
        law = (at - 20) / (20000 - 20) * 2.0
    else:
        law = sweep_rate(kind, 20, 20000, 2.0) * np.log(at / 20)
    np.testing.assert_allclose(excitation_delay(signal, RATE, at), law, atol=0.01)


def test_the_law_of_the_fixture_is_the_one_stated():
    assert LAW["start"] == SWEEP["start"] == 20.0

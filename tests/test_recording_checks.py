"""Each check of a recording, both ways: on a flawless recording and on one with a flaw of known size."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from anechain.acoustics.recording.clock_errors import clock_error, clock_ratio, compactness
from anechain.acoustics.recording.excitation_timing import excitation_delay, sweep_ending
from anechain.acoustics.recording.polarity import normalized_correlation
from anechain.acoustics.recording.recording_noise import band_signal_to_noise, mains_hum
from anechain.acoustics.recording.reflections import first_reflection
from anechain.acoustics.recording.sweeps import sweep_rate, swept_sine
from capture_files import LAW, RATE, SWEEP, sweep
from flawed_captures import early, recording, response

BAND = (20.0, 20000.0)
GRID = np.geomspace(50, 20000, 400)
TIMES = excitation_delay(sweep(), RATE, GRID)


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
def test_hum_is_told_with_its_lines(mains, seconds):
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


def test_a_whole_sweep_ends_when_it_ends():
    length = sweep().size / RATE
    for noise in (1e-6, 1e-3):
        found = sweep_ending(recording(noise=noise), RATE)
        assert found.time == pytest.approx(length + 0.004, abs=0.007) and found.fall > 20


@pytest.mark.parametrize("stop", [0.9, 1.5, 1.9])
def test_a_player_that_stops_early_is_heard_to(stop):
    found = sweep_ending(recording(stop=stop), RATE)
    assert found.time == pytest.approx(stop + 0.004, abs=0.007) and found.fall > 20


def test_a_recording_that_is_cut_ends_with_the_file():
    record = recording()[: round(1.7 * RATE)]
    found = sweep_ending(record, RATE)
    assert found.time == pytest.approx(1.7) and found.fall == np.inf
    padded = sweep_ending(np.concatenate([record, np.zeros(RATE)]), RATE)
    assert padded.time == pytest.approx(1.7, abs=0.006) and padded.fall > 20


def test_a_fall_of_the_loudspeaker_is_no_cut():
    """A low-pass of second order at 500 Hz leaves a sweep into noise slowly."""
    from scipy.signal import butter, sosfilt

    woofer = sosfilt(butter(2, 500, fs=RATE, output="sos"), recording(noise=0))
    woofer = woofer + 1e-4 * np.random.default_rng(1).standard_normal(woofer.size)
    found = sweep_ending(woofer, RATE)
    assert found.time < 1.9 and found.fall < 12


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


def clock_of(record, played=None):
    times = TIMES if played is None else excitation_delay(played, RATE, GRID)
    return clock_error(early(record, played)[0], RATE, GRID, times, BAND)


@pytest.mark.parametrize("clock", [0.0, 200.0, -200.0, 500.0, -1000.0])
def test_clock_error_is_found(clock):
    """Of a sweep of 2 s: within what a crossover is said to look like, which is 133 parts in a million."""
    found = clock_of(recording(clock=clock))
    assert found.unsure == pytest.approx(133, rel=0.03)
    assert found.error == pytest.approx(clock, abs=0.8 * found.unsure)
    assert found.after > 0.95 and (abs(clock) < 500 or found.before < found.after - 0.03)


def test_a_longer_sweep_tells_smaller_errors():
    played = swept_sine("synchronised", 20, 20000, 8.0, RATE, 0.1, 0.002)
    for clock in (0.0, 50.0, -100.0):
        found = clock_of(recording(played=played, clock=clock), played)
        assert found.unsure < 36 and found.error == pytest.approx(clock, abs=found.unsure)


def test_clock_error_with_a_linear_sweep():
    played = swept_sine("linear", 20, 20000, 2.0, RATE, 0.1, 0.002)
    for clock in (0.0, 200.0):
        found = clock_of(recording(played=played, clock=clock), played)
        assert found.error == pytest.approx(clock, abs=found.unsure)


def test_clock_error_says_when_it_cannot_tell():
    with pytest.raises(ValueError, match="band"):
        clock_error(np.ones(1680), RATE, GRID, TIMES, (3000.0, 9000.0))
    with pytest.raises(ValueError, match="close together"):
        clock_error(np.ones(1680), RATE, GRID, np.zeros(GRID.size), BAND)


@pytest.mark.parametrize("ratio", [44.1 / 48, 48 / 44.1, 2.0, 0.5])
def test_another_sampling_rate_is_found(ratio):
    record = recording(ratio=ratio)
    assert compactness(response(record), RATE) < 0.7
    found, gain = clock_ratio(record, sweep(), RATE, BAND)
    assert found == pytest.approx(ratio) and gain > 10


def test_the_right_sampling_rate_is_left_alone():
    record = recording()
    assert compactness(response(record), RATE) > 0.9
    assert clock_ratio(record, sweep(), RATE, BAND) == (1.0, 1.0)


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


def test_the_first_of_two_echoes_is_told():
    record = recording(echo=(0.009, 0.4)) + 0.15 * recording(delay=0.0105, noise=0)
    found = first_reflection(early(record)[0], RATE, 0.005)
    assert found.delay == pytest.approx(0.0065, abs=3e-5)


@pytest.mark.parametrize("noise", [1e-6, 1e-4, 3e-3])
def test_ringing_is_no_echo(noise):
    """The loudspeaker rings at 900 Hz and, by 5 dB at a Q of 20, at 3.2 kHz."""
    found = first_reflection(early(recording(noise=noise))[0], RATE, 0.005)
    assert np.isnan(found.delay) and found.floor >= -30


def test_an_echo_under_the_noise_is_said_to_be_untold():
    found = first_reflection(early(recording(noise=1.0))[0], RATE, 0.005)
    assert found.floor > -20
    with pytest.raises(ValueError, match="band"):
        first_reflection(np.ones(1680), RATE, 0.005, (100.0, 900.0))


def test_likeness_tells_what_is_turned_over():
    first = early(recording())[0]
    turned = early(recording(gain=-0.1, seed=2, delay=0.00405))[0]
    assert normalized_correlation(first, first, RATE) == pytest.approx(1)
    assert normalized_correlation(first, turned, RATE) < -0.8
    noise = np.random.default_rng(1).standard_normal(first.size)
    assert abs(normalized_correlation(first, noise, RATE)) < 0.3
    with pytest.raises(ValueError, match="silent"):
        normalized_correlation(first, 0 * first, RATE)


def test_the_law_of_the_fixture_is_the_one_stated():
    assert LAW["start"] == SWEEP["start"] == 20.0

"""The check of reflections on recordings in simulated rooms, in noise, and through windows."""

import re

import numpy as np
import pytest

from anechain.acoustics.recording.reflections import Reflection as Found
from anechain.acoustics.recording.time_windows import Window
from anechain.data.checks import BAD, DOUBTFUL, GOOD, NOT_MADE, with_limits
from anechain_capture.options import CaptureOptions
from anechain_capture.read import read
from anechain_capture.reflection_check import proposed_window
from capture_files import LAW, RATE, sweep, write
from room_images import Loudspeaker, Reflection, axis_of, impulse_response, level, room_reflections

FREQUENCY = axis_of(RATE)
LOUDSPEAKER = Loudspeaker(resonances=((900.0, 8.0, 0.4),), edges=((4e-4, -0.1),))
DIRECT = LOUDSPEAKER.spectrum(FREQUENCY)


def recorded(folder, reflections, noise=1e-5, angle=0, direct=DIRECT):
    """Record a sweep in a room."""
    response = impulse_response(FREQUENCY, direct, reflections, 0.005, RATE)
    played = np.concatenate([sweep(), np.zeros(RATE)])
    length = 2 ** int(np.ceil(np.log2(played.size + response.size)))
    record = np.fft.irfft(np.fft.rfft(played, length) * np.fft.rfft(response, length), length)[: played.size]
    record = 0.3 * record / np.abs(record).max() + noise * np.random.default_rng(1).standard_normal(record.size)
    return write(folder / f"yew horizontal {angle}.wav", record)


def check_of(*paths, **more):
    settings = {"pattern": "yew {plane} {angle}.wav", "sweep": LAW, "window": {"after": 20.0}, "drive": 2.83} | more
    return {check.id: check for check in read(list(paths), CaptureOptions(**settings)).checks}["reflection"]


def classroom():
    """A room of 8 by 6 by 3 m with hard walls, a carpet, and an acoustic ceiling; 1.5 m from the loudspeaker."""
    absorption = np.full((6, FREQUENCY.size), 0.1)
    absorption[4:] = [[0.4], [0.6]]
    return room_reflections(FREQUENCY, LOUDSPEAKER, (8, 6, 3), (3.0, 2.2, 1.2), (4.5, 2.4, 1.2), absorption, 0.06)


@pytest.mark.parametrize("window", [{"after": 26.0}, None])
def test_a_classroom_is_not_good(tmp_path, window):
    reflections, direct = classroom()
    check = check_of(recorded(tmp_path, reflections, direct=direct), window=window)
    assert check.verdict == BAD
    first = next(each for each in reflections if level(FREQUENCY, direct, each) > -20)
    found = re.search(
        r"first reflection ([\d.]+) ms after the direct sound, (-[\d.]+) dB re it in ([\d.]+) to ([\d.]+) kHz",
        check.found,
    )
    assert float(found[1]) == pytest.approx(1e3 * first.delay, abs=0.1)
    assert float(found[2]) == pytest.approx(level(FREQUENCY, direct, first), abs=4)
    path = re.search(r"path difference ([\d.]+) m", check.found)
    assert float(path[1]) == pytest.approx(343.2 * first.delay, abs=0.05)
    together = 10 * np.log10(sum(10 ** (level(FREQUENCY, direct, each) / 10) for each in reflections))
    assert check.values[0][1] == pytest.approx(together, abs=4)
    after, lowest, share = re.search(
        r"`after: ([\d.]+)` .* valid from (\d+) Hz, 1 / \(([\d.]+) x", check.found
    ).groups()
    assert 0 < 1e3 * first.delay - float(after) < 0.4
    assert float(lowest) == pytest.approx(1e3 / (float(share) * float(after)), abs=0.6)


def test_the_proposed_window_removes_the_reflections(tmp_path):
    reflections, direct = classroom()
    path = recorded(tmp_path, reflections, direct=direct)
    after = float(re.search(r"`after: ([\d.]+)`", check_of(path).found)[1])
    found = check_of(path, window={"after": after})
    assert found.verdict == GOOD and "none inside" in found.found


def test_a_loudspeaker_alone_is_good(tmp_path):
    check = check_of(recorded(tmp_path, []))
    assert check.verdict == GOOD and check.found.startswith("none of -30 dB or more from 1.5 to 28 ms")
    assert check.series.limited and max(check.series.lines[0][1]) < -30


def test_no_window_ends_before_a_surface_close_by(tmp_path):
    check = check_of(recorded(tmp_path, [Reflection(0.001, 0.6 * DIRECT)]))
    assert check.verdict == BAD and "no window can end before it" in check.found and "`after" not in check.found


def test_noise_leaves_the_check_undecided(tmp_path):
    check = check_of(recorded(tmp_path, [], noise=0.1))
    assert check.verdict == NOT_MADE and check.floor > -30
    assert "noise hides reflections below" in check.floor_reason and "longer sweep" in check.floor_reason
    # Limits of the campaign that the noise allows.
    assert with_limits(check, {"reflection": (-5.0, 0.0)}).verdict == GOOD
    # Limits below what is searched.
    quiet = with_limits(check_of(recorded(tmp_path, [])), {"reflection": (-40.0, -30.0)})
    assert quiet.verdict == NOT_MADE and "-30 dB re the direct sound are not searched" in quiet.floor_reason


def test_a_strong_reflection_is_found_in_noise(tmp_path):
    assert check_of(recorded(tmp_path, [Reflection(0.006, 0.5 * DIRECT)], noise=0.1)).verdict == BAD


def test_the_limits_are_those_of_the_campaign(tmp_path):
    check = check_of(recorded(tmp_path, [Reflection(0.006, 0.05 * DIRECT)]))
    assert check.verdict == DOUBTFUL and check.values[0][1] == pytest.approx(-26, abs=1)
    assert with_limits(check, {"reflection": (-25.0, -15.0)}).verdict == GOOD
    assert with_limits(check, {"reflection": (-30.0, -28.0)}).verdict == BAD


def test_the_fade_of_the_window_counts(tmp_path):
    """Two milliseconds before the end of a Hann fade of 10 ms, a reflection has sin^2(pi / 10) of its amplitude."""
    path = recorded(tmp_path, [Reflection(0.018, 0.5 * DIRECT)])
    whole, faded = (check_of(path, window={"after": 20.0, "fade": fade}) for fade in (0.0, 10.0))
    assert whole.verdict == BAD and faded.verdict == DOUBTFUL
    lost = 20 * np.log10(np.sin(np.pi / 10) ** 2)
    assert faded.values[0][1] - whole.values[0][1] == pytest.approx(lost, abs=1)


def test_late_reflections_are_found_where_the_window_is_long(tmp_path):
    path = recorded(tmp_path, [Reflection(0.06, 0.3 * DIRECT)])
    assert "60.0" in check_of(path, window={"after": 80.0}).found
    assert check_of(path, window={"after": 50.0}).verdict == GOOD


def test_a_window_that_ends_before_the_search(tmp_path):
    check = check_of(recorded(tmp_path, []), window={"after": 1.4})
    assert check.verdict == NOT_MADE and "1.5 ms" in check.reason


def test_behind_the_loudspeaker_nothing_is_searched(tmp_path):
    check = check_of(recorded(tmp_path, [], angle=0), recorded(tmp_path, [Reflection(0.006, DIRECT)], angle=90))
    assert check.verdict == GOOD
    alone = check_of(recorded(tmp_path, [], angle=90))
    assert alone.verdict == NOT_MADE and "45°" in alone.reason


def test_an_impulse_response_from_a_file(tmp_path):
    response = impulse_response(FREQUENCY, DIRECT, [Reflection(0.007, 0.4 * DIRECT)], 0.004, RATE)
    path = write(tmp_path / "yew horizontal 0.wav", response / np.abs(response).max() * 0.5)
    check = check_of(path, content="impulse response", sweep=None, window=None)
    assert check.verdict == BAD and "7.0" in check.found


@pytest.mark.parametrize(
    ("window", "after", "shape"),
    [(None, 5.9, "hann"), (Window(0.001, 0.02, 0.01, "blackman"), 5.9, "blackman")],
)
def test_a_proposed_window_ends_before_the_reflection(window, after, shape):
    proposed = proposed_window(Found(0.006, -10, (800, 16000)), window)
    assert proposed.after == pytest.approx(after / 1e3) and proposed.shape == shape
    assert proposed.fade / proposed.after == pytest.approx(0.25 if window is None else 0.5)
    assert proposed_window(Found(0.001, -5, (800, 16000)), window) is None

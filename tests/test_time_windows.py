"""Time windows: length, area, and what is refused."""

import numpy as np
import pytest

from anechain.acoustics.recording.time_windows import Window, apply_window, lowest_valid_frequency
from delayed_systems import RATE


@pytest.mark.parametrize(
    ("window", "lowest"),
    [
        (Window(0, 0.005, shape="rectangular"), 200.0),
        (Window(0, 0.003, shape="rectangular"), 333.3),
        (Window(0.001, 0.006, 0.002, "hann"), 200.0),
        (Window(0, 0.010, 0, "blackman"), 100.0),
    ],
)
def test_lowest_valid_frequency_is_one_over_the_length(window, lowest):
    """Struck and Temme 1994; floor at (1.2 m, 2 m): 3.2753 ms and 305.3 Hz, by hand. A Hann fall counts for half."""
    assert lowest_valid_frequency(window) == pytest.approx(lowest, rel=2e-4)
    assert lowest_valid_frequency(Window(0, 0.0032753)) == pytest.approx(305.3, abs=0.05)


def test_the_area_of_a_window_is_what_it_passes_of_a_constant():
    for shape in ("rectangular", "hann", "blackman"):
        window = Window(0.0, 0.02, 0.012, shape)
        part, _ = apply_window(np.ones(4800), RATE, 0.0, window)
        assert part.sum() / RATE == pytest.approx(window.length if shape != "rectangular" else 0.02, rel=1e-3)


@pytest.mark.parametrize(
    "wrong", [{"shape": "round"}, {"before": -1}, {"after": 0}, {"fade": 0.5}, {"after": float("nan")}]
)
def test_invalid_windows_are_refused(wrong):
    with pytest.raises(ValueError, match="window"):
        Window(**({"before": 0.001, "after": 0.1, "fade": 0.01} | wrong))


def test_a_window_longer_than_the_response_is_refused():
    with pytest.raises(ValueError, match="a window of 4848 samples is longer than the response of 1000"):
        apply_window(np.ones(1000), RATE, 0.0, Window(0.001, 0.1))

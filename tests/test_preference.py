"""The regression's terms on curves whose values follow by hand (definitions and coefficients recalled)."""

import numpy as np
import pytest

from anechain.acoustics.curve.preference import (
    PREFERENCE_LIMITS,
    low_frequency_terms,
    preference_estimate,
    preference_of_terms,
    smoothness,
)
from filters import butterworth_highpass

GRID = 10 * 2 ** (np.arange(20 * 11 + 1) / 20)  # holds 20, 40, 80 Hz and so on


@pytest.mark.parametrize(
    ("f6", "expected"),
    [(14.5, 10.0045), (20, 9.4026), (30, 8.6436), (40, 8.1051), (50, 7.6874), (63, 7.2548), (80, 6.8077), (100, 6.39)],
)
def test_perfect_curves(f6, expected):
    """NBD = 0, SM = 1: 12.69 - 4.31 lg f6 + 2.32."""
    assert preference_of_terms(0, 0, np.log10(f6), 1) == pytest.approx(expected, abs=1e-4)


def test_ten_is_reached_at_fourteen_and_a_half_hertz():
    assert preference_of_terms(0, 0, np.log10(14.5349), 1) == pytest.approx(10, abs=1e-5)


def falling(f6):
    """0 dB above, straight down by 24 dB per octave so as to be 6 dB down at f6."""
    return np.minimum(0.0, 24 * np.log2(GRID / (f6 * 2**0.25)))


def test_a_flat_axis_and_a_tilted_room_curve():
    """ON flat, PIR -1 dB per octave, f6 = 40 Hz: 7.7314, of NBD_PIR = 0.125 and SM = 1."""
    found = preference_estimate(GRID, falling(40), falling(40), falling(40), -np.log2(GRID / 1000), last_band="whole")
    assert found.rating == pytest.approx(7.7314, abs=1e-3) and found.rating_words == "7.7"
    assert found.on_axis_deviation.deviation_db == pytest.approx(0, abs=1e-12)
    assert found.in_room_deviation.deviation_db == pytest.approx(0.125, abs=1e-9)
    assert found.smoothness == pytest.approx(1.0) and found.low_frequency.minus_six_hz == pytest.approx(40.0, rel=1e-6)
    assert sum(found.contributions.values()) + 12.69 == pytest.approx(found.rating)
    assert set(found.contributions) == {"NBD_ON", "NBD_PIR", "LFX", "SM_PIR"}


def test_the_limits_are_always_there():
    found = preference_estimate(GRID, falling(40), falling(40), falling(40), -np.log2(GRID))
    assert found.limits == PREFERENCE_LIMITS and "70 loudspeakers" in found.limits and "recalled" in found.limits
    assert found.last_band == "cut" and found.on_axis_deviation.bands == 14


def test_a_flat_room_curve_leaves_the_smoothness_undefined():
    """r² is 0/0 then: neither 0 nor 1, a swing of 2.32 points."""
    found = preference_estimate(GRID, falling(40), falling(40), falling(40), np.zeros(GRID.size))
    assert found.rating is None and found.rating_words == "not determined" and found.smoothness is None
    assert "SM_PIR" in found.reason and "SM_PIR" not in found.contributions and "LFX" in found.contributions


def test_smoothness_of_an_alternation_on_a_tilt():
    """147 points from 100 Hz, ± 1 dB in turn on -1 dB per octave: 0.818244 (computed)."""
    points = 100 * 2 ** (np.arange(147) / 20)
    grid = np.append(points, 16000.0)
    level = np.append((-1.0) ** np.arange(147) - np.log2(points), -np.log2(16000.0))
    line = smoothness(grid, level)
    assert line.points == 147 and line.r_squared == pytest.approx(0.818244, abs=1e-6)
    assert smoothness(grid[:-2], level[:-2]).reason.startswith("the data reach")


def test_the_bass_ends_where_the_sound_power_is_six_decibels_below_the_listening_window():
    """Butterworth, fourth order, 50 Hz: f6 = 0.872375 · 50 Hz with the window at 0 dB."""
    power = butterworth_highpass(4, 50.0, GRID)
    found = low_frequency_terms(GRID, power, power)
    assert found.minus_six_hz == pytest.approx(50 * 0.872375, rel=3e-3)
    assert found.extension_log10_hz == pytest.approx(np.log10(found.minus_six_hz))
    raised = low_frequency_terms(GRID, power + 2, power)
    assert raised.listening_window_db == pytest.approx(2.0, abs=1e-3) and raised.minus_six_hz > found.minus_six_hz


def test_bass_quality_by_hand():
    """Sound power 1 dB below the window's mean from f6 (a sheer drop) up to 300 Hz: every band is 1 dB off."""
    power = np.where(GRID < 40.0, -60.0, -1.0)
    found = low_frequency_terms(GRID, np.zeros(GRID.size), power)
    assert found.quality_db == pytest.approx(1.0, abs=0.15) and 38.6 < found.minus_six_hz < 40.0


def test_bass_quality_of_a_straight_line_by_hand():
    """2 dB per octave below 300 Hz: 6 dB down three octaves lower, at 37.5 Hz, and 3 dB down in the mean."""
    power = np.where(GRID < 300.0, 2.0 * np.log2(GRID / 300.0), 0.0)
    found = low_frequency_terms(GRID, np.zeros(GRID.size), power)
    assert found.minus_six_hz == pytest.approx(37.5, rel=1e-4)
    assert found.quality_db == pytest.approx(3.0, abs=0.05)


def test_a_frequency_outside_the_data_is_not_determined():
    found = preference_estimate(GRID, *[np.zeros(GRID.size)] * 3, -np.log2(GRID))
    assert found.rating is None and found.low_frequency.minus_six_hz is None
    assert "LFX: sound power: the data end at 10 Hz" in found.reason
    short = low_frequency_terms(GRID[GRID > 400], np.zeros((GRID > 400).sum()), np.zeros((GRID > 400).sum()))
    assert "listening window" in short.reason
    hole = falling(40)
    hole[np.argmin(np.abs(GRID - 300))] = np.nan
    assert "sound power" in low_frequency_terms(GRID, np.zeros(GRID.size), hole).reason


def test_coarse_data_have_no_rating():
    thirds = 20 * 2 ** (np.arange(31) / 3)
    found = preference_estimate(thirds, *[np.log2(thirds)] * 4)
    assert found.rating is None and "1/10 octave or finer" in found.reason

"""Frequency limits against closed forms of high-pass alignments."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import real_loudspeaker
from anechain.acoustics.curve.effective_range import effective_frequency_range
from anechain.acoustics.curve.frequency_limits import HALF_POWER, frequency_limits
from anechain.acoustics.curve.room_extension import in_room_extension, room_gain
from anechain.acoustics.curve.sensitivity import sensitivity
from filters import FREQUENCY, analogue_highpass, butterworth_highpass, closed_box


def lower(level, reference=0.0, **options):
    found = frequency_limits(FREQUENCY, level, reference, "passband", **options)
    return [limit.first_crossing_hz for limit in found.lower]


@pytest.mark.parametrize(
    ("order", "ratio6", "ratio10"), [(2, 0.761039, 0.577350), (3, 0.833562, 0.693361), (4, 0.872375, 0.759836)]
)
def test_butterworth_ratios(order, ratio6, ratio10):
    """x(dB) = (10^(dB/10) - 1)^(-1/2n), closed form; -3 dB is half power, 6 and 10 dB as they stand."""
    f3, f6, f10 = lower(butterworth_highpass(order, 50.0))
    assert f3 == pytest.approx(50.0, rel=1e-3)
    assert (f6 / f3, f10 / f3) == (pytest.approx(ratio6, rel=1e-3), pytest.approx(ratio10, rel=1e-3))


@pytest.mark.parametrize(("order", "ratio"), [(2, 0.760136), (4, 0.871858)])
def test_which_three_decibels_is_an_option(order, ratio):
    level = butterworth_highpass(order, 50.0)
    f3, f6, _ = lower(level, minus_3_db="3.000 dB")
    assert f6 / f3 == pytest.approx(ratio, rel=2e-4)
    assert f3 > lower(level)[0]
    found = frequency_limits(FREQUENCY, level, 0.0, "passband")
    assert found.lower[0].drop_db == HALF_POWER == pytest.approx(3.0103, abs=5e-5)
    with pytest.raises(ValueError, match="minus_3_db"):
        lower(level, minus_3_db="about 3")


@pytest.mark.parametrize("order", [2, 3, 4])
@pytest.mark.parametrize("kind", ["butterworth", "bessel"])
def test_alignments_as_an_independent_library_designs_them(kind, order):
    """scipy.signal.bessel (norm="mag") and butter: solved for -3.0103, -6 and -10 dB by bisection of the response."""
    from scipy.optimize import brentq

    expected = [
        brentq(lambda f, d=drop: float(analogue_highpass(kind, order, 40.0, np.array([f]))[0]) + d, 5.0, 400.0)
        for drop in (HALF_POWER, 6.0, 10.0)
    ]
    assert lower(analogue_highpass(kind, order, 40.0)) == pytest.approx(expected, rel=1e-3)


def test_a_bessel_alignment_falls_more_slowly_than_a_butterworth_one():
    """A second-order Bessel alignment is the closed box of Q = 1/sqrt(3) (Small 1972): f10/f3 = 0.4931, not 0.5774."""
    f3, _, f10 = lower(closed_box(1 / np.sqrt(3), 50.0))
    assert f10 / f3 == pytest.approx(0.62729 / 1.27202, rel=1e-3)


@pytest.mark.parametrize(
    ("q", "f3", "f6", "f10"),
    [
        (0.5, 1.55377, 1.00238, 0.68006),
        (0.70711, 1.0, 0.76104, 0.57735),
        (0.9, 0.82947, 0.68180, 0.54177),
        (1.0, 0.78615, 0.65974, 0.53139),
        (1.2, 0.73582, 0.63263, 0.51827),
    ],
)
def test_closed_boxes(q, f3, f6, f10):
    """Small 1972: computed from s² / (s² + s/Q + 1)."""
    assert lower(closed_box(q, 60.0)) == pytest.approx([60 * f3, 60 * f6, 60 * f10], rel=1e-3)


def test_twentieth_octave_data_are_good_to_half_a_percent():
    coarse = 20 * 2 ** (np.arange(200) / 20)
    found = frequency_limits(coarse, butterworth_highpass(4, 50.0, coarse), 0.0, "passband")
    limits = [one.first_crossing_hz for one in found.lower]
    assert limits == pytest.approx([50.0, 50 * 0.872375, 50 * 0.759836], rel=5e-3)
    for one in found.lower:
        assert one.bracket_hz[0] <= one.first_crossing_hz <= one.bracket_hz[1]
        assert one.bracket_hz[1] / one.bracket_hz[0] == pytest.approx(2 ** (1 / 20))


@given(st.integers(1, 6), st.floats(25.0, 300.0), st.floats(-20, 120))
def test_deeper_drops_lie_further_out(order, corner, reference):
    """Fact of the trade: F10 below F6 below F3."""
    f3, f6, f10 = lower(butterworth_highpass(order, corner) + reference, reference)
    assert (f10 or 0) < (f6 or 0) < f3


def test_both_ends():
    level = butterworth_highpass(2, 50.0) + butterworth_highpass(4, 8000.0, 8000.0**2 / FREQUENCY)
    found = frequency_limits(FREQUENCY, level, 0.0, "passband")
    assert found.upper[0].first_crossing_hz == pytest.approx(8000.0, rel=2e-3)
    assert found.upper[2].first_crossing_hz == pytest.approx(8000.0 / 0.759836, rel=2e-3)
    assert found.reference == "passband" and found.reference_db == 0.0


def test_what_lies_beyond_the_data_is_not_made_up():
    found = frequency_limits(FREQUENCY, np.zeros(FREQUENCY.size), 0.0, "passband")
    assert all(one.first_crossing_hz is None and one.last_crossing_hz is None for one in (*found.lower, *found.upper))
    assert "the data end at 10 Hz with the curve 3.0 dB above the limit" in found.lower[0].reason


def test_a_gap_ends_what_is_known():
    level = butterworth_highpass(4, 50.0)
    level[np.argmin(np.abs(FREQUENCY - 60.0))] = np.nan
    assert lower(level) == [None, None, None]


def test_a_curve_that_comes_back_has_two_limits():
    level = np.where((FREQUENCY > 80) & (FREQUENCY < 100), -20.0, 0.0) + butterworth_highpass(8, 40.0)
    limit = frequency_limits(FREQUENCY, level, 0.0, "passband").lower[1]
    assert limit.first_crossing_hz == pytest.approx(100.0, rel=0.02)
    assert limit.last_crossing_hz == pytest.approx(40 * 0.934, rel=0.01)
    assert "comes back" in limit.reason


def test_a_search_cannot_begin_below_the_limit():
    found = frequency_limits(FREQUENCY, np.full(FREQUENCY.size, -8.0), 0.0, "passband", 1000.0)
    assert "below the limit already" in found.lower[0].reason and "data end" in found.lower[2].reason
    assert "not determined" in frequency_limits(FREQUENCY, np.zeros(FREQUENCY.size), np.nan, "none").reason


# --- effective frequency range

LINES = 20 * 2 ** (np.arange(961) / 96)


def straight_lines(frequency):
    """Flat from 100 Hz to 10 kHz, 12 dB per octave below, 24 dB per octave above."""
    return np.minimum(0, 12 * np.log2(frequency / 100)) + np.minimum(0, -24 * np.log2(frequency / 10000))


def grid_with_corners(*more):
    return np.unique(np.concatenate([LINES, [100.0, 10000.0], more]))


def test_effective_range_of_straight_lines():
    """IEC 60268-5, 21.2 (second hand); 56.1231 Hz and 13348.40 Hz in closed form."""
    grid = grid_with_corners()
    found = effective_frequency_range(grid, straight_lines(grid))
    assert found.lower[0].first_crossing_hz == pytest.approx(56.1231, rel=1e-5)
    assert found.upper[0].first_crossing_hz == pytest.approx(13348.40, rel=1e-5)
    assert found.reference_db == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(("width", "splits"), [(1 / 10, False), (1 / 8, True)])
def test_only_troughs_of_a_ninth_of_an_octave_split_the_range(width, splits):
    """IEC 60268-5, 21.2: narrower ones, at the -10 dB level, are ignored."""
    edges = 500 * 2 ** (np.array([-0.5, 0.5]) * width)
    e = 1 + 1e-9
    grid = grid_with_corners(edges[0] / e**3, edges[0] * e**3, edges[1] / e**3, edges[1] * e**3)
    level = straight_lines(grid) - np.where((grid > edges[0]) & (grid < edges[1]), 20.0, 0.0)
    found = effective_frequency_range(grid, level)
    expected = edges[0] if splits else 13348.40  # the loudest octave, the first of equals, lies below the trough
    assert found.upper[0].first_crossing_hz == pytest.approx(expected, rel=1e-5)
    assert found.upper[0].last_crossing_hz == pytest.approx(13348.40, rel=1e-5)
    assert found.lower[0].first_crossing_hz == pytest.approx(56.1231, rel=1e-5)


def test_another_drop_band_or_trough_may_be_asked():
    """The same straight lines, flat around the loudest band: 6 dB are half an octave below, a quarter above."""
    grid = grid_with_corners()
    found = effective_frequency_range(grid, straight_lines(grid), 6.0, 0.5)
    assert found.lower[0].first_crossing_hz == pytest.approx(100 / np.sqrt(2), rel=1e-3)
    assert found.upper[0].first_crossing_hz == pytest.approx(10000 * 2**0.25, rel=1e-3)
    assert found.lower[0].drop_db == 6.0 and "0.5 octaves" in found.reference
    half = grid_with_corners(500.0, 500.0 / (1 + 1e-9), 700.0, 700.0 * (1 + 1e-9))
    level = straight_lines(half) - np.where((half >= 500) & (half <= 700), 20.0, 0.0)
    assert effective_frequency_range(half, level).upper[0].first_crossing_hz == pytest.approx(500, rel=1e-3)
    wide = effective_frequency_range(half, level, ignored_dip_octaves=0.6)
    assert wide.upper[0].first_crossing_hz == pytest.approx(13348.40, rel=1e-3)
    with pytest.raises(ValueError, match="above zero"):
        effective_frequency_range(grid, straight_lines(grid), octaves=0.0)


def test_less_than_an_octave_has_no_range():
    found = effective_frequency_range([100.0, 120.0, 150.0], [0.0, 0.0, 0.0])
    assert found.reference_db is None and "no whole octave" in found.reason


# --- in the room


def test_a_closed_box_that_is_tuned_to_the_room_is_flat_in_it():
    """x⁴/(1 + x⁴) times (1 + x⁻⁴) is 1: a second-order roll-off at the lowest mode is what the room makes good."""
    length = 343.2 / (2 * 40.0)
    level = butterworth_highpass(2, 40.0)
    np.testing.assert_allclose(level + room_gain(FREQUENCY, length), 0.0, atol=1e-9)
    found = in_room_extension(FREQUENCY, level, length)
    assert all(one.first_crossing_hz is None for one in found.lower)
    assert "room 4.29 m long" in found.reference and found.upper == ()


def test_a_vented_box_in_the_room():
    """y(y + 1)/(1 + y²) = 1/10 with y = x⁴ gives 9y² + 10y - 1 = 0: x = 0.55123."""
    length = 343.2 / (2 * 40.0)
    y = (-10 + np.sqrt(136)) / 18
    level = butterworth_highpass(4, 40.0)
    with_room = in_room_extension(FREQUENCY, level, length, reference_band=(2000.0, 4000.0))
    assert with_room.lower[2].first_crossing_hz == pytest.approx(40 * y**0.25, rel=1e-3)
    without = in_room_extension(FREQUENCY, level, reference_band=(2000.0, 4000.0))
    assert without.lower[2].first_crossing_hz == pytest.approx(40 * 0.759836, rel=1e-3)
    assert "no room gain" in without.reference


def test_a_room_has_a_size():
    with pytest.raises(ValueError, match="longest side"):
        room_gain([100.0], 0.0)


def test_a_real_two_way():
    """A small two-way reaches a few tens of hertz, F10 below F6 below F3 (common practice, no source)."""
    speaker = real_loudspeaker.load()
    known = ~np.isnan(speaker.curves["on_axis"])
    frequency, level = speaker.frequency[known], speaker.curves["on_axis"][known]
    reference = sensitivity(frequency, level).level_db
    found = frequency_limits(frequency, level, reference, "mean from 300 to 3000 Hz")
    f3, f6, f10 = (limit.first_crossing_hz for limit in found.lower)
    assert 30 < f10 < f6 < f3 < 80
    assert all(limit.first_crossing_hz is None and "the data end at 20000 Hz" in limit.reason for limit in found.upper)


def test_a_gap_is_not_called_the_end_of_the_data():
    grid = np.geomspace(20.0, 20000.0, 400)
    level = np.full(grid.size, 80.0)
    level[(grid > 200) & (grid < 300)] = np.nan
    limits = frequency_limits(grid, level, 80.0, "the curve", 1000.0, (3.0,))
    assert "have a gap beyond 30" in limits.lower[0].reason and "the data end at 20000 Hz" in limits.upper[0].reason
    found = effective_frequency_range(grid, level)
    assert "a louder one may be in the gap" in found.reference
    assert "gap" not in effective_frequency_range(grid, np.full(grid.size, 80.0)).reference

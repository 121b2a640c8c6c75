"""Tests of frequency limits against closed forms of high-pass filters and designs of an independent library."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import real_loudspeaker
from anechain.acoustics.curve.frequency_limits import HALF_POWER, frequency_limits
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
    assert "rises again" in limit.reason


def test_a_search_cannot_begin_below_the_limit():
    found = frequency_limits(FREQUENCY, np.full(FREQUENCY.size, -8.0), 0.0, "passband", 1000.0)
    assert "below the limit already" in found.lower[0].reason and "data end" in found.lower[2].reason
    assert "not determined" in frequency_limits(FREQUENCY, np.zeros(FREQUENCY.size), np.nan, "none").reason


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

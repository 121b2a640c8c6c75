"""Distortion at a level: which takes, what lies between two, and who may be compared."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anechain.acoustics.nonlinear.distortion_at_level import (
    MeasurementConditions,
    TakesAtLevel,
    comparable_devices,
    interpolate_takes,
    take_levels,
    takes_at_level,
)

FREQUENCY = 1000 * 2.0 ** (np.arange(-60, 49) / 12)


def test_the_level_of_a_take_is_its_mean_from_300_hz_to_3_khz():
    """86 dB below 948.7 Hz, the geometric middle of the band, 90 dB above: 10 lg of the mean of both powers."""
    step = np.where(np.sqrt(300 * 3000) > FREQUENCY, 86.0, 90.0)
    fine = np.geomspace(20, 16000, 20001)
    fine_step = np.where(fine < np.sqrt(300 * 3000), 86.0, 90.0)
    [level] = take_levels(fine, fine_step[None])
    assert level.level_db == pytest.approx(10 * np.log10((10**8.6 + 10**9) / 2), abs=0.01)
    flat, shaped = take_levels(FREQUENCY, [np.full(FREQUENCY.size, 84.0), step])
    assert flat.level_db == pytest.approx(84)
    assert shaped.level_db == pytest.approx(88.4, abs=0.2)
    [relative] = take_levels(FREQUENCY, [step], level_kind="relative")
    assert relative.level_db is None and "relative" in relative.reason
    [short] = take_levels(FREQUENCY[FREQUENCY > 500], [step[FREQUENCY > 500]])
    assert short.level_db is None and "529.7" in short.reason


def test_the_nearest_take_within_the_tolerance_is_used_as_it_is():
    assert takes_at_level([80.0, 86.3, 92.0], 86.0) == TakesAtLevel(86.0, 86.3, (1,), 0.0, "")
    # Also beyond the loudest take, where nothing could lie between.
    assert takes_at_level([80.0, 85.6], 86.0) == TakesAtLevel(86.0, 85.6, (1,), 0.0, "")
    assert takes_at_level([80.0, 86.3, 92.0], 86.0, tolerance_db=0.1).takes == (0, 1)


def test_between_two_takes():
    found = takes_at_level([92.0, 80.0, 88.0, None], 89.0)
    assert found == TakesAtLevel(89.0, 89.0, (2, 0), 0.25, "")


@pytest.mark.parametrize(
    ("levels", "requested", "words"),
    [
        ([80.0, 86.0], 96.0, ("outside what was measured", "80.0 to 86.0 dB", "nothing is extrapolated")),
        ([80.0, 86.0], 70.0, ("80.0 to 86.0 dB",)),
        ([80.0], 86.0, ("one take, at 80.0 dB",)),
        ([None, None], 86.0, ("no take has a level",)),
        ([], 86.0, ("no take has a level",)),
        ([80.0, 95.0], 86.0, ("80.0 and 95.0 dB", "more than 10 dB apart")),
    ],
)
def test_what_is_not_reached_says_what_was_measured(levels, requested, words):
    found = takes_at_level(levels, requested)
    assert found.takes == () and found.reached_db is None
    assert all(word in found.reason for word in words)
    with pytest.raises(ValueError, match=r"dB|level"):
        interpolate_takes(np.zeros((len(levels), 1)), found)


@given(st.lists(st.floats(60, 120), min_size=1, max_size=8), st.floats(50, 130))
def test_nothing_is_ever_extrapolated(levels, requested):
    found = takes_at_level(levels, requested)
    if found.takes:
        assert min(levels) - 0.5 <= requested <= max(levels) + 0.5
        assert 0 <= found.share <= 1
        reached = interpolate_takes(np.array(levels)[:, None], found)[0]
        assert reached == pytest.approx(found.reached_db, abs=1e-9)
        assert abs(reached - requested) <= 0.5 + 1e-9


@pytest.mark.parametrize("at", [81.0, 83.7, 85.4])
def test_a_weak_nonlinearity_is_interpolated_exactly(at):
    """x + a x^2 + b x^3, b so small that the fundamental stays 1: order n rises by n dB per dB, a straight line."""
    a, b = 1e-3, 1e-9

    def takes(level):
        amplitude = 10 ** (np.asarray(level) / 20)
        orders = np.array([amplitude, a * amplitude**2 / 2, b * amplitude**3 / 4])
        return 20 * np.log10(orders).T

    found = takes_at_level([80.0, 86.0], at)
    np.testing.assert_allclose(interpolate_takes(takes([80.0, 86.0]), found), takes([at])[0], atol=1e-9)


def test_a_value_that_one_of_two_takes_lacks_stays_missing():
    found = takes_at_level([80.0, 86.0], 83.0)
    values = np.array([[10.0, np.nan, 30.0], [20.0, 20.0, np.nan]])
    np.testing.assert_array_equal(interpolate_takes(values, found), [15.0, np.nan, np.nan])


class TestComparable:
    hall = MeasurementConditions("spl", 1.0, "Hall of the workshop")

    def test_equal_conditions(self):
        same = MeasurementConditions("spl", 1.0, "hall of  the workshop")
        assert comparable_devices({"rowan": self.hall, "alder": same}) == (("rowan", "alder"), {})

    @pytest.mark.parametrize(
        ("other", "word"),
        [
            (MeasurementConditions("relative", None, "Hall of the workshop"), "relative"),
            (MeasurementConditions("spl", 2.0, "Hall of the workshop"), "2 m"),
            (MeasurementConditions("spl", None, "Hall of the workshop"), "distance"),
            (MeasurementConditions("spl", 1.0, "Yard"), "Yard"),
            (MeasurementConditions("spl", 1.0, ""), "no stated environment"),
            (MeasurementConditions("spl", 1.0, "Hall of the workshop", "96 dB is outside"), "96 dB is outside"),
        ],
    )
    def test_others_are_refused_with_the_reason(self, other, word):
        chosen, refused = comparable_devices({"hornbeam": other, "rowan": self.hall, "alder": self.hall})
        assert chosen == ("rowan", "alder")
        assert list(refused) == ["hornbeam"] and word in refused["hornbeam"]

    def test_nobody(self):
        assert comparable_devices({}) == ((), {})
        assert comparable_devices({"rowan": MeasurementConditions("spl", 1.0, "", "why")}) == ((), {"rowan": "why"})


def test_senseless_tolerances_are_refused():
    with pytest.raises(ValueError, match="zero or positive"):
        takes_at_level([80.0], 80.0, -1.0)

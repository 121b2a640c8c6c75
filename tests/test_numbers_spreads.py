"""Uncertainties carried from curves to numbers, against closed forms."""

import numpy as np
import pytest

from anechain.acoustics.curve_parts import mean_over_octaves
from anechain.acoustics.trends import fit_trend
from anechain.figure_of_merit.spreads import CANCELS, NOT_STATED, Errors, drawn, mean_spread

FREQUENCY = 100 * 2.0 ** (np.arange(141) / 20)
FLAT = np.full(FREQUENCY.size, 80.0)


def errors(common=0.0, own=0.0, **more):
    return Errors(FREQUENCY, {"curve": FLAT * 0 + common}, {"curve": FLAT * 0 + own}, 20.0, **more)


def slope(curves):
    return {"slope": fit_trend(FREQUENCY, curves["curve"], FREQUENCY[0], FREQUENCY[-1]).slope_db_per_octave}


def test_what_is_common_stays_in_a_mean_and_what_is_not_averages():
    """GUM, 5.1.2 and 5.2.2: correlated errors do not average; independent ones do, by the root of their number."""
    assert mean_spread(errors(common=0.5), "curve", FLAT, 100, 12800).standard == pytest.approx(0.5)
    weights = np.r_[0.5, np.ones(139), 0.5]
    expected = 0.3 * np.sqrt((weights**2).sum()) / weights.sum()
    assert mean_spread(errors(own=0.3), "curve", FLAT, 100, 12800).standard == pytest.approx(expected, rel=1e-3)
    both = mean_spread(errors(0.5, 0.3), "curve", FLAT, 100, 12800).standard
    assert both == pytest.approx(np.hypot(0.5, expected), rel=1e-3)


def test_the_spread_of_a_slope_is_that_of_least_squares():
    """Closed form: standard deviation of the errors over the root of the sum of squared distances from the mean."""
    octaves = np.log2(FREQUENCY)
    expected = 0.4 / np.sqrt(((octaves - octaves.mean()) ** 2).sum())
    found = drawn(errors(own=0.4, draws=2000), {"curve": FLAT}, slope)["slope"]
    assert found.standard == pytest.approx(expected, rel=0.08) and "Monte Carlo" in found.how


def test_an_error_at_all_frequencies_stays_in_a_level_and_cancels_in_a_slope():
    found = drawn(
        errors(common=0.5, draws=2000),
        {"curve": FLAT},
        lambda curves: {"level": mean_over_octaves(FREQUENCY, curves["curve"]), **slope(curves)},
    )
    assert found["level"].standard == pytest.approx(0.5, rel=0.08)
    assert found["slope"].standard is None and found["slope"].reason == CANCELS


def test_an_error_of_the_microphone_that_reaches_some_octaves_no_longer_cancels():
    """One error at either end, read linearly in between with its size kept: a slope is linear in both."""
    octaves = np.log2(FREQUENCY)
    t = (octaves - octaves[0]) / np.ptp(octaves)
    shapes = np.stack([1 - t, t]) / np.hypot(1 - t, t)
    expected = 0.5 * np.hypot(*(np.polyfit(octaves, shape, 1)[0] for shape in shapes))
    microphone = errors(common=0.5, draws=2000, response=FLAT * 0 + 0.5, response_octaves=7.0)
    found = drawn(microphone, {"curve": FLAT}, slope)["slope"]
    assert found.standard == pytest.approx(expected, rel=0.08)
    calibrated_too = errors(common=1.3, draws=2000, response=FLAT * 0 + 0.5, response_octaves=7.0)
    assert drawn(calibrated_too, {"curve": FLAT}, slope)["slope"].standard == pytest.approx(expected, rel=0.08)


def test_the_microphone_cancels_in_an_index():
    microphone = errors(common=0.0, draws=200, response=FLAT * 0 + 0.5)
    assert drawn(microphone, {"curve": FLAT}, slope)["slope"].reason == CANCELS


def test_independent_draws_keep_their_size_between_the_places_of_drawing():
    fine = 100 * 2.0 ** (np.arange(1401) / 200)
    one = Errors(fine, {"curve": fine * 0}, {"curve": fine * 0 + 1.0}, 20.0, 3000)
    at = {f"{row}": row for row in (700, 703, 705, 1000)}
    found = drawn(
        one, {"curve": fine * 0}, lambda curves: {name: float(curves["curve"][row]) for name, row in at.items()}
    )
    for spread in found.values():
        assert spread.standard == pytest.approx(1.0, rel=0.06)


def test_nothing_stated_is_said():
    none = Errors(FREQUENCY, {}, {})
    assert mean_spread(none, "curve", FLAT, 100, 1000).reason == NOT_STATED
    assert drawn(none, {"curve": FLAT}, slope)["slope"].reason == NOT_STATED


def test_a_number_that_is_lost_in_some_draws_says_so():
    found = drawn(
        errors(own=0.5, draws=200),
        {"curve": FLAT},
        lambda curves: {"half": 1.0 + curves["curve"][0] if curves["curve"][0] >= 80.0 else None},
    )["half"]
    assert found.standard > 0 and "not determined in" in found.note


def test_the_same_errors_give_the_same_spread():
    twice = [drawn(errors(own=0.4), {"curve": FLAT}, slope)["slope"] for _ in range(2)]
    assert twice[0] == twice[1]

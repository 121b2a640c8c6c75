"""Uncertainties carried from directions to numbers, against closed forms."""

from dataclasses import replace

import numpy as np
import pytest

from anechain.acoustics.curve.segments import mean_over_octaves
from anechain.acoustics.curve.trends import fit_trend
from anechain.acoustics.nonlinear.octave_weights import band_weights
from anechain.acoustics.uncertainty.drawn_errors import DirectionErrors
from anechain.figure_of_merit.curve_uncertainty import (
    CANCELS,
    NOT_STATED,
    REPEATABILITY_ONLY,
    StatedErrors,
    band_level_uncertainty,
    linear_uncertainty,
    monte_carlo_of_curves,
    monte_carlo_of_orbits,
    thinned_rows,
)

FREQUENCY = 100 * 2.0 ** (np.arange(141) / 20)
FLAT = np.full(FREQUENCY.size, 80.0)


def errors(common=0.0, own=0.0, response=0.0, frequency=FREQUENCY, withheld_reason="", **more):
    """One curve of one direction, and an index of two directions' difference."""
    nothing = np.zeros((2, frequency.size))
    one = nothing.copy()
    one[0] = 1.0
    return StatedErrors(
        DirectionErrors(
            frequency,
            np.full(frequency.size, float(common)),
            np.full(frequency.size, float(response)),
            nothing + own,
            nothing + more.pop("angle_error", 0.0),
            {"curve": one, "other": one[::-1], "index": one - one[::-1]},
            np.array([[0, 1]]),
            **{"own_octaves": 0.05, **more},
        ),
        withheld_reason,
    )


def slope(curves):
    return {"slope": fit_trend(FREQUENCY, curves["curve"], FREQUENCY[0], FREQUENCY[-1]).slope_db_per_octave}


def test_what_is_common_stays_in_a_mean_and_what_is_not_averages():
    """GUM, 5.1.2 and 5.2.2: correlated errors do not average; independent ones do, by the root of their number."""
    assert band_level_uncertainty(errors(common=0.5), "curve", FLAT, 100, 12800).standard == pytest.approx(0.5)
    assert band_level_uncertainty(errors(angle_error=0.5), "curve", FLAT, 100, 12800).standard == pytest.approx(0.5)
    weights = np.r_[0.5, np.ones(139), 0.5]
    expected = 0.3 * np.sqrt((weights**2).sum()) / weights.sum()
    assert band_level_uncertainty(errors(own=0.3), "curve", FLAT, 100, 12800).standard == pytest.approx(
        expected, rel=1e-3
    )
    both = band_level_uncertainty(errors(0.5, 0.3), "curve", FLAT, 100, 12800).standard
    assert both == pytest.approx(np.hypot(0.5, expected), rel=1e-3)


def test_first_order_and_draws_agree_on_a_mean():
    """JCGM 101 and JCGM 100 are the same for a number that is linear in normal errors, here of all four kinds."""
    every_kind = errors(0.2, 0.6, 0.4, angle_error=0.3, own_octaves=1.0, draws=4000)
    weight = band_weights(FREQUENCY, 200.0, 3200.0)
    linear = linear_uncertainty(every_kind, "curve", weight / weight.sum()).standard
    found = monte_carlo_of_curves(
        every_kind, {"curve": FLAT}, lambda curves: {"mean": float(weight @ curves["curve"]) / weight.sum()}
    )
    assert found["mean"].standard == pytest.approx(linear, rel=0.04)


def test_the_weights_of_a_band_are_its_octaves():
    weight = band_weights(FREQUENCY, 150.0, 1500.0)
    assert weight.sum() == pytest.approx(np.log2(10))
    assert weight[(FREQUENCY < 140) | (FREQUENCY > 1600)].max() == 0


def test_the_spread_of_a_slope_is_that_of_least_squares():
    """Closed form: standard deviation of the errors over the root of the sum of squared distances from the mean."""
    octaves = np.log2(FREQUENCY)
    expected = 0.4 / np.sqrt(((octaves - octaves.mean()) ** 2).sum())
    found = monte_carlo_of_curves(errors(own=0.4, draws=2000), {"curve": FLAT}, slope)["slope"]
    assert found.standard == pytest.approx(expected, rel=0.08) and "Monte Carlo" in found.propagation


def test_an_error_at_all_frequencies_stays_in_a_level_and_cancels_in_a_slope():
    found = monte_carlo_of_curves(
        errors(common=0.5, draws=2000),
        {"curve": FLAT},
        lambda curves: {"level": mean_over_octaves(FREQUENCY, curves["curve"]), **slope(curves)},
    )
    assert found["level"].standard == pytest.approx(0.5, rel=0.08)
    assert found["slope"].standard is None and found["slope"].reason == CANCELS


def test_an_error_of_the_microphone_that_reaches_some_octaves_does_not_cancel():
    """One error at either end, read linearly in between with its size kept: a slope is linear in both."""
    octaves = np.log2(FREQUENCY)
    t = (octaves - octaves[0]) / np.ptp(octaves)
    shapes = np.stack([1 - t, t]) / np.hypot(1 - t, t)
    expected = 0.5 * np.hypot(*(np.polyfit(octaves, shape, 1)[0] for shape in shapes))
    for calibration in (0.0, 1.2):
        microphone = errors(common=calibration, draws=2000, response=0.5, response_octaves=7.0)
        found = monte_carlo_of_curves(microphone, {"curve": FLAT}, slope)["slope"]
        assert found.standard == pytest.approx(expected, rel=0.08)


def test_what_directions_share_cancels_in_an_index():
    shared = errors(common=0.3, draws=200, response=0.5)
    found = monte_carlo_of_curves(shared, {"index": FLAT}, lambda curves: {"mean": float(curves["index"].mean())})
    assert found["mean"].reason == CANCELS
    assert linear_uncertainty(shared, "index", np.full(FREQUENCY.size, 1 / FREQUENCY.size)).reason == CANCELS


def test_curves_of_the_same_directions_have_the_same_errors():
    """The difference of a curve and itself has none; of curves of two directions it has root two times one."""
    known = errors(own=0.4, angle_error=0.3, draws=2000)
    level = {"curve": FLAT, "other": FLAT, "index": FLAT * 0}

    def differences(curves):
        row = 70
        return {
            "known": float(curves["curve"][row] - curves["other"][row] - curves["index"][row]) + 1.0,
            "apart": float(curves["curve"][row] - curves["other"][row]),
        }

    found = monte_carlo_of_curves(known, level, differences)
    assert found["known"].reason == CANCELS
    assert found["apart"].standard == pytest.approx(np.sqrt(2) * 0.5, rel=0.08)


def test_independent_draws_keep_their_size_between_the_places_of_drawing():
    fine = 100 * 2.0 ** (np.arange(1401) / 200)
    at = {f"{row}": row for row in (700, 703, 705, 1000)}
    found = monte_carlo_of_curves(
        errors(own=1.0, frequency=fine, draws=3000),
        {"curve": fine * 0},
        lambda curves: {name: float(curves["curve"][row]) for name, row in at.items()},
    )
    for spread in found.values():
        assert spread.standard == pytest.approx(1.0, rel=0.06)


def test_nothing_stated_is_said():
    none = StatedErrors()
    assert band_level_uncertainty(none, "curve", FLAT, 100, 1000).reason == NOT_STATED
    assert monte_carlo_of_curves(none, {"curve": FLAT}, slope)["slope"].reason == NOT_STATED


def test_what_is_each_directions_own_alone_stands_for_an_index_only():
    known = errors(own=0.4, withheld_reason=REPEATABILITY_ONLY)
    assert band_level_uncertainty(known, "curve", FLAT, 100, 1000).reason == REPEATABILITY_ONLY
    assert monte_carlo_of_curves(known, {"curve": FLAT}, slope)["slope"].reason == REPEATABILITY_ONLY
    assert (
        monte_carlo_of_curves(known, {"index": FLAT}, lambda curves: {"one": float(curves["index"][0])})["one"].standard
        > 0
    )


def test_a_curve_whose_errors_are_not_known_is_named():
    assert (
        band_level_uncertainty(errors(0.5), "in_room", FLAT, 100, 1000).reason
        == "the uncertainty of in_room is not known"
    )


def test_a_number_that_is_lost_in_some_draws_says_so():
    found = monte_carlo_of_curves(
        errors(own=0.5, draws=200),
        {"curve": FLAT},
        lambda curves: {"half": 1.0 + curves["curve"][0] if curves["curve"][0] >= 80.0 else None},
    )["half"]
    # Half a normal distribution: 0.5 root (1 - 2 / pi), of about 100 draws.
    assert found.standard == pytest.approx(0.5 * np.sqrt(1 - 2 / np.pi), rel=0.2)
    assert "not determined in" in found.note and "sampling error 7 %" in found.propagation


def test_a_number_that_is_lost_in_most_draws_has_none():
    found = monte_carlo_of_curves(
        errors(own=0.5, draws=200),
        {"curve": FLAT},
        lambda curves: {"rare": 1.0 if abs(curves["curve"][0] - 80.0) < 0.1 else None},
    )["rare"]
    assert found.standard is None and "not determined in" in found.reason


def test_what_is_not_known_counts_where_it_has_a_share_and_nowhere_else():
    """A third direction, of which nothing is known, is in neither curve; of the first nothing is known at 1.6 kHz."""
    known = errors(common=0.5, own=0.3)
    directions = known.directions
    unknown = np.full((1, FREQUENCY.size), np.nan)
    shares = {name: np.concatenate([share, 0 * share[:1]]) for name, share in directions.shares.items()}
    third = replace(
        directions,
        own=np.concatenate([directions.own, unknown]),
        angle_error=np.concatenate([directions.angle_error, unknown]),
        shares=shares,
    )
    one = StatedErrors(third)
    for low, high in ((100, 12800), (200, 800)):
        same = band_level_uncertainty(one, "curve", FLAT, low, high).standard
        assert same == pytest.approx(band_level_uncertainty(known, "curve", FLAT, low, high).standard)
    assert monte_carlo_of_curves(one, {"curve": FLAT}, slope)["slope"].standard > 0
    own = directions.own.copy()
    own[0, 80] = np.nan
    hole = StatedErrors(replace(directions, own=own))
    assert "not known" in band_level_uncertainty(hole, "curve", FLAT, 100, 12800).reason
    assert band_level_uncertainty(hole, "curve", FLAT, 200, 800).standard > 0
    assert monte_carlo_of_curves(hole, {"curve": FLAT}, slope)["slope"].standard is None


def test_the_interval_of_a_number_that_is_not_linear():
    """Of exp(z) with normal z, the 95 % interval is exp(±1.96): 0.141 to 7.10, nothing like twice 2.16 about one."""
    level = FLAT * 0.0
    found = monte_carlo_of_curves(
        errors(common=1.0, draws=4000), {"curve": level}, lambda curves: {"one": float(np.exp(curves["curve"][0]))}
    )["one"]
    # Both ends move by twice the error of the median, which 4000 draws give within 0.04 (95 %).
    assert found.interval == pytest.approx((np.exp(-1.96), np.exp(1.96)), rel=0.12, abs=0.09)
    assert found.standard == pytest.approx(np.sqrt((np.e - 1) * np.e), rel=0.2)


def test_the_same_errors_give_the_same_spread():
    twice = [monte_carlo_of_curves(errors(own=0.4), {"curve": FLAT}, slope)["slope"] for _ in range(2)]
    assert twice[0] == twice[1]


def test_every_so_many_to_the_octave():
    assert thinned_rows(FREQUENCY, 24.0).size == FREQUENCY.size
    few = thinned_rows(FREQUENCY, 5.0)
    assert few[0] == 0 and few[-1] == FREQUENCY.size - 1
    assert np.diff(np.log2(FREQUENCY[few])) == pytest.approx(1 / 5)


def test_the_difference_of_two_directions():
    """Levels held against each other: what is common cancels, what is each one's own does not (GUM, 5.1.2)."""
    known = errors(common=3.0, own=0.4, angle_error=0.3, draws=2000)
    level = np.stack([FLAT, FLAT])[np.newaxis]
    found = monte_carlo_of_orbits(
        known, level, lambda frequency, levels: {"fall": float(levels[0, 0, 3] - levels[0, 1, 3])}
    )
    assert found["fall"].standard == pytest.approx(np.sqrt(2) * 0.5, rel=0.08)
    assert found["fall"].reason == "" and "Monte Carlo" in found["fall"].propagation

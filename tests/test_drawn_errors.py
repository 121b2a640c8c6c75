"""Errors drawn for directions: their size and correlation against the GUM, applied by hand."""

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

import physics
from anechain.acoustics.directivity.beam_width import beam_width
from anechain.acoustics.directivity.orbits import by_direction, distinct_directions
from anechain.acoustics.uncertainty.curve_uncertainty import curve_set_uncertainty, curve_shares
from anechain.acoustics.uncertainty.drawn_errors import DirectionErrors, curve_errors, first_order, orbit_errors

FREQUENCY = 500 * 2.0 ** (np.arange(61) / 12)
PLANES = ("horizontal", "vertical")
ANGLES = physics.orbit_angles(10)
U = 0.3
DROP = 5.0
"""dB; a cardioid has this drop at 82.8 degrees, between two directions."""


def cardioid():
    """Levels of a cardioid on both orbits, (1 + cos) / 2."""
    level = 80 + 20 * np.log10(np.maximum((1 + np.cos(np.deg2rad(ANGLES))) / 2, 1e-3))
    return np.broadcast_to(level[:, np.newaxis], (2, ANGLES.size, FREQUENCY.size)).copy()


def direction_errors(own=0.0, degrees=0.0, broadband_error=0.0, response=0.0, **more):
    level = cardioid()
    place = distinct_directions(level, ANGLES)
    shares = {name: by_direction(share, place) for name, share in curve_shares(level, PLANES, ANGLES).items()}
    slope = np.gradient(level, ANGLES, axis=1)
    ones = np.ones(FREQUENCY.size)
    return DirectionErrors(
        FREQUENCY,
        broadband_error * ones,
        response * ones,
        own + 0 * by_direction(level, place),
        degrees * by_direction(slope, place),
        shares,
        place,
        **{"draws": 1500, **more},
    )


def test_a_direction_on_both_orbits_has_one_error():
    drawn = orbit_errors(direction_errors(own=U), 0, np.arange(5))
    for pole in (0.0, 180.0):
        np.testing.assert_array_equal(*drawn[:, pole == ANGLES])
    assert not np.isclose(drawn[0, ANGLES == 90], drawn[1, ANGLES == 90]).any()


def test_errors_of_curves_have_the_size_of_the_gum():
    """Against the first-order uncertainty of the curve set, which is checked by hand elsewhere."""
    level = cardioid()
    known = curve_set_uncertainty(level, PLANES, ANGLES, 0.2, U)
    errors = direction_errors(own=U, broadband_error=0.2)
    for name in ("on_axis", "listening_window", "sound_power", "in_room"):
        found = curve_errors(errors, name).std(axis=0, ddof=1)
        np.testing.assert_allclose(found.mean(), known.levels[name].combined_db.mean(), rtol=0.03)
    index = curve_errors(errors, "sound_power_index").std(axis=0, ddof=1)
    np.testing.assert_allclose(index.mean(), known.indices["sound_power_index"].combined_db.mean(), rtol=0.03)


def test_the_index_is_the_difference_of_its_curves_in_every_draw():
    errors = direction_errors(own=U, broadband_error=0.5, response=0.4, degrees=0.5, draws=20)
    apart = curve_errors(errors, "listening_window") - curve_errors(errors, "sound_power")
    np.testing.assert_allclose(curve_errors(errors, "sound_power_index"), apart, atol=1e-12)


def test_directions_and_curves_have_the_same_draws():
    errors = direction_errors(own=U, broadband_error=0.5, response=0.4, degrees=0.5, draws=3)
    axis = [orbit_errors(errors, draw, np.arange(FREQUENCY.size))[0, ANGLES == 0][0] for draw in range(3)]
    np.testing.assert_allclose(curve_errors(errors, "on_axis"), axis, atol=1e-12)


def correlation_over_two_octaves(errors):
    """Correlation of the errors on the axis at 1 kHz and 4 kHz."""
    drawn = curve_errors(errors, "on_axis")
    return np.corrcoef(drawn[:, 12], drawn[:, 36])[0, 1]


@pytest.mark.parametrize(
    ("kind", "expected"),
    [
        ({"broadband_error": 1.0}, 1.0),
        ({"response": 1.0, "response_octaves": 1.0}, 0.0),
        ({"own": 1.0, "own_octaves": 0.05}, 0.0),
        ({"own": 1.0, "own_octaves": 1.0}, 0.0),
    ],
)
def test_the_correlation_over_frequency(kind, expected):
    assert correlation_over_two_octaves(direction_errors(**kind)) == pytest.approx(expected, abs=0.1)


def edge(moved=None, decibels=0.0):
    """Where the monotone cubic of squared pressure, by scipy, is 6 dB below the axis, with one level moved."""
    level = cardioid()[0, :, 0] + np.where(moved == ANGLES, decibels, 0.0)
    re_axis = level - level[ANGLES == 0]
    curve = PchipInterpolator(ANGLES, 10 ** (re_axis / 10))
    return brentq(lambda angle: float(curve(angle)) - 10 ** (-DROP / 10), 80.0, 90.0)


def by_hand(errors):
    """GUM, 5.1.2: derivatives of the edge by each level, by finite differences; `errors` in dB by angle."""
    parts = [(edge(angle, 0.01) - edge(angle, -0.01)) / 0.02 * error for angle, error in errors.items()]
    return np.sqrt(np.square(parts).sum())


def first_angles(errors):
    level = cardioid()[0]
    rows = np.arange(FREQUENCY.size)
    return np.array(
        [
            beam_width(FREQUENCY, ANGLES, level + orbit_errors(errors, draw, rows)[0], DROP).first_positive_deg
            for draw in range(errors.draws)
        ]
    )


def test_a_beam_width_from_levels_with_independent_errors():
    # Small, so that the crossing stays between the same two directions.
    expected = by_hand(dict.fromkeys((0, 70, 80, 90, 100), 0.05))
    found = first_angles(direction_errors(own=0.05, draws=600)).std(axis=0, ddof=1)
    assert found.mean() == pytest.approx(expected, rel=0.05)


def test_a_beam_width_from_angles_with_independent_errors():
    """An angle error of half a degree changes each level by half of its slope per degree."""
    level = cardioid()[0, :, 0]
    slope = {angle: float(np.gradient(level, 10.0)[angle == ANGLES][0]) for angle in (70, 80, 90, 100)}
    expected = by_hand({angle: 0.5 * per_degree for angle, per_degree in slope.items()})
    found = first_angles(direction_errors(degrees=0.5, draws=600)).std(axis=0, ddof=1)
    assert found.mean() == pytest.approx(expected, rel=0.1)
    # One error at all frequencies: the whole curve of a draw moves together.
    assert np.ptp(first_angles(direction_errors(degrees=0.5, draws=3)), axis=1).max() < 1e-9


def test_common_errors_do_not_change_a_beam_width():
    found = first_angles(direction_errors(broadband_error=2.0, response=1.0, draws=20))
    np.testing.assert_allclose(found.std(axis=0), 0, atol=1e-9)


def test_first_order_at_a_single_frequency_agrees_with_the_curve_set():
    known = curve_set_uncertainty(cardioid(), PLANES, ANGLES, 0.0, U).levels["sound_power"]
    gradient = np.zeros(FREQUENCY.size)
    gradient[30] = 1.0
    assert first_order(direction_errors(own=U), "sound_power", gradient) == pytest.approx(
        known.combined_db[30], rel=1e-9
    )


def test_an_unknown_share_is_not_zero():
    errors = direction_errors(own=U)
    errors.shares["sound_power"][:, 30] = np.nan
    gradient = np.zeros(FREQUENCY.size)
    gradient[31] = 1.0
    assert first_order(errors, "sound_power", gradient) > 0
    gradient[30] = 1.0
    assert np.isnan(first_order(errors, "sound_power", gradient))
    assert np.isnan(curve_errors(errors, "sound_power")[:, 30]).all()

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from anechain.acoustics.curve.levels import (
    REFERENCE_PRESSURE,
    level_of_power,
    mean_level,
    power_of_level,
    referred_level_step,
)

LEVELS = st.floats(-200, 200)


@pytest.mark.parametrize(
    ("levels", "energy", "magnitude", "decibels"),
    [([80, 70], 77.4036, 76.3660, 75.0), ([0, -6, -12], -3.5843, -4.6699, -6.0)],
)
def test_squared_pressure_is_averaged(levels, energy, magnitude, decibels):
    # Three rules, three results: the mean of |p| and the mean of decibels are the two that it must not be.
    found = float(mean_level(levels))
    assert found == pytest.approx(energy, abs=1e-4)
    assert abs(found - magnitude) > 0.5 and abs(found - decibels) > 0.5


def test_reference_pressure():
    # IEC 60268-5, 20.2, quoted second hand: 20 micropascal. 1 Pa is 93.9794 dB, 94 dB is 1.0023745 Pa.
    assert 20 * np.log10(1 / REFERENCE_PRESSURE) == pytest.approx(93.9794, abs=1e-4)
    assert np.sqrt(power_of_level(94)) * REFERENCE_PRESSURE == pytest.approx(1.0023745, rel=1e-6)


@pytest.mark.parametrize(("count", "gain"), [(1, 0.0), (2, 3.0103), (4, 6.0206), (10, 10.0)])
def test_incoherent_sum_of_equal_levels(count, gain):
    assert level_of_power(power_of_level([60.0] * count).sum()) == pytest.approx(60 + gain, abs=1e-4)


def test_incoherent_sum_of_unequal_levels():
    # GUM-style worked sum: 80 dB and 70 dB are 80.4139 dB.
    assert level_of_power(power_of_level([80, 70]).sum()) == pytest.approx(80.4139, abs=1e-4)


@pytest.mark.parametrize(
    ("distance", "step"),
    [(0.5, -6.0206), (1, 0), (2, 6.0206), (2.5, 7.9588), (3, 9.5424), (4, 12.0412), (10, 20)],
)
def test_inverse_distance_law(distance, step):
    assert referred_level_step(distance, 2.83) == pytest.approx(step, abs=1e-4)


@pytest.mark.parametrize(
    ("drive", "resistance", "distance", "measured", "referred"),
    # IEC 60268-5, 20.3 and 20.4, quoted second hand: level at 1 m for 1 W into the rated impedance.
    [(2.83, 8, 1, 90, 89.9952), (2.83, 4, 1, 90, 86.9849), (2, 4, 1, 87, 87.0), (4, 8, 2, 85, 88.0103)],
)
def test_level_at_one_watt(drive, resistance, distance, measured, referred):
    step = referred_level_step(distance, drive, to_drive=np.sqrt(resistance))
    assert measured + step == pytest.approx(referred, abs=1e-4)


@pytest.mark.parametrize("bad", ["distance", "drive", "to_distance", "to_drive"])
@pytest.mark.parametrize("value", [0.0, -1.0, float("nan")])
def test_a_distance_or_drive_of_nothing_is_refused(bad, value):
    with pytest.raises(ValueError, match=f"^{bad} must be above zero"):
        referred_level_step(**({"distance": 1.0, "drive": 1.0} | {bad: value}))


def test_weights_are_shares():
    # A quarter at 10 times the power: (3 + 10) / 4.
    for scale in (1, 7.5):
        found = mean_level([[0.0], [10.0]], weights=np.array([3, 1]) * scale)
        assert found[0] == pytest.approx(10 * np.log10(13 / 4))


def test_a_missing_direction_leaves_the_average_undefined_there_only():
    found = mean_level([[80.0, 80.0], [np.nan, 80.0]])
    assert np.isnan(found[0]) and found[1] == pytest.approx(80)


def test_no_power_is_minus_infinity_without_a_warning():
    assert level_of_power(0.0) == -np.inf
    assert mean_level([-np.inf, -np.inf]) == -np.inf


@pytest.mark.parametrize("weights", [[1, 2, 3], [[1, 2]], [0, 0], [-1, 2], [np.nan, 1]])
def test_weights_that_make_no_sense_are_refused(weights):
    with pytest.raises(ValueError, match="weights"):
        mean_level([80.0, 70.0], weights=weights)


@given(arrays(float, (5, 3), elements=LEVELS), st.integers(0, 1))
def test_a_mean_lies_between_its_levels_and_above_the_mean_of_decibels(levels, axis):
    found = mean_level(levels, axis=axis)
    assert (found <= levels.max(axis=axis) + 1e-9).all()
    assert (found >= levels.mean(axis=axis) - 1e-9).all()  # Jensen's inequality


@given(LEVELS)
def test_level_and_power_are_inverse(level):
    assert level_of_power(power_of_level(level)) == pytest.approx(level, abs=1e-9)

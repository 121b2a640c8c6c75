"""Components of an uncertainty against the rules of the GUM."""

import numpy as np
import pytest

from anechain.acoustics.uncertainty.components import (
    Component,
    decibels_of_relative,
    distance_component,
    repeatability,
    setting_angle_uncertainty,
    standard_of_limits,
)


def test_limits_and_distributions():
    """GUM 4.3: a / sqrt 3, a / sqrt 6, U / k."""
    assert standard_of_limits(1, "rectangular") == pytest.approx(0.57735, abs=1e-5)
    assert standard_of_limits(1, "triangular") == pytest.approx(0.40825, abs=1e-5)
    assert standard_of_limits(1, "normal", 2.5) == 0.4
    with pytest.raises(ValueError, match="half width"):
        standard_of_limits(-1, "normal")


def test_relative_uncertainties_in_decibels():
    """1 % of pressure 0.0864 dB (exact 20 lg 1.01; first order 0.0869); ± 1 cm at 2 m 0.0434, ± 2 cm at 1 m 0.1737."""
    assert decibels_of_relative(0.01) == pytest.approx(0.0864, abs=6e-4)
    assert distance_component(2.0, 0.01).standard_db == pytest.approx(0.0434, abs=5e-5)
    assert distance_component(1.0, 0.02).standard_db == pytest.approx(0.1737, abs=5e-5)
    assert distance_component(1.0, 0.02).correlated
    with pytest.raises(ValueError, match="a distance above zero"):
        distance_component(0.0, 0.01)


def test_the_angle_counts_where_the_level_falls():
    """6 dB in 60 degrees evenly: 0.1 dB per degree; a closed orbit has no ends."""
    angles = np.arange(-170.0, 181.0, 10.0)
    level = (-0.1 * np.abs(angles))[:, np.newaxis]
    found = setting_angle_uncertainty(angles, level, 0.5)
    assert found[angles == 40] == pytest.approx(0.05) and found[angles == 0] == pytest.approx(0.0, abs=1e-12)
    assert found[angles == 180] == pytest.approx(0.0, abs=1e-12) and found[angles == -170] == pytest.approx(0.05)
    part = setting_angle_uncertainty(angles[18:26], level[18:26], 0.5)
    assert part[-1] == pytest.approx(0.05)
    with pytest.raises(ValueError, match="ascending angles"):
        setting_angle_uncertainty([0.0, 10.0], np.zeros((2, 1)), 0.5)


def test_repeatability_is_the_scatter_of_captures():
    """GUM 4.2: s / sqrt n with n - 1 degrees of freedom."""
    standard, freedom = repeatability([[80.0], [81.0], [82.0], [81.0]])
    assert standard[0] == pytest.approx(np.sqrt(2 / 3) / 2) and freedom == 3
    assert repeatability([[80.0], [82.0]], of_the_mean=False)[0][0] == pytest.approx(np.sqrt(2))
    with pytest.raises(ValueError, match="two captures"):
        repeatability([[80.0]])


def test_components_are_checked():
    with pytest.raises(ValueError, match="noise: a standard uncertainty"):
        Component("noise", -0.1, True)
    with pytest.raises(ValueError, match="noise: degrees of freedom"):
        Component("noise", 0.1, True, 0.0)

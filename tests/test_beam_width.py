"""Beam widths against closed forms: pistons, first-order patterns, two sources."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

import physics
from anechain.acoustics.directivity.beam_width import beam_width

ONE = np.array([1000.0])


def half_angles(pattern, step=1.0, drop=6.0):
    angles = physics.orbit_angles(step)
    return beam_width(ONE, angles, physics.level(pattern(angles))[:, np.newaxis], drop)


@pytest.mark.parametrize(
    ("ka", "minus3", "minus6", "minus10"),
    [
        (3, 32.542, 47.499, 65.569),
        (4, 23.793, 33.569, 43.066),
        (5, 18.829, 26.254, 33.112),
        (7, 13.329, 18.419, 22.967),
        (10, 9.287, 12.778, 15.851),
        (20, 4.628, 6.349, 7.849),
    ],
)
def test_pistons(ka, minus3, minus6, minus10):
    """2 J1(x)/x, x = ka sin (Beranek and Mellow): -3.000, -6.000, -10.000 dB at x = 1.613741, 2.211785, 2.731379."""
    for drop, expected in ((3.0, minus3), (6.0, minus6), (10.0, minus10)):
        found = half_angles(physics.piston(ka), 0.25, drop)
        assert found.first_positive_deg[0] == pytest.approx(expected, abs=0.01)
        assert found.first_negative_deg[0] == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize(("ka", "minus6", "tolerance"), [(3, 47.499, 0.5), (4, 33.569, 0.5), (5, 26.254, 0.7)])
def test_ten_degree_steps_are_good_to_half_a_degree_or_so(ka, minus6, tolerance):
    """Straight lines in dB between the steps; the narrower the beam the less they serve."""
    assert half_angles(physics.piston(ka), 10.0).first_positive_deg[0] == pytest.approx(minus6, abs=tolerance)


@pytest.mark.parametrize("ka", [0.5, 1, 2, 2.2])
def test_a_piston_that_is_small_has_no_beam_within_the_front(ka):
    """Below ka = 2.2118 the level within 90 degrees never falls by 6 dB: "not reached", not 90 degrees."""
    angles = np.arange(-90.0, 91.0, 1.0)
    level = physics.level(physics.piston_directivity(ka)(angles))[:, np.newaxis]
    found = beam_width(ONE, angles, level)
    assert np.isnan(found.first_total_deg[0]) and found.state_positive[0] == "not reached"
    assert not found.ambiguous[0]


@pytest.mark.parametrize(
    ("pattern", "minus3", "minus6"),
    [
        (physics.subcardioid, 88.482, 131.507),
        (physics.cardioid, 65.425, 89.864),
        (physics.supercardioid, 57.362, 77.690),
        (physics.hypercardioid, 52.368, 70.433),
        (physics.dipole, 44.932, 59.921),
    ],
)
def test_first_order_patterns(pattern, minus3, minus6):
    """A + B cos, closed form."""
    assert half_angles(pattern, drop=3.0).first_positive_deg[0] == pytest.approx(minus3, abs=0.01)
    assert half_angles(pattern).first_positive_deg[0] == pytest.approx(minus6, abs=0.01)


def test_a_rear_lobe_leaves_no_outermost_angle():
    found = half_angles(physics.dipole)
    assert found.state_positive[0] == "comes back" and np.isnan(found.outermost_positive_deg[0])
    assert found.ambiguous[0]


def test_side_lobes_make_two_angles():
    """Two sources in phase, |cos(pi f d sin / c)|: -6 dB where the argument is arccos 10^(-6/20), then lobes."""
    spacing, frequency = 0.5, 1000.0
    found = half_angles(physics.in_phase_pair(spacing, frequency), step=0.25)
    closed = np.rad2deg(np.arcsin(np.arccos(10 ** (-6 / 20)) * 343.2 / (np.pi * frequency * spacing)))
    assert found.first_positive_deg[0] == pytest.approx(closed, abs=0.01)
    assert found.ambiguous[0]


@given(st.floats(-12, 12))
def test_sides_are_told_apart(turn):
    """A piston of ka = 4 is 6 dB down at 33.569 degrees (closed form), turned to the left at 33.569 ± turn."""
    angles = physics.orbit_angles(1.0)
    level = physics.level(physics.piston(4)(angles - turn))
    found = beam_width(ONE, angles, level[:, np.newaxis], 6.0 + float(level[angles == 0][0]))
    assert found.first_positive_deg[0] == pytest.approx(33.569 + turn, abs=0.05)
    assert found.first_negative_deg[0] == pytest.approx(33.569 - turn, abs=0.05)


def test_the_axis_can_be_another_one():
    angles = physics.orbit_angles(10.0)
    level = physics.level(physics.cardioid(angles - 20.0))[:, np.newaxis]
    found = beam_width(ONE, angles, level, axis_deg=20.0)
    straight = half_angles(physics.cardioid, 10.0)
    assert found.first_positive_deg[0] == pytest.approx(straight.first_positive_deg[0], abs=1e-9)
    with pytest.raises(ValueError, match="must be among the angles once"):
        beam_width(ONE, angles, level, axis_deg=5.0)
    with pytest.raises(ValueError, match="drop must be above zero"):
        beam_width(ONE, angles, level, 0.0)
    with pytest.raises(ValueError, match="levels of shape"):
        beam_width(ONE, angles[:3], level)


def test_missing_directions_end_what_is_known():
    angles = np.array([-20.0, -10.0, 0.0, 10.0, 20.0, 30.0])
    level = np.array([-9.0, np.nan, 0.0, -2.0, -8.0, -12.0])[:, np.newaxis]
    found = beam_width(ONE, angles, level)
    # The monotone cubic of squared pressure, by scipy.
    curve = PchipInterpolator(angles[2:], 10 ** (level[2:, 0] / 10))
    assert float(curve(found.first_positive_deg[0])) == pytest.approx(10**-0.6, rel=1e-9)
    assert found.state_positive[0] == "found" and found.state_negative[0] == "no data"
    assert np.isnan(found.first_negative_deg[0])


def test_a_lobe_of_two_sources_ends_where_the_closed_form_puts_it():
    """|cos x|, x = 4.8 sin: 6 dB down at x = 1.0451, up again at 2.0965, and for the last time down at 4.1867."""
    angles = np.arange(-90.0, 90.1, 0.25)
    level = physics.level(np.abs(np.cos(4.8 * np.sin(np.deg2rad(angles)))))[:, np.newaxis]
    found = beam_width(ONE, angles, level)
    edge = np.arccos(10 ** (-6 / 20))
    first, last = (np.rad2deg(np.arcsin(x / 4.8)) for x in (edge, np.pi + edge))
    for one, expected in (
        (found.first_positive_deg, first),
        (found.first_negative_deg, first),
        (found.outermost_positive_deg, last),
        (found.outermost_negative_deg, last),
    ):
        assert one[0] == pytest.approx(expected, abs=0.02)
    assert found.ambiguous[0] and found.state_positive[0] == "found"

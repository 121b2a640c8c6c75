"""Beam widths against closed forms: pistons, first-order patterns, two sources."""

import numpy as np
import pytest
from anechain.acoustics.directivity.coverage import mean_coverage, open_coverage
from anechain.acoustics.directivity.narrowing import first_narrowing, narrowing_frequency
from hypothesis import given
from hypothesis import strategies as st

import physics
from anechain.acoustics.directivity.beam_width import BeamWidth, beam_width
from directions_of_real import horizontal_and_vertical

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
    with pytest.raises(ValueError, match="is once among the angles"):
        beam_width(ONE, angles, level, axis_deg=5.0)
    with pytest.raises(ValueError, match="drop must be above zero"):
        beam_width(ONE, angles, level, 0.0)
    with pytest.raises(ValueError, match="levels of shape"):
        beam_width(ONE, angles[:3], level)


def test_missing_directions_end_what_is_known():
    angles = np.array([-20.0, -10.0, 0.0, 10.0, 20.0, 30.0])
    level = np.array([-9.0, np.nan, 0.0, -2.0, -8.0, -12.0])[:, np.newaxis]
    found = beam_width(ONE, angles, level)
    assert found.first_positive_deg[0] == pytest.approx(10 + 10 * 4 / 6)
    assert found.state_positive[0] == "found" and found.state_negative[0] == "no data"
    assert np.isnan(found.first_negative_deg[0])


RADIUS, SPEED = 0.0825, 343.2
BAND = np.geomspace(500, 16000, 400)


def piston_beam():
    angles = np.arange(-90.0, 91.0, 1.0)
    ka = 2 * np.pi * BAND * RADIUS / SPEED
    level = np.stack([physics.level(physics.piston_directivity(one)(angles)) for one in ka], axis=1)
    return beam_width(BAND, angles, level)


def test_the_frequency_at_which_a_piston_narrows():
    """x = ka sin 45° = 2.211785 gives ka = 3.12793 for a total of 90 degrees."""
    found = narrowing_frequency(piston_beam(), 90.0)
    ka = 2.211785 / np.sin(np.pi / 4)
    assert found.frequency_hz == pytest.approx(ka * SPEED / (2 * np.pi * RADIUS), rel=1e-3)


def _half_angles(half, words=None):
    found = np.full(BAND.size, "found") if words is None else words
    return BeamWidth(BAND, 6.0, half, half, half, half, found, found)


def test_a_beam_that_narrows_and_widens_again():
    """Straight over log frequency: 60° at 1 kHz, 30° at 2 kHz, 60° at 4 kHz cross 45° half an octave off 2 kHz."""
    beam = _half_angles(60 - 30 * np.clip(1 - np.abs(np.log2(BAND / 2000)), 0, None))
    found = first_narrowing(beam, 90.0)
    assert found.frequency_hz == pytest.approx(2000 / np.sqrt(2), rel=2e-3)
    assert found.until_hz == pytest.approx(2000 * np.sqrt(2), rel=2e-3)
    assert narrowing_frequency(beam, 90.0).frequency_hz is None
    assert "nowhere narrower" in first_narrowing(beam, 90.0, octaves=1.1).reason


def test_the_first_narrowing_of_a_piston_is_its_last():
    beam = piston_beam()
    first = first_narrowing(beam, 90.0)
    assert first.frequency_hz == narrowing_frequency(beam, 90.0).frequency_hz
    assert first.until_hz == BAND[-1]
    assert first_narrowing(_constant(60.0), 90.0).frequency_hz == BAND[0]
    with pytest.raises(ValueError, match="between 0 and 360"):
        first_narrowing(beam, 360.0)


def test_the_least_coverage_of_a_beam_that_is_open_in_part():
    """Half an octave of two at 360 degrees, the rest at 90: by hand 157.5 degrees."""
    open_part = 1000 * np.sqrt(2) > BAND
    beam = _half_angles(np.where(open_part, np.nan, 45.0), np.where(open_part, "not reached", "found").astype(str))
    assert mean_coverage(beam, 1000.0, 4000.0).mean_deg is None
    least = open_coverage(beam, 1000.0, 4000.0)
    assert least.mean_deg == pytest.approx((0.5 * 360 + 1.5 * 90) / 2, abs=1.5)
    assert (least.narrowest_deg, least.widest_deg) == (90.0, 360.0)
    assert least.ambiguous_share == 0.0
    front = open_coverage(beam, 1000.0, 4000.0, 90.0, 60.0)
    assert front.widest_deg == 150.0
    mostly = open_coverage(beam, 700.0, 2000.0)
    assert mostly.mean_deg is None and "does not fall that far on a side" in mostly.reason
    assert open_coverage(beam, 2000.0, 4000.0) == mean_coverage(beam, 2000.0, 4000.0)


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


def test_a_beam_that_never_narrows_has_no_such_frequency():
    assert "wide or wider" in narrowing_frequency(_constant(100.0), 90.0).reason
    assert "narrower than 90° from 500 Hz on" in narrowing_frequency(_constant(60.0), 90.0).reason
    with pytest.raises(ValueError, match="between 0 and 360"):
        narrowing_frequency(_constant(60.0), 0.0)


def _constant(total):
    half, words = np.full(BAND.size, total / 2), np.full(BAND.size, "found")
    return BeamWidth(BAND, 6.0, half, half, half, half, words, words)


def test_a_beam_that_does_not_end_just_below_the_band_is_the_reason_and_not_the_data():
    grid = np.array([900.0, 1050.0, 2000.0, 4000.0])
    half, words = np.array([np.nan, 170.0, 90.0, 60.0]), np.array(["not reached", "found", "found", "found"])
    found = mean_coverage(BeamWidth(grid, 6.0, half, half, half, half, words, words), 1000.0, 4000.0)
    assert found.mean_deg is None
    assert (
        "at 1000 Hz, an end of the band, the level does not fall that far" in found.reason
        and "data" not in found.reason
    )


def test_mean_coverage_is_over_log_frequency():
    """Half angles that rise by 10 degrees per octave have the mean of the band's ends."""
    half, words = 20 + 10 * np.log2(BAND / 500), np.full(BAND.size, "found")
    found = mean_coverage(BeamWidth(BAND, 6.0, half, half + 2, half, half, words, words), 1000.0, 4000.0)
    assert found.positive_deg == pytest.approx(40.0, abs=1e-3) and found.negative_deg == pytest.approx(42.0, abs=1e-3)
    assert found.mean_deg == pytest.approx(82.0, abs=1e-3)
    assert (found.narrowest_deg, found.widest_deg) == (pytest.approx(62, abs=0.01), pytest.approx(102, abs=0.01))
    assert found.ambiguous_share == 1.0


def test_no_coverage_where_the_beam_does_not_end():
    found = mean_coverage(piston_beam(), 500.0, 8000.0)
    assert found.mean_deg is None and "not reached on a side" in found.reason


def test_coverage_of_a_real_two_way():
    """A small two-way with a waveguide: ± 40 to 60 degrees (common practice, no source)."""
    speaker, angles, horizontal, _ = horizontal_and_vertical()
    found = mean_coverage(beam_width(speaker.frequency, angles, horizontal), 2500.0, 10000.0)
    assert found.reason == ""
    assert 40 < found.positive_deg < 60 and 40 < found.negative_deg < 60

"""Heights at which the sound is that of the axis."""

import numpy as np
import pytest

import physics
from anechain.acoustics.directivity.listening_height import listening_height

BAND = np.geomspace(200, 4000, 120)
SPEED = 343.2


def pair(spacing, step, turn=0.0):
    angles = physics.orbit_angles(step)
    level = np.stack([physics.level(physics.in_phase_pair(spacing, f)(angles - turn)) for f in BAND], axis=1)
    return angles, np.maximum(level, -80.0)


@pytest.mark.parametrize(("step", "tolerance"), [(1.0, 0.05), (5.0, 0.4)])
def test_two_drivers_one_above_the_other(step, tolerance):
    """|cos(pi f d sin / c)| is half power where sin = c / (4 f d); the band's upper end decides (closed form)."""
    spacing, top = 0.15, 2000.0
    angles, level = pair(spacing, step)
    found = listening_height(BAND, angles, level, 3.0, 10 * np.log10(2), (300.0, top))
    closed = np.rad2deg(np.arcsin(SPEED / (4 * top * spacing)))
    assert found.up_deg == pytest.approx(closed, abs=tolerance) and found.down_deg == pytest.approx(
        closed, abs=tolerance
    )
    assert found.up_m == pytest.approx(3.0 * np.tan(np.deg2rad(found.up_deg)))
    assert found.reason == "" and (found.distance_m, found.low_hz, found.high_hz) == (3.0, 300.0, top)


def test_a_tilted_lobe_reaches_further_on_one_side():
    angles, level = pair(0.15, 1.0, turn=4.0)
    found = listening_height(BAND, angles, level, tolerance_db=3.0, band=(300.0, 2000.0))
    assert found.up_deg > found.down_deg + 3


def test_the_mean_deviation_is_more_lenient():
    angles, level = pair(0.15, 1.0)
    largest, mean = (
        listening_height(BAND, angles, level, band=(300.0, 2000.0), measure=measure) for measure in ("largest", "mean")
    )
    assert mean.up_deg > largest.up_deg


def test_a_source_that_is_the_same_everywhere_has_no_edge():
    angles = physics.orbit_angles(10.0)
    found = listening_height(BAND, angles, np.zeros((angles.size, BAND.size)), band=(300.0, 2000.0))
    assert found.up_m is None and "up: within the tolerance up to the last angle, 60°" in found.reason


def test_what_is_missing_is_named():
    angles, level = pair(0.15, 10.0)
    assert listening_height(BAND, angles[angles > 0], level[angles > 0]).reason == "needs the axis"
    upper = (angles >= 0) & (angles <= 60)
    found = listening_height(BAND, angles[upper], level[upper], band=(300.0, 2000.0))
    assert found.up_deg is not None and "down: needs vertical directions" in found.reason
    assert "not across" in listening_height(BAND, angles, level, band=(20.0, 2000.0)).reason


def test_options_are_checked():
    angles, level = pair(0.15, 10.0)
    with pytest.raises(ValueError, match="distance and tolerance"):
        listening_height(BAND, angles, level, 0.0)
    with pytest.raises(ValueError, match="measure"):
        listening_height(BAND, angles, level, measure="median")
    with pytest.raises(ValueError, match="levels of shape"):
        listening_height(BAND, angles[:2], level)

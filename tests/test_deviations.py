"""Peaks and dips made by known causes: a resonance, an edge, two drivers."""

import numpy as np
import pytest

import physics
from anechain.acoustics.curves import curve_set
from anechain.acoustics.deviations import deviations, evidence_of
from filters import biquad, decibels

PLANES = ("horizontal", "vertical")
ANGLES = physics.orbit_angles()
GRID = 20 * 2 ** (np.arange(481) / 48)
SPEED = 343.2


def source(factor):
    """Curve set and orbits of a source that narrows with frequency, times a factor of plane and angle (radians)."""
    levels = np.empty((2, ANGLES.size, GRID.size))
    for row, plane in enumerate(PLANES):
        for column, angle in enumerate(np.deg2rad(ANGLES)):
            shade = -4 * np.log2(1 + GRID / 800) * (1 - np.cos(angle)) * (1 if plane == "horizontal" else 0.9)
            levels[row, column] = 85 + shade + decibels(factor(plane, angle))
    levels[1, np.isin(ANGLES, [0, 180])] = levels[0, np.isin(ANGLES, [0, 180])]
    return curve_set(levels, PLANES, ANGLES).levels, levels


def report(factor, **options):
    curves, levels = source(factor)
    return deviations(GRID, curves, levels, PLANES, ANGLES, **options)


def at(found, centre):
    (one,) = [one for one in found.found if abs(np.log2(one.feature.centre_hz / centre)) < 1 / 6]
    return one


def test_a_resonance_is_called_one_with_its_evidence():
    """A cabinet or cone resonance radiates alike in all directions: in the direct sound, reflections and power."""
    found = report(lambda plane, angle: biquad(1200, 6, 3, GRID))
    one = at(found, 1200)
    assert (one.cause, one.plane) == ("resonance", None)
    assert one.feature.q == pytest.approx(6, rel=0.05) and one.above_threshold
    assert {"on_axis", "listening_window", "early_reflections", "sound_power"} <= set(one.evidence.in_curves)
    assert one.evidence.directions_by_plane == {"horizontal": (13, 13), "vertical": (13, 13)}
    assert one.evidence.largest_shift_octaves < 1 / 24
    assert all(spread < 0.1 for spread in one.evidence.variation_by_plane_db.values())
    words = "\n".join(one.statements)
    assert "13 of 13 directions" in words and "Toole and Olive 1988" in words and "sound power" in words


@pytest.mark.parametrize("plane", PLANES)
def test_a_diffraction_notch_is_not_a_resonance_and_its_orbit_is_named(plane):
    """Sound re-radiated at an edge 12 cm to one side, 9 dB down and inverted: notches on axis at multiples of c/d.

    The path to the edge differs by d (1 - sin) over the orbit that the edge lies on, and by d over the other one.
    """
    distance = 0.12

    def edge(which, angle):
        path = distance * (1 - (np.sin(angle) if which == plane else 0.0))
        return 1 - 0.35 * np.exp(-2j * np.pi * GRID * path / SPEED)

    notch = at(report(edge), SPEED / distance)
    assert notch.feature.height_db < -3 and notch.feature.curve in ("on_axis", "listening_window")
    assert (notch.cause, notch.plane) == ("interference or diffraction", plane)
    has, looked = notch.evidence.directions_by_plane[plane]
    assert has < looked / 2
    assert notch.evidence.largest_shift_octaves > 1 / 12


def test_two_drivers_one_above_the_other_lob_vertically():
    """Two sources 15 cm apart, alike in a band about 2.2 kHz: |cos(pi f d sin / c)| off axis, nothing on axis."""
    band = 0.5 * np.exp(-((np.log2(GRID / 2200) / 0.5) ** 2))

    def pair(plane, angle):
        path = 0.15 * np.sin(angle) if plane == "vertical" else 0.0
        return 1 - band + band * np.exp(-2j * np.pi * GRID * path / SPEED)

    found = report(pair)
    dips = [one for one in found.found if one.feature.height_db < 0]
    assert dips
    for one in dips:
        assert (one.cause, one.plane) == ("interference or diffraction", "vertical")
        assert abs(one.evidence.height_by_curve_db["on_axis"]) < 0.3


def test_without_directions_no_cause_is_named():
    curves, levels = source(lambda plane, angle: biquad(1200, 6, 3, GRID))
    alone = at(deviations(GRID, curves), 1200)
    assert alone.cause == "not determined" and "needs the directions of both orbits" in alone.statements
    one_orbit = at(deviations(GRID, curves, levels[:1], PLANES[:1], ANGLES), 1200)
    assert one_orbit.cause == "not determined"
    lacking = {name: curves[name] for name in ("on_axis", "listening_window")}
    short = at(deviations(GRID, lacking, levels, PLANES, ANGLES), 1200)
    assert short.cause == "not determined"
    assert any("no early reflections, no sound power to look into" in words for words in short.statements)


def test_a_height_below_the_threshold_is_said_to_be_so():
    found = report(lambda plane, angle: biquad(1200, 20, 1.2, GRID), least_height_db=0.8)
    one = at(found, 1200)
    assert one.threshold_db > 2 and not one.above_threshold and any("stays below" in words for words in one.statements)


def test_directions_without_values_are_left_out():
    curves, levels = source(lambda plane, angle: biquad(1200, 6, 3, GRID))
    levels[1, ANGLES == 20] = np.nan
    one = at(deviations(GRID, curves, levels, PLANES, ANGLES), 1200)
    assert one.evidence.directions_by_plane == {"horizontal": (13, 13), "vertical": (12, 12)}
    with pytest.raises(ValueError, match="2 planes and 3 angles"):
        evidence_of(one.feature, GRID, curves, levels, PLANES, ANGLES[:3])


def test_curves_that_cannot_be_searched_are_named():
    curves, _ = source(lambda plane, angle: np.ones(GRID.size))
    curves["on_axis"] = np.where(GRID < 200, np.nan, curves["on_axis"])
    assert "not across" in deviations(GRID, curves).not_searched["on_axis"]

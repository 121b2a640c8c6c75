"""Peaks and dips made by known causes: a resonance, an edge, two drivers."""

import numpy as np
import pytest

import physics
from anechain.acoustics.curves import curve_set
from anechain.acoustics.deviations import deviations, evidence_of, find_peaks_and_dips
from filters import FREQUENCY, biquad, decibels

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


@pytest.mark.parametrize(
    ("centre", "q", "gain"), [(1000, 1, 3), (1000, 5, 3), (400, 10, -4), (3000, 15, 2), (700, 0.7, 2.5), (250, 2, -6)]
)
@pytest.mark.parametrize("slope", [0.0, -1.0])
def test_a_section_of_known_centre_and_q_is_recovered(centre, q, gain, slope):
    """Within 1 % of the centre and 5 % of the Q, from 1/48-octave data; section of the W3C Audio EQ Cookbook note."""
    level = 88 + slope * np.log2(FREQUENCY / 1000) + decibels(biquad(centre, q, gain))
    (one,), reason = find_peaks_and_dips(FREQUENCY, level)
    assert reason == "" and one.shape == "one resonance"
    assert one.centre_hz == pytest.approx(centre, rel=0.01)
    assert one.q == pytest.approx(q, rel=0.05)
    assert one.height_db == pytest.approx(gain, abs=0.1)
    assert one.pole_q == pytest.approx(q * 10 ** (abs(gain) / 40), rel=0.05)


@pytest.mark.parametrize("rise", [3.0, -4.0])
def test_a_narrow_resonance_on_the_flank_of_a_step(rise):
    """A step of the balance (second order, as a baffle makes) with a Q of 18 on its flank, where it is no extreme."""
    s = 1j * FREQUENCY / 620
    a = 10 ** (rise / 80)
    step = (a * s**2 + np.sqrt(2 * a) * s + 1 / a) / (s**2 / a + np.sqrt(2 * a) * s + a)
    found, _ = find_peaks_and_dips(FREQUENCY, 85 + decibels(step * biquad(620, 18, 2.5)))
    narrow = min(found, key=lambda one: abs(np.log2(one.centre_hz / 620)))
    assert narrow.centre_hz == pytest.approx(620, rel=0.01)
    assert narrow.q == pytest.approx(18, rel=0.15) and narrow.height_db == pytest.approx(2.5, abs=0.3)


def test_neighbours_are_told_apart():
    sections = [(400, 3, 3), (900, 6, -3), (1400, 4, 2), (3000, 10, 4)]
    product = np.prod([biquad(*section) for section in sections], axis=0)
    found, _ = find_peaks_and_dips(FREQUENCY, decibels(product))
    assert len(found) == 4
    for one, (centre, q, gain) in zip(found, sections, strict=True):
        assert one.centre_hz == pytest.approx(centre, rel=0.01)
        assert one.q == pytest.approx(q, rel=0.1) and one.height_db == pytest.approx(gain, abs=0.25)


def test_what_is_smaller_than_the_size_is_left_out():
    level = decibels(biquad(500, 3, 1.5) * biquad(4000, 3, 0.7))
    found, _ = find_peaks_and_dips(FREQUENCY, level, least_height_db=1.0)
    assert [round(one.centre_hz) for one in found] == [500]
    smaller, _ = find_peaks_and_dips(FREQUENCY, level, least_height_db=0.5)
    assert [round(one.centre_hz) for one in smaller] == [500, 4000]


def test_a_straight_line_has_neither():
    assert find_peaks_and_dips(FREQUENCY, -1.2 * np.log2(FREQUENCY)) == ((), "")


def test_coarse_data_are_not_searched():
    thirds = 100 * 2 ** (np.arange(23) / 3)
    found, reason = find_peaks_and_dips(thirds, np.zeros(23), high_hz=16000.0)
    assert found == () and "1/12 octave or finer" in reason
    with pytest.raises(ValueError, match="least height"):
        find_peaks_and_dips(FREQUENCY, np.zeros(FREQUENCY.size), least_height_db=0.0)


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

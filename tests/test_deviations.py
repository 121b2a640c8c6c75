"""Peaks and dips of known causes: a resonance, an echo, an edge, two drivers, the step of a baffle."""

import functools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import physics
from anechain.acoustics.directivity.curves import curve_set
from anechain.acoustics.directivity.deviation_criteria import Criteria
from anechain.acoustics.directivity.deviations import deviations
from deviation_sources import (
    ANGLES,
    COARSE,
    FINE,
    GRID,
    PLANES,
    SPEED,
    at,
    baffled_piston,
    found_in,
    panel,
    point_on_sphere,
    report,
    section,
    section_response,
    small_cap,
    source,
)
from filters import biquad, decibels


def test_a_resonance_with_its_evidence():
    """A cabinet or cone resonance radiates alike in all directions: in the direct sound, reflections and power."""
    found = report(lambda plane, angle: biquad(1200, 6, 3, GRID))
    one = at(found, 1200)
    assert (one.cause, one.radiates, one.plane) == ("resonance", "alike in all directions", None)
    assert one.feature.q == pytest.approx(6, rel=0.05) and one.above_threshold
    assert {"on_axis", "listening_window", "early_reflections", "sound_power"} <= set(one.evidence.in_curves)
    assert one.evidence.directions_by_plane == {"horizontal": (13, 13), "vertical": (13, 13)}
    assert one.evidence.largest_shift_octaves < 1 / 24
    assert all(spread < 0.1 for spread in one.evidence.variation_by_plane_db.values())
    assert one.radiation_basis == "in most directions"


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


def test_two_drivers_one_above_the_other_interfere_vertically():
    """Two sources 15 cm apart, alike in a band about 2.2 kHz: |cos(pi f d sin / c)| off axis, nothing on axis."""
    band = 0.5 * np.exp(-((np.log2(GRID / 2200) / 0.5) ** 2))

    def pair(plane, angle):
        path = 0.15 * np.sin(angle) if plane == "vertical" else 0.0
        return 1 - band + band * np.exp(-2j * np.pi * GRID * path / SPEED)

    found = report(pair)
    dips = [one for one in found.deviations if one.feature.height_db < 0]
    assert dips
    for one in dips:
        assert (one.cause, one.plane) == ("interference or diffraction", "vertical")
        assert abs(one.evidence.height_by_curve_db["on_axis"]) < 0.3


@pytest.mark.parametrize("gain", [-3.5, 3.5])
def test_joined_dips_are_marked_where_the_curve_is_lowest_and_peaks_where_it_is_highest(gain):
    """A dip of Q 4 on the flank of one of Q 1.5 is one with it, marked where both are deepest; one of Q 6 is not."""
    joined, apart = (
        80.0 + decibels(biquad(3200, 1.5, gain, GRID) * biquad(2900, q, 0.6 * gain, GRID)) for q in (4.0, 6.0)
    )
    (one,) = deviations(GRID, {"on_axis": joined}).deviations
    assert one.feature.extreme_hz == pytest.approx(GRID[np.argmax(np.sign(gain) * joined)], rel=0.01)
    narrow, broad = deviations(GRID, {"on_axis": apart}).deviations
    assert narrow.feature.extreme_hz == pytest.approx(GRID[np.argmax(np.sign(gain) * apart)], rel=0.01)
    assert (narrow.feature.q, broad.feature.q) == (pytest.approx(6, rel=0.05), pytest.approx(1.5, rel=0.05))


def test_curves_that_cannot_be_searched_are_named():
    curves, _ = source(lambda plane, angle: np.ones(GRID.size))
    curves["on_axis"] = np.where(GRID < 9000, np.nan, curves["on_axis"])
    curves["sound_power"][np.argmin(np.abs(GRID - 1000))] = np.nan
    report = deviations(GRID, curves)
    assert report.not_searched["on_axis"] == "the data cover less than an octave of 100 to 16000 Hz"
    assert "no value at" in report.not_searched["sound_power"]
    assert "on_axis" not in report.searched and report.searched["listening_window"] == (100.0, 16000.0)


def test_data_that_cover_a_part_of_the_band_are_searched_there():
    """A gated measurement, 192 Hz to 14 kHz: the resonance inside is found as if the data were complete."""
    curves, level = source(lambda plane, angle: biquad(1000, 5, 4.0, GRID))
    whole = at(deviations(GRID, curves, level, PLANES, ANGLES), 1000)
    covered = (GRID >= 192) & (GRID <= 14000)
    parts = {name: np.where(covered, curve, np.nan) for name, curve in curves.items()}
    for part in (
        deviations(GRID, parts, np.where(covered, level, np.nan), PLANES, ANGLES),
        deviations(
            GRID[covered], {name: curve[covered] for name, curve in curves.items()}, level[..., covered], PLANES, ANGLES
        ),
    ):
        found = at(part, 1000)
        assert found.cause == whole.cause == "resonance"
        assert found.feature.height_db == pytest.approx(whole.feature.height_db, abs=0.02)
        assert not part.not_searched
        for low, high in part.searched.values():
            assert low == pytest.approx(192, rel=0.02) and high == pytest.approx(14000, rel=0.02)


@pytest.mark.parametrize("q", [0.55, 0.7, 1, 1.4, 2, 5, 10, 30])
@pytest.mark.parametrize("gain", [2, 6, -4])
def test_a_resonance_of_any_width(q, gain):
    """On a piston that does not beam yet at the centre: within 1 % of the centre and 5 % of the Q.

    The phase shows that it is minimum phase; without it, a broad one may be the sum of two drive units.
    """
    levels = baffled_piston() + section(1000, q, gain, FINE)
    phase = np.rad2deg(np.angle(section_response(1000, q, gain, FINE)))
    one = at(found_in(levels, FINE, axis_phase_deg=phase), 1000)
    assert (one.cause, one.radiates, one.plane) == ("resonance", "alike in all directions", None)
    alone = at(found_in(levels, FINE), 1000)
    narrow = one.feature.pole_q >= (1.8 if gain > 0 else 3.0)
    assert alone.cause == ("resonance" if narrow else "not determined")
    assert one.feature.centre_hz == pytest.approx(1000, rel=0.01) and one.feature.q == pytest.approx(q, rel=0.05)
    assert one.evidence.directions_by_plane == {"horizontal": (13, 13), "vertical": (13, 13)}
    assert {"on_axis", "listening_window", "early_reflections", "sound_power"} <= set(one.evidence.in_curves)
    tolerance = max(1 / 12, one.feature.width_octaves / 4)
    assert one.evidence.tolerance_octaves == pytest.approx(tolerance)


def test_directions_without_radiation_are_not_used():
    """Behind the baffle there is no sound: a broad resonance need not be there."""
    one = at(found_in(baffled_piston() + section(1000, 0.7, 4, FINE), FINE), 1000)
    assert one.evidence.rear_by_plane == {"horizontal": (0, 0), "vertical": (0, 0)}
    assert (one.evidence.weak_rear_directions, one.evidence.uneven_rear_directions) == (26, 0)
    assert one.radiates == "alike in all directions"


@pytest.mark.parametrize("q", [0.6, 0.8, 1, 2, 5])
def test_a_resonance_is_behind_as_well(q):
    """The step of the cap is under the flank of a broad resonance, so its centre is not compared with 500 Hz."""
    found = found_in(small_cap() + section(500, q, 6, COARSE), COARSE)
    (one,) = [one for one in found.deviations if one.feature.height_db > 3]
    assert one.radiates == "alike in all directions"
    broad = one.feature.width_octaves >= 1
    assert one.evidence.rear_by_plane == ({"horizontal": (13, 13), "vertical": (13, 13)} if broad else {})


@pytest.mark.parametrize(("radius", "least"), [(0.06, 1.0), (0.12, 0.5)])
def test_the_step_of_a_baffle_is_no_resonance(radius, least):
    """What a line through the band leaves of a step is the same in front, and absent behind."""
    levels = point_on_sphere(radius)
    found = found_in(levels, COARSE, high_hz=10000.0, min_height_db=least)
    assert found.deviations
    for one in found.deviations:
        assert (one.cause, one.radiates, one.plane) == ("change of coverage", "changes with the angle", "both")
        assert one.evidence.directions_by_plane == {"horizontal": (13, 13), "vertical": (13, 13)}
        assert one.evidence.rear_by_plane == {"horizontal": (0, 13), "vertical": (0, 13)}
        assert one.radiation_basis == "only in front"


def test_without_directions_behind_a_broad_resonance_is_not_determined():
    """In front alone it may be the step of a baffle."""
    levels = small_cap() + section(500, 0.8, 6, COARSE)
    curves = curve_set(levels, PLANES, ANGLES).levels
    levels[:, np.abs(ANGLES) > 110] = np.nan
    one = at(deviations(COARSE, curves, levels, PLANES, ANGLES, 100.0, 14000.0), 500)
    assert (one.radiates, one.radiation_basis) == ("not determined", "rear is unknown")
    assert one.cause == "not determined"


@pytest.mark.parametrize("plane", PLANES)
@pytest.mark.parametrize(("distance", "share"), [(0.06, 0.35), (0.06, 0.6), (0.12, 0.6), (0.25, 0.35), (0.25, 0.5)])
def test_notches_that_move_are_never_resonances(plane, distance, share):
    """An edge as above, near and far, strong and weak: notches from an eighth of an octave to over one wide."""

    def edge(which, angle):
        path = distance * (1 - (np.sin(angle) if which == plane else 0.0))
        return 1 - share * np.exp(-2j * np.pi * GRID * path / SPEED)

    found = report(edge, high_hz=min(16000.0, 1.7 * SPEED / distance))
    assert all(one.cause != "resonance" for one in found.deviations)
    notch = min(found.deviations, key=lambda one: one.feature.height_db)
    assert notch.feature.centre_hz == pytest.approx(SPEED / distance, rel=0.06)
    assert (notch.cause, notch.plane) == ("interference or diffraction", plane)


@pytest.mark.parametrize("plane", PLANES)
def test_a_resonance_beside_a_notch(plane):
    def both(which, angle):
        path = 0.12 * (1 - (np.sin(angle) if which == plane else 0.0))
        return biquad(500, 3, 4, GRID) * (1 - 0.35 * np.exp(-2j * np.pi * GRID * path / SPEED))

    found = report(both)
    assert at(found, 500).cause == "resonance"
    assert (at(found, SPEED / 0.12).cause, at(found, SPEED / 0.12).plane) == ("interference or diffraction", plane)


@functools.cache
def mixed():
    def factor(plane, angle):
        path = 0.12 * (1 - (np.sin(angle) if plane == "vertical" else 0.0))
        return biquad(400, 3, 4, GRID) * (1 - 0.4 * np.exp(-2j * np.pi * GRID * path / SPEED))

    return source(factor)[1]


def verdicts(levels):
    curves = curve_set(levels, PLANES, ANGLES).levels
    return deviations(GRID, curves, levels, PLANES, ANGLES, high_hz=4000.0).deviations


@settings(deadline=None, max_examples=6)
@given(step=st.floats(-60, 60), tilt=st.floats(-0.4, 0.4))
def test_neither_the_level_nor_a_tilt_changes_a_verdict(step, tilt):
    """Compares what is found both times: small remainders of the fits may be found only once."""
    before, after = verdicts(mixed()), verdicts(mixed() + step + tilt * np.log2(GRID / 1000))
    pairs = [
        (one, two)
        for one in before
        for two in after
        if abs(np.log2(one.feature.centre_hz / two.feature.centre_hz)) < 0.02
        and abs(one.feature.height_db - two.feature.height_db) < 0.1
    ]
    assert {one.cause for one, _ in pairs} >= {"resonance", "interference or diffraction"}
    for one, two in pairs:
        assert (one.cause, one.plane) == (two.cause, two.plane)


def test_uneven_directions_behind_are_not_used():
    """A comb of nulls behind, as from two edges 40 cm apart, hides whether a broad resonance is there."""
    levels = small_cap() + section(500, 0.8, 3, COARSE)
    comb = physics.level(1 + 0.97 * np.exp(-2j * np.pi * COARSE * 0.4 / SPEED))
    levels[:, np.abs(ANGLES) > 110] += 2 * comb
    curves = curve_set(small_cap() + section(500, 0.8, 3, COARSE), PLANES, ANGLES).levels
    one = at(deviations(COARSE, curves, levels, PLANES, ANGLES, 100.0, 14000.0), 500)
    assert one.evidence.uneven_rear_directions == 26 and one.radiates == "not determined"


def test_a_panel_is_a_resonance_whatever_its_phase():
    """Within 1 % of the centre and 5 % of the Q, though smoothed, and in every direction of the front."""
    found = found_in(panel(), FINE, smoothing=20.0)
    (one,) = found.deviations
    assert one.feature.shape == "one resonance added with a phase"
    assert one.feature.centre_hz == pytest.approx(620, rel=0.01) and one.feature.q == pytest.approx(18, rel=0.05)
    assert (one.cause, one.plane) == ("resonance", None)
    assert one.evidence.directions_by_plane == {"horizontal": (13, 13), "vertical": (13, 13)}


@pytest.mark.parametrize(("path", "gain"), [(0.3, 0.1), (0.3, -0.1), (0.8, 0.2)])
def test_an_echo_alike_in_all_directions_is_one_finding(path, gain):
    """|1 + g e^(-j w T)|, T the path over the speed of sound: no peak or dip is left, and a resonance beside it is."""
    found = report(
        lambda which, angle: biquad(1200, 6, 3, GRID) * (1 + gain * np.exp(-2j * np.pi * GRID * path / SPEED))
    )
    (echo,) = found.echoes
    assert echo.path_m == pytest.approx(path, rel=0.01) and echo.delay_s == pytest.approx(path / SPEED, rel=0.01)
    assert echo.level_db == pytest.approx(20 * np.log10(abs(gain)), abs=1.0) and echo.alike
    (one,) = found.deviations
    assert one.cause == "resonance" and one.feature.centre_hz == pytest.approx(1200, rel=0.01)
    assert one.feature.height_db == pytest.approx(3, abs=0.2)


def two_ways(phase_deg):
    """Two drive units at one place, of order 4 at 2 kHz (Linkwitz and Riley 1976), the upper one with another phase."""
    s = 1j * GRID / 2000
    half = s**2 + np.sqrt(2) * s + 1
    return (1 + s**4 * np.exp(1j * np.deg2rad(phase_deg))) / half**2


def test_a_phase_error_of_a_coaxial_is_no_resonance():
    """At the crossover both have half the pressure: with 90 degrees between them the sum is 3 dB lower."""
    curves, levels = source(lambda plane, angle: two_ways(-90))
    known = at(
        deviations(GRID, curves, levels, PLANES, ANGLES, axis_phase_deg=np.rad2deg(np.angle(two_ways(-90)))), 2000
    )
    assert known.feature.height_db == pytest.approx(-3, abs=0.5)
    assert (known.cause, known.radiates) == ("crossover phase", "alike in all directions")
    alone = at(deviations(GRID, curves, levels, PLANES, ANGLES), 2000)
    assert (alone.cause, alone.basis) == ("not determined", "level alone")


def test_a_break_up_that_beams_is_a_resonance():
    """A resonance of Q 10 that is 4 dB on the axis and a tenth of it at 65 degrees: one centre and one Q everywhere."""

    def beaming(plane, angle):
        return 1 + (biquad(4000, 8, 4, GRID) - 1) * np.exp(-((angle / 0.75) ** 2))

    one = at(report(beaming), 4000)
    assert one.cause == "resonance" and one.radiates != "alike in all directions"


def test_a_beam_that_narrows_is_a_change_of_coverage():
    """Flat on the axis; the level at 60 degrees falls by 4 dB more about 3 kHz, over two octaves."""
    narrow = np.exp(-((np.log2(GRID / 3000) / 0.8) ** 2))
    found = report(lambda plane, angle: 10 ** (-4 / 20 * narrow * min(np.rad2deg(abs(angle)) / 60, 2.0) ** 2) + 0j)
    assert found.deviations
    for one in found.deviations:
        assert one.cause in ("change of coverage", "not determined")
    assert "change of coverage" in {one.cause for one in found.deviations}


def test_a_broad_resonance_near_the_end_of_the_band_has_its_height():
    (one,) = report(lambda plane, angle: biquad(150, 1, 3, GRID)).deviations
    assert one.feature.height_db == pytest.approx(3, abs=0.1) and one.feature.q == pytest.approx(1, rel=0.05)


@pytest.mark.parametrize(
    ("criteria", "radiates"),
    [
        ({}, "alike in all directions"),
        ({"alike_min_share": 1.0, "front": 90.0}, "not determined"),
        ({"height_share": 0.95}, "changes with the angle"),
        ({"widest": 0.2}, None),
    ],
)
def test_criteria_can_be_chosen(criteria, radiates):
    """A section of Q 3 that is 4 dB on the axis and 1.4 dB at 90 degrees, over both orbits: a resonance in any case."""
    found = report(
        lambda plane, angle: biquad(1200, 3, 4 - 2.6 * np.sin(angle) ** 2, GRID), criteria=Criteria(**criteria)
    )
    assert [(one.radiates, one.cause) for one in found.deviations] == ([(radiates, "resonance")] if radiates else [])

"""Peaks and dips made by known causes: a resonance, an edge, two drivers."""

import functools

import numpy as np
import pytest
from anechain.acoustics.directivity.curve_titles import TITLES
from anechain.acoustics.directivity.deviation_evidence import Criteria, evidence_of
from hypothesis import given, settings
from hypothesis import strategies as st

import physics
from anechain.acoustics.curve.peak_shapes import PeakOrDip
from anechain.acoustics.curve.resonance_shape import bandwidth_of_q
from anechain.acoustics.curve.smoothing import smooth
from anechain.acoustics.directivity.curves import curve_set
from anechain.acoustics.directivity.deviations import SEARCHED, deviations
from anechain.methods import use_method_versions
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


@pytest.mark.parametrize("gain", [-3.5, 3.5])
def test_what_is_joined_is_marked_where_the_curve_is_lowest_or_highest(gain):
    """A dip of Q 6 on the flank of one of Q 1.5: the eye sees the place at which both together are deepest."""
    level = 80.0 + decibels(biquad(3200, 1.5, gain, GRID) * biquad(2900, 6.0, 0.6 * gain, GRID))
    found = deviations(GRID, {"on_axis": level}).found
    deepest = GRID[np.argmax(np.sign(gain) * level)]
    one = max(found, key=lambda one: abs(one.feature.height_db))
    assert one.feature.extreme_hz == pytest.approx(deepest, rel=0.01)


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


FINE = 100 * 2 ** (np.arange(1402) / 192)
"""100 Hz to 15.7 kHz, fine enough for a Q of 30."""
COARSE = FINE[::4]


def section(centre, q, gain, frequency):
    """Analogue peaking section of the W3C note "Audio EQ Cookbook", dB: its centre and Q are those of the formula."""
    s, a = 1j * frequency / centre, 10 ** (gain / 40)
    return decibels((s**2 + s * a / q + 1) / (s**2 + s / (a * q) + 1))


@functools.cache
def baffled_piston():
    """Piston of 6 mm radius in an infinite baffle (Beranek and Mellow, eq. 4.30): flat on axis, nothing behind."""
    one = np.stack([physics.level(physics.piston(2 * np.pi * f * 0.006 / SPEED)(ANGLES)) for f in FINE], axis=1)
    return np.stack([one, one])


@functools.cache
def small_cap():
    """Cap of 30 degrees on a rigid sphere of 15 mm radius (Morse and Ingard; recalled), at constant velocity.

    Its series holds the step of the baffle too, some three octaves above the centre of the resonance put on it.
    """
    k, n = 2 * np.pi * COARSE / SPEED, np.arange(29)
    cosine = np.cos(np.deg2rad(ANGLES))
    legendre = np.stack([physics.eval_legendre(order, cosine) for order in n])
    one = np.stack([physics.level(physics._cap_terms(one * 0.015, 30.0, 28) @ legendre / one) for one in k], axis=1)
    return np.stack([one, one])


@functools.cache
def point_on_sphere(radius):
    """Point source on a rigid sphere re free field: 6 dB on axis from low to high, less or nothing behind."""
    cosine = np.cos(np.deg2rad(ANGLES))
    columns = []
    for kr in 2 * np.pi * COARSE * radius / SPEED:
        n = np.arange(int(kr) + 20)
        terms = (2 * n + 1) * 1j**n / physics._hankel_slope(n, kr) / kr**2
        columns.append(physics.level(sum(term * physics.eval_legendre(m, cosine) for m, term in enumerate(terms))))
    one = np.stack(columns, axis=1)
    return np.stack([one, one])


def found_in(levels, frequency, angles=ANGLES, high_hz=14000.0, **options):
    curves = curve_set(levels, PLANES, angles).levels
    known = ("on_axis", "listening_window", "early_reflections", "sound_power", "in_room")
    chosen = {name: curves[name] for name in known if name in curves}
    return deviations(frequency, chosen, levels, PLANES, angles, 100.0, high_hz, **options)


@pytest.mark.parametrize("q", [0.55, 0.7, 1, 1.4, 2, 5, 10, 30])
@pytest.mark.parametrize("gain", [2, 6, -4])
def test_a_resonance_of_any_width_is_one(q, gain):
    """Put on a piston that does not beam yet at the centre: within 1 % of the centre and 5 % of the Q."""
    one = at(found_in(baffled_piston() + section(1000, q, gain, FINE), FINE), 1000)
    assert (one.cause, one.plane) == ("resonance", None)
    assert one.feature.centre_hz == pytest.approx(1000, rel=0.01) and one.feature.q == pytest.approx(q, rel=0.05)
    assert one.evidence.directions_by_plane == {"horizontal": (13, 13), "vertical": (13, 13)}
    assert {"on_axis", "listening_window", "early_reflections", "sound_power"} <= set(one.evidence.in_curves)
    tolerance = max(1 / 12, one.feature.width_octaves / 4)
    assert f"the same up to {tolerance:.2f} octave from its centre" in "\n".join(one.statements)


def test_directions_in_which_nothing_is_radiated_are_not_asked():
    """Behind the baffle there is nothing: that a broad resonance is not there says nothing against it."""
    one = at(found_in(baffled_piston() + section(1000, 0.7, 4, FINE), FINE), 1000)
    assert one.evidence.behind_by_plane == {"horizontal": (0, 0), "vertical": (0, 0)}
    assert one.evidence.silent_behind == 26 and one.cause == "resonance"
    assert "26 in which next to nothing is radiated, 0 too uneven" in "\n".join(one.statements)
    assert "the same in front, with next to nothing radiated behind" in one.statements


@pytest.mark.parametrize("q", [0.6, 0.8, 1, 2, 5])
def test_a_resonance_is_behind_as_well(q):
    """The cap's own step lies under the flank of a broad resonance, so that its centre is not held against 500 Hz."""
    found = found_in(small_cap() + section(500, q, 6, COARSE), COARSE)
    (one,) = [one for one in found.found if one.feature.height_db > 3]
    assert one.cause == "resonance"
    broad = one.feature.width_octaves >= 1
    assert one.evidence.behind_by_plane == ({"horizontal": (13, 13), "vertical": (13, 13)} if broad else {})


@pytest.mark.parametrize(("radius", "least"), [(0.06, 1.0), (0.12, 0.5)])
def test_the_step_of_a_baffle_is_no_resonance(radius, least):
    """What the line of the whole band leaves of a step is alike in front, and not there behind."""
    levels = point_on_sphere(radius)
    found = found_in(levels, COARSE, high_hz=10000.0, least_height_db=least)
    assert found.found
    for one in found.found:
        assert (one.cause, one.plane) == ("interference or diffraction", "both")
        assert one.evidence.directions_by_plane == {"horizontal": (13, 13), "vertical": (13, 13)}
        assert one.evidence.behind_by_plane == {"horizontal": (0, 13), "vertical": (0, 13)}
        words = "in 0 of 26 directions behind that can tell: it changes with the angle as the step of a baffle does"
        assert words in one.statements[-1]


def test_without_directions_behind_a_broad_resonance_is_left_open():
    """In front alone it might as well be the step of a baffle; a narrow one needs none behind."""
    levels = small_cap() + section(500, 0.8, 6, COARSE)
    curves = curve_set(levels, PLANES, ANGLES).levels
    levels[:, np.abs(ANGLES) > 110] = np.nan
    one = at(deviations(COARSE, curves, levels, PLANES, ANGLES, 100.0, 14000.0), 500)
    assert one.cause == "not determined" and "no directions behind can tell" in one.statements[-1]


@pytest.mark.parametrize("plane", PLANES)
@pytest.mark.parametrize(("distance", "share"), [(0.06, 0.35), (0.06, 0.6), (0.12, 0.6), (0.25, 0.35), (0.25, 0.5)])
def test_notches_that_move_are_never_resonances(plane, distance, share):
    """An edge as above, near and far, strong and weak: notches from an eighth of an octave to over one wide."""

    def edge(which, angle):
        path = distance * (1 - (np.sin(angle) if which == plane else 0.0))
        return 1 - share * np.exp(-2j * np.pi * GRID * path / SPEED)

    found = report(edge, high_hz=min(16000.0, 1.7 * SPEED / distance))
    assert all(one.cause != "resonance" for one in found.found)
    notch = min(found.found, key=lambda one: one.feature.height_db)
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


@pytest.mark.parametrize(
    ("q", "shift", "same"), [(6, 0.05, True), (6, 0.2, False), (1, 0.25, True), (1, 0.8, False), (0.6, 0.4, True)]
)
def test_how_far_off_a_centre_may_be_grows_with_the_width(q, shift, same):
    """The same section elsewhere: a quarter of its width counts as the same place, at least 1/12 octave."""
    feature = PeakOrDip("on_axis", 1000.0, 4.0, float(bandwidth_of_q(q)), q, q, "one resonance", 0.0)
    curves = {"on_axis": section(1000, q, 4, FINE), "other": section(1000 * 2**shift, q, 4, FINE)}
    evidence = evidence_of(feature, FINE, curves)
    assert ("other" in evidence.in_curves) == same
    assert evidence.still_octaves == pytest.approx(max(1 / 12, feature.width_octaves / 4))


@functools.cache
def mixed():
    def factor(plane, angle):
        path = 0.12 * (1 - (np.sin(angle) if plane == "vertical" else 0.0))
        return biquad(400, 0.9, 4, GRID) * (1 - 0.4 * np.exp(-2j * np.pi * GRID * path / SPEED))

    return source(factor)[1]


def verdicts(levels):
    curves = curve_set(levels, PLANES, ANGLES).levels
    return deviations(GRID, curves, levels, PLANES, ANGLES, high_hz=4000.0).found


@settings(deadline=None, max_examples=6)
@given(step=st.floats(-60, 60), tilt=st.floats(-0.4, 0.4))
def test_neither_the_level_nor_a_tilt_changes_a_verdict(step, tilt):
    """Of what is found both times; what little is left beside the fits may be found in one of them alone."""
    before, after = verdicts(mixed()), verdicts(mixed() + step + tilt * np.log2(GRID / 1000))
    pairs = [
        (one, two)
        for one in before
        for two in after
        if abs(np.log2(one.feature.centre_hz / two.feature.centre_hz)) < 0.02
        and abs(one.feature.height_db - two.feature.height_db) < 0.1
    ]
    assert {one.cause for one, _ in pairs} == {"resonance", "interference or diffraction"}
    for one, two in pairs:
        assert (one.cause, one.plane) == (two.cause, two.plane)


def evidence_words(feature):
    return feature.curve, f"{feature.centre_hz:.3g} Hz, {feature.height_db:.2g} dB, {feature.width_octaves:.2g} octave"


def test_version_1_is_kept():
    """It held a broad shape to 1/12 octave, as a narrow one, and called a low and broad resonance interference."""
    levels = small_cap() + section(500, 0.6, 6, COARSE)
    with use_method_versions({"deviations": 1}):
        old = found_in(levels, COARSE).found
    new = found_in(levels, COARSE).found
    features = [evidence_words(one.feature) for one in old], [evidence_words(one.feature) for one in new]
    assert features[0] == features[1]
    assert [one.cause for one in old] != [one.cause for one in new]
    assert {one.evidence.still_octaves for one in old} == {1 / 12}
    assert not any("the same up to" in words for one in old for words in one.statements)


def test_directions_behind_that_are_too_uneven_leave_it_open():
    """A comb of nulls behind, as of sound from two edges 40 cm apart, hides whether a broad resonance is there."""
    levels = small_cap() + section(500, 0.8, 3, COARSE)
    comb = physics.level(1 + 0.97 * np.exp(-2j * np.pi * COARSE * 0.4 / SPEED))
    levels[:, np.abs(ANGLES) > 110] += 2 * comb
    curves = curve_set(small_cap() + section(500, 0.8, 3, COARSE), PLANES, ANGLES).levels
    one = at(deviations(COARSE, curves, levels, PLANES, ANGLES, 100.0, 14000.0), 500)
    assert one.evidence.uneven_behind == 26 and one.cause == "not determined"


def test_what_is_on_the_axis_alone_is_said_not_to_be_in_the_listening_window():
    """A narrow dip that is gone ten degrees away: the listening window stands for the direct sound."""
    found = report(lambda plane, angle: biquad(3000, 5, -2.5 * (abs(angle) < 0.1), GRID))
    one = at(found, 3000)
    assert one.feature.curve == "on_axis" and one.cause == "interference or diffraction"
    assert "on the axis only, not in the listening window" in one.statements
    assert "not in the direct sound" not in "\n".join(one.statements)


@functools.cache
def panel(strength=0.3, q=18.0, centre=620.0):
    """A panel that radiates alike everywhere beside a driver whose sound comes with another phase in each direction.

    The driver lies 10 cm from the point that the directions are seen from, so that its path differs by 10 cm over the
    orbits, a fifth of a turn at 620 Hz; levels, smoothed over 1/20 octave.
    """
    s = 1j * FINE / centre
    added = strength * (s / q) / (s**2 + s / q + 1) * np.exp(1j * 0.9)
    one = np.stack(
        [decibels(np.exp(-2j * np.pi * FINE / SPEED * 0.1 * np.cos(angle)) + added) for angle in np.deg2rad(ANGLES)]
    )
    return smooth(FINE, np.stack([one, one]), 20)


def test_a_panel_is_a_resonance_whatever_its_phase():
    """Within 1 % of the centre and 5 % of the Q, though smoothed, and in every direction of the front."""
    found = found_in(panel(), FINE, smoothing=20.0)
    (one,) = found.found
    assert one.feature.shape == "one resonance added with a phase"
    assert one.feature.centre_hz == pytest.approx(620, rel=0.01) and one.feature.q == pytest.approx(18, rel=0.05)
    assert (one.cause, one.plane) == ("resonance", None)
    assert one.evidence.directions_by_plane == {"horizontal": (13, 13), "vertical": (13, 13)}
    assert "of the resonance, added with" in one.statements[0] and "before smoothing" in one.statements[0]


def edged(which, angle):
    path = 0.12 * (1 - (np.sin(angle) if which == "vertical" else 0.0))
    return biquad(500, 3, 4, GRID) * biquad(900, 9, 2.5, GRID) * (1 - 0.4 * np.exp(-2j * np.pi * GRID * path / SPEED))


def two_way(which, angle):
    band = 0.45 * np.exp(-((np.log2(GRID / 2200) / 0.4) ** 2))
    path = 0.15 * np.sin(angle) if which == "vertical" else 0.01
    shade = biquad(5000, 4, -2.5 if abs(angle) < 0.2 else 0.5, GRID)
    return shade * biquad(700, 6, 2, GRID) * (1 - band + band * np.exp(-2j * np.pi * GRID * path / SPEED))


def shelf_and_ripple(which, angle):
    step = 1 / (1 - 0.35j * (1 - np.cos(angle)) * GRID / 900)
    return step * (1 + 0.2 * np.exp(-2j * np.pi * GRID / SPEED * 0.31 * (1 + 0.6 * np.cos(angle))))


@pytest.mark.parametrize("factor", [edged, two_way, shelf_and_ripple])
def test_no_statement_is_at_odds_with_the_evidence(factor):
    """It is in its own curve, at the height that is told of it; no height is told of a curve that it is not in."""
    curves, levels = source(factor)
    chosen = {name: curves[name] for name in SEARCHED}
    titles = {name: TITLES[name].lower() for name in chosen}
    found = deviations(GRID, chosen, levels, PLANES, ANGLES, 100.0, 7000.0, 0.7).found
    assert len(found) > 2
    for one in found:
        feature, evidence, words = one.feature, one.evidence, "; ".join(one.statements)
        assert feature.curve in evidence.in_curves
        assert evidence.height_by_curve_db[feature.curve] == feature.height_db
        assert f"{feature.height_db:+.1f} dB, as in: {titles[feature.curve]}" in one.statements[0]
        (told,) = [line for line in one.statements if line.startswith("height by curve: ")]
        heights, _, missed = told.removeprefix("height by curve: ").partition("; not in: ")
        known = [name for name in chosen if name in evidence.height_by_curve_db]
        there = [name for name in known if name in evidence.in_curves]
        assert heights == ", ".join(f"{titles[name]} {evidence.height_by_curve_db[name]:+.1f} dB" for name in there)
        assert missed.partition(" (lower")[0] == ", ".join(titles[name] for name in known if name not in there)
        for name in there:
            assert f"not in the {titles[name]}" not in words
        on_axis_only = "on_axis" in there and "listening_window" not in there
        assert ("on the axis only" in words) == on_axis_only
        if "not in the direct sound" in words:
            assert not {"on_axis", "listening_window"} & set(there)


def test_each_q_has_its_name():
    one = at(report(lambda plane, angle: biquad(1200, 6, 3, GRID)), 1200)
    # Poles of a peaking section of Q 6 and 3 dB: 6 times 10^(3 / 40).
    assert "Q 6 of an equaliser's section, Q 7.1 of its poles" in one.statements[0]
    assert "an added resonance of Q 7.1 is heard" in "; ".join(one.statements)


@pytest.mark.parametrize(
    ("criteria", "cause"),
    [
        ({}, "resonance"),
        ({"most": 1.0, "front": 90.0}, "not determined"),
        ({"height_share": 0.95}, "interference or diffraction"),
        ({"widest": 0.2}, None),
    ],
)
def test_what_decides_can_be_chosen(criteria, cause):
    """A section of Q 3 that is 4 dB on the axis and 1.4 dB at 90 degrees, over both orbits."""
    found = report(
        lambda plane, angle: biquad(1200, 3, 4 - 2.6 * np.sin(angle) ** 2, GRID), criteria=Criteria(**criteria)
    )
    assert [one.cause for one in found.found] == ([cause] if cause else [])

"""The text about a peak or dip agrees with its evidence."""

import pytest

from anechain.acoustics.directivity.curve_titles import TITLES
from anechain.acoustics.directivity.deviation_criteria import DEFAULT_CRITERIA
from anechain.acoustics.directivity.deviations import SEARCHED_CURVES, deviations
from anechain.figure_of_merit.deviation_text import deviation_text
from deviation_sources import (
    ANGLES,
    COARSE,
    FINE,
    GRID,
    PLANES,
    at,
    baffled_piston,
    edged,
    found_in,
    panel,
    point_on_sphere,
    report,
    section,
    shelf_and_ripple,
    small_cap,
    source,
    two_way,
)
from filters import biquad


def text(deviation):
    return deviation_text(deviation, DEFAULT_CRITERIA)


def test_text_of_a_resonance():
    one = at(report(lambda plane, angle: biquad(1200, 6, 3, GRID)), 1200)
    words = "\n".join(text(one))
    assert "13 of 13 directions" in words and "Toole and Olive 1988" in words and "sound power" in words
    assert "counted as the same peak or dip up to 0.08 octave from its centre" in words
    assert "how it radiates: alike in all directions: the same in most directions" in text(one)
    assert text(one)[-1].startswith("what it is: resonance: alike in all directions, of the shape of a resonance")


def test_each_q_has_its_name():
    one = at(report(lambda plane, angle: biquad(1200, 6, 3, GRID)), 1200)
    # Poles of a peaking section of Q 6 and 3 dB: 6 times 10^(3 / 40).
    assert "Q 6 of an equaliser's section, Q 7.1 of its poles" in text(one)[0]
    assert "an added resonance of Q 7.1 is audible" in "; ".join(text(one))


def test_text_of_a_resonance_added_with_a_phase():
    (one,) = found_in(panel(), FINE, smoothing=20.0).deviations
    assert "of the resonance, added with" in text(one)[0] and "before smoothing" in text(one)[0]


def test_text_of_directions_behind():
    weak = at(found_in(baffled_piston() + section(1000, 0.7, 4, FINE), FINE), 1000)
    assert "26 with too low a level, 0 too uneven" in "\n".join(text(weak))
    assert "the same in front, with too low a level behind" in text(weak)
    step = found_in(point_on_sphere(0.06), COARSE, high_hz=10000.0).deviations[0]
    assert text(step)[-2:] == [
        "how it radiates: changes with the angle: in front, but only in 0 of 26 usable directions behind, over both "
        "orbits",
        "what it is: change of coverage: only in front, as the step of a baffle",
    ]
    levels = small_cap() + section(500, 0.8, 6, COARSE)
    assert "the same in front, in 26 of 26 usable directions behind" in text(at(found_in(levels, COARSE), 500))


def test_without_directions_no_cause_is_named():
    curves, levels = source(lambda plane, angle: biquad(1200, 6, 3, GRID))
    alone = at(deviations(GRID, curves), 1200)
    assert alone.cause == "not determined" and "what it is: not determined: measure both orbits" in text(alone)
    one_orbit = at(deviations(GRID, curves, levels[:1], PLANES[:1], ANGLES), 1200)
    assert one_orbit.cause == "not determined"
    lacking = {name: curves[name] for name in ("on_axis", "listening_window")}
    short = at(deviations(GRID, lacking, levels, PLANES, ANGLES), 1200)
    assert short.radiates == "not determined"
    assert any("no curve of the early reflections, or of the sound power" in words for words in text(short))


def test_a_height_below_the_threshold():
    found = report(lambda plane, angle: biquad(1200, 20, 1.2, GRID), min_height_db=0.8)
    one = at(found, 1200)
    assert one.threshold_db > 2 and not one.above_threshold and any("is below" in words for words in text(one))


def test_a_dip_on_the_axis_alone_is_not_in_the_listening_window():
    """A narrow dip that is absent at 10 degrees: the listening window represents the direct sound."""
    found = report(lambda plane, angle: biquad(3000, 5, -2.5 * (abs(angle) < 0.1), GRID))
    one = at(found, 3000)
    assert one.feature.curve == "on_axis" and one.cause == "interference or diffraction"
    assert "only on the axis, not in the listening window" in text(one)
    assert "not in the direct sound" not in "\n".join(text(one))


@pytest.mark.parametrize("factor", [edged, two_way, shelf_and_ripple])
def test_the_text_agrees_with_the_evidence(factor):
    """It is in its own curve, with its height; the text has no height for a curve that it is not in."""
    curves, levels = source(factor)
    chosen = {name: curves[name] for name in SEARCHED_CURVES}
    titles = {name: TITLES[name].lower() for name in chosen}
    found = deviations(GRID, chosen, levels, PLANES, ANGLES, 100.0, 7000.0, 0.7).deviations
    assert len(found) > 2
    for one in found:
        feature, evidence, words = one.feature, one.evidence, "; ".join(text(one))
        assert feature.curve in evidence.in_curves
        assert evidence.height_by_curve_db[feature.curve] == feature.height_db
        assert f"{feature.height_db:+.1f} dB in the curve: {titles[feature.curve]}" in text(one)[0]
        (by_curve,) = [line for line in text(one) if line.startswith("height by curve: ")]
        heights, _, absent = by_curve.removeprefix("height by curve: ").partition("; not in: ")
        known = [name for name in chosen if name in evidence.height_by_curve_db]
        there = [name for name in known if name in evidence.in_curves]
        assert heights == ", ".join(f"{titles[name]} {evidence.height_by_curve_db[name]:+.1f} dB" for name in there)
        assert absent.partition(" (less than")[0] == ", ".join(titles[name] for name in known if name not in there)
        for name in there:
            assert f"not in the {titles[name]}" not in words
        on_axis_only = "on_axis" in there and "listening_window" not in there
        assert ("only on the axis" in words) == on_axis_only
        if "not in the direct sound" in words:
            assert not {"on_axis", "listening_window"} & set(there)

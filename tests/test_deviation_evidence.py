"""Curves and directions that a peak or dip is in, and an older version of the method beside the newest."""

import numpy as np
import pytest

from anechain.acoustics.curve.peak_shapes import PeakOrDip
from anechain.acoustics.curve.resonance_shape import bandwidth_of_q
from anechain.acoustics.directivity.deviation_evidence import evidence_of
from anechain.acoustics.directivity.deviations import deviations
from anechain.methods import use_method_versions
from deviation_sources import ANGLES, COARSE, FINE, GRID, PLANES, at, found_in, section, small_cap, source
from filters import biquad


def test_directions_without_values_are_left_out():
    curves, levels = source(lambda plane, angle: biquad(1200, 6, 3, GRID))
    levels[1, ANGLES == 20] = np.nan
    one = at(deviations(GRID, curves, levels, PLANES, ANGLES), 1200)
    assert one.evidence.directions_by_plane == {"horizontal": (13, 13), "vertical": (12, 12)}
    with pytest.raises(ValueError, match="2 planes and 3 angles"):
        evidence_of(one.feature, GRID, curves, levels, PLANES, ANGLES[:3])


@pytest.mark.parametrize(
    ("q", "shift", "same"), [(6, 0.05, True), (6, 0.2, False), (1, 0.25, True), (1, 0.8, False), (0.6, 0.4, True)]
)
def test_the_tolerance_grows_with_the_width(q, shift, same):
    """The same section elsewhere is at the same place up to a quarter of its width, at least 1/12 octave."""
    feature = PeakOrDip("on_axis", 1000.0, 4.0, float(bandwidth_of_q(q)), q, q, "one resonance", 0.0)
    curves = {"on_axis": section(1000, q, 4, FINE), "other": section(1000 * 2**shift, q, 4, FINE)}
    evidence = evidence_of(feature, FINE, curves)
    assert ("other" in evidence.in_curves) == same
    assert evidence.tolerance_octaves == pytest.approx(max(1 / 12, feature.width_octaves / 4))


def test_an_older_version_stays_callable():
    """Version 1 has a tolerance of 1/12 octave for all widths: it does not find a broad resonance in all directions."""
    levels = small_cap() + section(500, 0.6, 6, COARSE)
    newest = found_in(levels, COARSE).deviations
    with use_method_versions({"deviation-evidence": 1}):
        older = found_in(levels, COARSE).deviations
    assert [deviation.feature for deviation in older] == [deviation.feature for deviation in newest]
    assert {deviation.evidence.tolerance_octaves for deviation in older} == {1 / 12}
    assert all(deviation.evidence.tolerance_octaves > 1 / 12 for deviation in newest)
    assert [deviation.cause for deviation in older] != [deviation.cause for deviation in newest]
    with use_method_versions({"deviation-evidence": 1}):
        without_directions = found_in(levels, COARSE).deviations[0].feature
        evidence = evidence_of(without_directions, COARSE, {without_directions.curve: levels[0, ANGLES == 0][0]})
    assert evidence.directions_by_plane == {} and evidence.largest_shift_octaves is None

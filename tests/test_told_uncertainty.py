"""The uncertainty budget in print: each component as stated and as it counts, what is not stated, and the whole."""

import numpy as np
import pytest

import physics
import valid_datasets
from anechain.campaign.numbers import NumbersUncertainty
from anechain.figure_of_merit.curve_dataset import curve_dataset
from anechain.report.uncertainty import told_uncertainty
from test_derive import parameters, responses
from test_stated_uncertainty import source, stated, with_takes

LEVELS = ("calibration", "microphone's response", "gain and drive", "distance", "setting of the angle", "repeatability")


def told(data, given, impedance=None, **options):
    curves = curve_dataset(data, None, parameters(uncertainty=given))
    return told_uncertainty(curves, impedance, given, NumbersUncertainty(**options))


def rows(part):
    return {row.component: row for row in part.rows}


def test_a_component_as_it_is_stated_and_as_it_counts():
    """Expanded by k = 2: half of it; limits of a rectangular distribution: over root 3 (JCGM 100:2008, 4.3)."""
    found = rows(
        told(
            source(),
            stated(
                calibration={"value": 0.4, "kind": "expanded", "source": "a certificate"},
                gain_and_drive={"value": 0.1, "kind": "rectangular"},
                microphone={"value": [[20, 0.15], [4000, 0.15], [10000, 0.5]]},
                distance={"value": 0.02},
            ),
        )
    )
    one = found["calibration"]
    assert (one.stated, one.standard, one.evaluation) == ("0.4 dB, expanded, k = 2", "0.20 dB", "Type B")
    assert one.source == "a certificate" and one.together == "all directions alike; one error at all frequencies"
    assert found["gain and drive"].standard == "0.058 dB" and "rectangular" in found["gain and drive"].stated
    assert found["microphone's response"].standard == "0.15 to 0.50 dB"
    assert "0.5 dB at 10000 Hz" in found["microphone's response"].stated
    assert "independent after 1 octave" in found["microphone's response"].together
    # 20 lg(1 + 0.02 m / 2 m), to first order 8.686 times 1 %.
    assert found["distance"].standard == "0.087 dB" and found["distance"].stated == "0.02 m, standard uncertainty"


def test_what_is_not_stated_has_a_line_of_its_own():
    part = told(source(), {})
    assert [name for name, _ in part.missing] == [*LEVELS, "impedance"]
    assert dict(part.missing)["repeatability"] == "not stated, and no take was repeated"
    assert part.rows == () and part.combined == ()
    some = told(source(), stated(calibration={"value": 0.1}))
    assert [name for name, _ in some.missing] == [*LEVELS[1:], "impedance"]


def test_a_component_that_is_stated_and_does_not_count_says_why():
    given = stated(distance={"value": 0.01}, calibration={"value": 0.1})
    part = told(responses(physics.first_order(1.0)), given)
    assert dict(part.missing)["distance"] == (
        "stated as 0.01 m, standard uncertainty, but the distance itself is not known"
    )


def test_repeated_takes_are_evaluated_with_their_degrees_of_freedom():
    """Nine takes of 0.06 dB each: their mean is three times as sure, with 8 degrees of freedom (4.2.3 and 4.2.6)."""
    one = rows(told(with_takes(source(), 0.06, takes=9), stated(repeatability={"value": 5.0})))["repeatability"]
    assert one.stated == "9 takes: standard deviation of one 0.06 dB (median)"
    assert one.evaluation == "Type A, 8 degrees of freedom each"
    assert one.standard.startswith("of the mean: 0.020 dB (median") and "each direction's own" in one.together
    some = with_takes(source(), 0.06, takes=9)
    some["takes"].values[0, 0] = 1
    assert "1 to 9 takes" in rows(told(some, {}))["repeatability"].stated
    unknown = rows(told(with_takes(source(), 0.06), {}))["repeatability"]
    assert unknown.stated.startswith("Takes: standard deviation of one") and unknown.evaluation == "Type A"


def test_the_combined_standard_uncertainty_on_the_axis_with_its_parts_apart():
    """Components of 0.3 and 0.4 dB combine to 0.5 dB (JCGM 100:2008, 5.1.2), k times that is expanded."""
    given = stated(calibration={"value": 0.3}, repeatability={"value": 0.4})
    part = told(source(), given, coverage_factor=2.5)
    assert [row.frequency for row in part.combined] == ["100 Hz", "1000 Hz", "10000 Hz"]
    for row in part.combined:
        assert (row.correlated, row.uncorrelated) == ("0.30 dB", "0.40 dB")
        assert (row.combined, row.expanded) == ("0.50 dB", "1.2 dB")
    assert part.coverage_factor == "2.5"


def test_nothing_is_told_beyond_the_valid_band():
    data = source()
    data.attrs |= {"valid_low": 200.0, "valid_high": 5000.0}
    part = told(data, stated(calibration={"value": 0.3}))
    assert [row.frequency for row in part.combined] == ["1000 Hz"]


def test_the_impedance_is_in_the_budget():
    given = stated(calibration={"value": 0.3}, impedance={"value": 1.0, "kind": "rectangular"})
    part = told(source(), given, valid_datasets.impedance())
    found = rows(part)
    assert found["impedance, modulus"].standard == "0.58 %"
    assert found["impedance, modulus"].together == "one error at all frequencies"
    # One per cent of three takes each, over the root of three.
    assert found["impedance, repeatability"].standard.startswith("of the mean: 0.58 % (median of frequencies")
    assert dict(part.missing)["impedance, phase"] == "not stated"
    assert dict(told(source(), given).missing)["impedance"] == "it was not measured"


@pytest.mark.parametrize("pairs", [3, 9])
def test_many_pairs_are_told_by_their_ends(pairs):
    value = [[float(hz), 0.2] for hz in np.geomspace(20, 20000, pairs)]
    text = rows(told(source(), stated(microphone={"value": value})))["microphone's response"].stated
    assert ("9 pairs" in text) == (pairs == 9) and text.startswith("0.2 dB at 20 Hz")

"""The uncertainty budget on the page: stated and standard uncertainties, missing components, and the combination."""

import numpy as np
import pytest

import physics
import valid_datasets
from anechain.campaign.numbers import NumbersUncertainty
from anechain.figure_of_merit.curve_dataset import curve_dataset
from anechain.report.uncertainty import uncertainty_budget
from test_derive import parameters, responses
from test_stated_uncertainty import source, stated, with_takes

LEVELS = ("calibration", "microphone's response", "gain and drive", "distance", "setting of the angle", "repeatability")


def budget_of(data, statements, impedance=None, **options):
    curves = curve_dataset(data, None, parameters(uncertainty=statements))
    return uncertainty_budget(curves, impedance, statements, NumbersUncertainty(**options))


def rows(budget):
    return {row.component: row for row in budget.rows}


def test_a_component_has_its_stated_and_its_standard_uncertainty():
    """Expanded by k = 2: half of it; limits of a rectangular distribution: over root 3 (JCGM 100:2008, 4.3)."""
    by_component = rows(
        budget_of(
            source(),
            stated(
                calibration={"value": 0.4, "kind": "expanded", "source": "a certificate"},
                gain_and_drive={"value": 0.1, "kind": "rectangular"},
                microphone={"value": [[20, 0.15], [4000, 0.15], [10000, 0.5]]},
                distance={"value": 0.02},
            ),
        )
    )
    calibration = by_component["calibration"]
    assert (calibration.stated, calibration.standard, calibration.evaluation) == (
        "0.4 dB, expanded, k = 2",
        "0.20 dB",
        "Type B",
    )
    assert calibration.source == "a certificate"
    assert calibration.correlation == "the same in all directions; the same at all frequencies"
    assert (
        by_component["gain and drive"].standard == "0.058 dB" and "rectangular" in by_component["gain and drive"].stated
    )
    assert by_component["microphone's response"].standard == "0.15 to 0.50 dB"
    assert "0.5 dB at 10000 Hz" in by_component["microphone's response"].stated
    assert "independent after 1 octave" in by_component["microphone's response"].correlation
    # 20 lg(1 + 0.02 m / 2 m), to first order 8.686 times 1 %.
    assert (
        by_component["distance"].standard == "0.087 dB"
        and by_component["distance"].stated == "0.02 m, standard uncertainty"
    )


def test_a_component_that_is_not_stated_has_a_row():
    budget = budget_of(source(), {})
    assert [name for name, _ in budget.missing] == [*LEVELS, "impedance"]
    assert dict(budget.missing)["repeatability"] == "not stated, and no take was repeated"
    assert budget.rows == () and budget.combined == ()
    changed = budget_of(source(), stated(calibration={"value": 0.1}))
    assert [name for name, _ in changed.missing] == [*LEVELS[1:], "impedance"]


def test_a_stated_component_without_a_standard_uncertainty_has_the_reason():
    statements = stated(distance={"value": 0.01}, calibration={"value": 0.1})
    budget = budget_of(responses(physics.first_order(1.0)), statements)
    assert dict(budget.missing)["distance"] == (
        "stated as 0.01 m, standard uncertainty, but the distance itself is not known"
    )


def test_repeated_takes_have_their_degrees_of_freedom():
    """The uncertainty of the mean of nine takes is a third, with 8 degrees of freedom (4.2.3 and 4.2.6)."""
    repeatability = rows(budget_of(with_takes(source(), 0.06, takes=9), stated(repeatability={"value": 5.0})))[
        "repeatability"
    ]
    assert repeatability.stated == "9 takes: standard deviation of a single take 0.06 dB (median)"
    assert repeatability.evaluation == "Type A, 8 degrees of freedom each"
    assert repeatability.standard.startswith("of the mean: 0.020 dB (median")
    assert repeatability.correlation.startswith("independent in each direction")
    changed = with_takes(source(), 0.06, takes=9)
    changed["takes"].values[0, 0] = 1
    assert "1 to 9 takes" in rows(budget_of(changed, {}))["repeatability"].stated
    unknown = rows(budget_of(with_takes(source(), 0.06), {}))["repeatability"]
    assert unknown.stated.startswith("Takes: standard deviation of a single take") and unknown.evaluation == "Type A"


def test_the_combined_standard_uncertainty_on_the_axis_has_two_parts():
    """Components of 0.3 and 0.4 dB combine to 0.5 dB (JCGM 100:2008, 5.1.2), k times that is expanded."""
    statements = stated(calibration={"value": 0.3}, repeatability={"value": 0.4})
    budget = budget_of(source(), statements, coverage_factor=2.5)
    assert [row.frequency for row in budget.combined] == ["100 Hz", "1000 Hz", "10000 Hz"]
    for row in budget.combined:
        assert (row.correlated, row.uncorrelated) == ("0.30 dB", "0.40 dB")
        assert (row.combined, row.expanded) == ("0.50 dB", "1.2 dB")
    assert budget.coverage_factor == "2.5"


def test_no_uncertainty_is_printed_outside_the_valid_band():
    data = source()
    data.attrs |= {"valid_low": 200.0, "valid_high": 5000.0}
    budget = budget_of(data, stated(calibration={"value": 0.3}))
    assert [row.frequency for row in budget.combined] == ["1000 Hz"]


def test_the_impedance_is_in_the_budget():
    statements = stated(calibration={"value": 0.3}, impedance={"value": 1.0, "kind": "rectangular"})
    budget = budget_of(source(), statements, valid_datasets.impedance())
    by_component = rows(budget)
    assert by_component["impedance, modulus"].standard == "0.58 %"
    assert by_component["impedance, modulus"].correlation == "the same at all frequencies"
    # One per cent of three takes each, over the root of three.
    assert by_component["impedance, repeatability"].standard.startswith("of the mean: 0.58 % (median over frequencies")
    assert dict(budget.missing)["impedance, phase"] == "not stated"
    assert dict(budget_of(source(), statements).missing)["impedance"] == "not measured"


@pytest.mark.parametrize("pairs", [3, 9])
def test_a_long_list_of_pairs_is_printed_as_its_ends(pairs):
    value = [[float(hz), 0.2] for hz in np.geomspace(20, 20000, pairs)]
    text = rows(budget_of(source(), stated(microphone={"value": value})))["microphone's response"].stated
    assert ("9 pairs" in text) == (pairs == 9) and text.startswith("0.2 dB at 20 Hz")

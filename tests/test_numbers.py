"""A number with everything that belongs to it."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from anechain.data.numbers import (
    Mark,
    Number,
    format_uncertainty,
    format_value,
    format_with_bound,
    number_from_json,
    number_to_json,
    rounded_uncertainty,
)
from anechain.receipts.canonical_json import canonical_json, parse_json

WHOLE = Number(
    id="level.sensitivity",
    heading="Level",
    title="Sensitivity",
    value=84.25,
    unit="dB",
    uncertainty=0.5,
    coverage_factor=2.0,
    propagation="first order (GUM)",
    method="sensitivity",
    version=1,
    source="a standard",
    source_status="recalled",
    note="on axis, in a band",
    marks=(Mark("on_axis", 300.0, 3000.0), Mark("on_axis", 100.0, 100.0, 81.5)),
)
GAP = Number(
    id="range.upper_3", heading="Frequency range", title="Upper limit", value=None, unit="Hz", reason="no data"
)


@pytest.mark.parametrize("number", [WHOLE, GAP])
def test_a_number_survives_its_json(number):
    assert number_from_json(number.id, number_to_json(number)) == number


def test_a_limit_is_told_from_a_value_wherever_it_is_printed():
    at_most, at_least = (replace(WHOLE, bound=bound) for bound in ("at most", "at least"))
    assert format_with_bound(WHOLE) == "84.2"
    # Beside an uncertainty to a tenth the value is given to a tenth; alone it is not.
    assert format_with_bound(replace(WHOLE, value=34.0, unit="Hz")) == "34.0"
    assert format_with_bound(replace(WHOLE, value=6.0, unit="\N{GREEK CAPITAL LETTER OMEGA}", uncertainty=None)) == "6"
    assert (
        format_with_bound(at_most) == "≤\N{NO-BREAK SPACE}84.2"
        and format_with_bound(at_least) == "≥\N{NO-BREAK SPACE}84.2"
    )
    assert number_from_json(WHOLE.id, number_to_json(at_most)) == at_most
    with pytest.raises(ValueError, match="gap"):
        replace(GAP, bound="at most")


@pytest.mark.parametrize("changes", [{"value": None}, {"value": float("nan")}, {"value": 1.0, "reason": "why"}])
def test_a_number_has_a_value_or_a_reason(changes):
    with pytest.raises(ValueError, match="value"):
        Number(**{"id": "a.b", "heading": "A", "title": "B", "value": 1.0, **changes})


@pytest.mark.parametrize(
    ("uncertainty", "kept"),
    [(0.515607, 0.516), (0.0529756, 0.053), (12.34, 12.3), (28.05, 28.1), (1.0, 1.0), (0.0, 0.0)],
)
def test_an_uncertainty_is_kept_to_three_digits(uncertainty, kept):
    """GUM, JCGM 100:2008, 7.2.6: two, and more where it is rounded again; the value keeps its digits."""
    entry = number_to_json(replace(WHOLE, uncertainty=uncertainty))
    assert entry["uncertainty"] == rounded_uncertainty(uncertainty) == kept and entry["value"] == WHOLE.value


@given(st.floats(0.01, 9.94), st.floats(0.001, 9.94))
def test_a_kept_uncertainty_has_all_digits_that_the_page_shows_of_it(value, uncertainty):
    """Rounded twice it is off by half of the last digit shown, and by half of the last one kept."""
    for unit in ("dB", "Hz", ""):
        told = format_uncertainty(rounded_uncertainty(uncertainty), value, unit)
        if not told.startswith("under"):
            digit = 10.0 ** -len(told.partition(".")[2])
            coarse = 0.0 if unit != "Hz" else 0.05 * value
            assert abs(float(told) - uncertainty) <= 0.501 * digit + 0.00501 * uncertainty + coarse


def test_a_whole_number_comes_back_as_a_number_with_its_uncertainty():
    """Canonical JSON (RFC 8785) has no other form for 84.0 than 84."""
    whole = replace(WHOLE, value=84.0, uncertainty=1.0)
    back = number_from_json(whole.id, parse_json(canonical_json(number_to_json(whole))))
    assert back == whole and all(type(one) is float for one in (back.value, back.uncertainty, back.coverage_factor))
    assert type(back.version) is int


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        (84.0763, "dB", "84.1"),
        (0.2345, "dB", "0.23"),
        (-0.004, "dB", "0.00"),
        (-2.5, "dB", "\N{MINUS SIGN}2.50"),
        (1234.5, "Hz", "1230"),
        (52.34, "Hz", "52.3"),
        (0.7513, "m", "0.75"),
        (88.6, "°", "89"),
        (4.5, "", "4.5"),
        (9.0, "", "9"),
        (-0.004, "", "0.00"),
        (None, "dB", ""),
        ("closed", "", "closed"),
    ],
)
def test_as_many_digits_as_anybody_reads(value, unit, expected):
    assert format_value(value, unit) == expected


@pytest.mark.parametrize(
    ("uncertainty", "value", "unit", "expected"),
    [
        (0.52, 84.1, "dB", "0.5"),
        (0.022, 2.10, "dB", "0.02"),
        (0.0036, 0.22, "dB", "under 0.01"),
        (0.053, 104.0, "Hz", "under 1"),
        (2.6, 104.0, "Hz", "3"),
        (0.11, 40.3, "Hz", "0.1"),
        (34.0, 2500.0, "Hz", "30"),
        (0.9, 0.0, "Hz", "0.90"),
        (1.4, 90.0, "°", "1"),
        (0.6, 4.5, "", "0.6"),
        (0.22, 0.3, "", "0.22"),
        (2.0, 9.0, "", "2"),
    ],
)
def test_an_uncertainty_has_the_digits_of_its_value(uncertainty, value, unit, expected):
    """GUM, JCGM 100:2008, 7.2.6: value and uncertainty end at the same digit."""
    assert format_uncertainty(uncertainty, value, unit) == expected


@pytest.mark.parametrize(
    ("value", "uncertainty", "expected"),
    [(4.5, 0.6, "4.5 ± 0.6"), (0.3, 0.22, "0.30 ± 0.22"), (4.0, 0.6, "4.0 ± 0.6"), (9.0, 2.0, "9 ± 2")],
)
def test_a_pure_number_ends_where_its_uncertainty_ends(value, uncertainty, expected):
    """GUM, JCGM 100:2008, 7.2.6. What is given in tenths, as the rating is, keeps to tenths in both."""
    assert f"{format_value(value, '', uncertainty)} ± {format_uncertainty(uncertainty, value, '')}" == expected


MAGNITUDES = st.floats(-4, 4.9).map(lambda exponent: 10.0**exponent)


@given(
    st.one_of(st.just(0.0), MAGNITUDES, MAGNITUDES.map(lambda size: -size)),
    MAGNITUDES,
    st.sampled_from(["", "dB", "dB/octave", "%", "°", "Hz", "m", "Ω"]),
)
def test_value_and_uncertainty_have_the_same_decimals(value, uncertainty, unit):
    """GUM, JCGM 100:2008, 7.2.6; an uncertainty under the last digit names that digit."""
    told, width = format_value(value, unit, uncertainty), format_uncertainty(uncertainty, value, unit)

    def decimals(text):
        return len(text.partition(".")[2])

    assert decimals(told) == decimals(width.removeprefix("under "))
    digit = 10.0 ** -decimals(told)
    for text, exact in ((told.replace("\N{MINUS SIGN}", "-"), value), (width, uncertainty)):
        if not text.startswith("under"):
            # Before the point three figures are kept of what has a unit in figures, so up to a hundredth of it is lost.
            assert abs(float(text) - exact) <= max(0.51 * digit, 0.05 * abs(value) if unit in ("Hz", "m", "Ω") else 0.0)


@given(st.integers(0, 100), st.integers(1, 100))
def test_what_is_given_in_tenths_is_shown_in_tenths_at_most(value, uncertainty):
    told, width = format_value(value / 10, "", uncertainty / 10), format_uncertainty(uncertainty / 10, value / 10, "")
    assert float(told) == value / 10 and float(width) == uncertainty / 10
    assert all(len(text.partition(".")[2]) <= 1 for text in (told, width))

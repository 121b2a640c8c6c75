"""A number with everything that belongs to it, and tables of numbers."""

import csv
import io
from dataclasses import replace

import pytest

from anechain.numbers import (
    Mark,
    Number,
    number_from_json,
    number_to_json,
    numbers_csv,
    shown,
    shown_bound,
    shown_width,
)

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
    standing="recalled",
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
    assert shown_bound(WHOLE) == "84.2"
    # Beside an uncertainty to a tenth the value is given to a tenth; alone it is not.
    assert shown_bound(replace(WHOLE, value=34.0, unit="Hz")) == "34.0"
    assert shown_bound(replace(WHOLE, value=6.0, unit="\N{GREEK CAPITAL LETTER OMEGA}", uncertainty=None)) == "6"
    assert shown_bound(at_most) == "≤\N{NO-BREAK SPACE}84.2" and shown_bound(at_least) == "≥\N{NO-BREAK SPACE}84.2"
    assert number_from_json(WHOLE.id, number_to_json(at_most)) == at_most
    [row] = csv.DictReader(io.StringIO(numbers_csv([("rowan", "Rowan", [at_most])]).decode()))
    assert row["bound"] == "at most"
    with pytest.raises(ValueError, match="gap"):
        replace(GAP, bound="at most")


@pytest.mark.parametrize("changes", [{"value": None}, {"value": float("nan")}, {"value": 1.0, "reason": "why"}])
def test_a_number_has_a_value_or_a_reason(changes):
    with pytest.raises(ValueError, match="value"):
        Number(**{"id": "a.b", "heading": "A", "title": "B", "value": 1.0, **changes})


def test_the_table_has_a_line_for_each_number_of_each_device_and_an_empty_cell_for_a_gap():
    table = list(csv.DictReader(io.StringIO(numbers_csv([("rowan", "Rowan, two-way", [WHOLE, GAP])]).decode())))
    assert [row["quantity"] for row in table] == [WHOLE.id, GAP.id]
    assert table[0]["device_title"] == "Rowan, two-way" and float(table[0]["value"]) == 84.25
    assert table[0]["uncertainty"] == "0.5" and table[0]["coverage_factor"] == "2"
    assert table[1]["value"] == table[1]["uncertainty"] == "" and table[1]["reason"] == "no data"


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
        (None, "dB", ""),
        ("closed", "", "closed"),
    ],
)
def test_as_many_digits_as_anybody_reads(value, unit, expected):
    assert shown(value, unit) == expected


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
    ],
)
def test_an_uncertainty_has_the_digits_of_its_value(uncertainty, value, unit, expected):
    """GUM, JCGM 100:2008, 7.2.6: value and uncertainty end at the same digit."""
    assert shown_width(uncertainty, value, unit) == expected

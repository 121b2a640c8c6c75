import numpy as np
import pytest

from anechain.errors import InputError
from anechain.importing.text_table import read_table
from anechain_delimited.columns import choose_columns
from anechain_delimited.curve import curve_of_table
from anechain_delimited.options import DelimitedOptions


def curve(*lines, **options):
    settings = DelimitedOptions(**options)
    table = read_table("".join(line + "\n" for line in lines), "a.txt")
    return curve_of_table(table, choose_columns(table, settings.columns, "a.txt"), settings, "a.txt")


def test_pascals_become_levels_by_the_reference_pressure():
    # ISO 1683: 20 µPa; one pascal is 93.979 dB.
    _, level, _, notes = curve("20 1.0", "25 2e-5", level_scale="pascal")
    np.testing.assert_allclose(level, [93.9794, 0.0], atol=5e-5)
    assert any("re 20 µPa" in note for note in notes)


def test_a_linear_magnitude_becomes_a_level():
    _, level, _, _ = curve("20 1.0", "25 10.0", "31.5 0.5", level_scale="linear")
    np.testing.assert_allclose(level, [0, 20, -6.0206], atol=5e-5)


def test_kilohertz_and_radians():
    frequency, _, phase, notes = curve(
        "1 85 3.14159265", "2 86 -1.57079633", frequency_unit="kilohertz", phase_unit="radian"
    )
    np.testing.assert_array_equal(frequency, [1000, 2000])
    np.testing.assert_allclose(phase, [180, -90], atol=1e-6)
    assert len(notes) == 2


@pytest.mark.parametrize(
    ("header", "option", "unit", "used"),
    [
        ("Freq (kHz);SPL (dB);Phase (deg)", "frequency_unit", "kilohertz", "hertz"),
        ("Freq (Hz);Pressure (Pa);Phase (deg)", "level_scale", "pascal", "decibel"),
        ("Freq (Hz);SPL (dB);Phase (rad)", "phase_unit", "radian", "degree"),
    ],
)
def test_a_unit_in_the_header_that_the_options_contradict(header, option, unit, used):
    rows = (header, "20;85;1", "25;86;2")
    with pytest.raises(InputError, match=f"`{option}` is {used}"):
        curve(*rows)
    assert not any("though the header" in note for note in curve(*rows, **{option: unit})[3])
    assert any("though the header" in note for note in curve(*rows, **{option: used})[3])


def test_a_row_at_zero_hertz_is_removed_and_reported():
    frequency, level, phase, notes = curve("0 -200 0", "20 85 1", "25 86 2")
    assert (frequency.tolist(), level.tolist(), phase.tolist()) == ([20, 25], [85, 86], [1, 2])
    assert "row at 0 Hz removed" in notes


@pytest.mark.parametrize(
    ("rows", "options", "message"),
    [
        (("85.1 20", "84.2 25", "83.3 31.5"), {}, "columns look swapped: column 2.* rises from 20 to 31.5"),
        (("20 85.2", "25 85.1", "25 84.3"), {}, "line 3: the frequency is 25 Hz after 25 Hz"),
        (("20 85", "25 86", "20 84", "25 83"), {}, "line 3: the frequency is 20 Hz after 25 Hz"),
        (("1 20 85", "2 25 86", "3 31.5 86"), {}, "probably row numbers"),
        (("0 20 85", "1 25 86", "2 31.5 86", "3 40 87"), {}, "probably row numbers"),
        (("25 86", "20 85"), {}, "the frequencies fall from 25 to 20 Hz"),
        (("-20 85", "20 84"), {}, "line 1: the frequency is -20 Hz"),
        (("0 85", "20 84"), {}, "1 row above 0 Hz"),
        (("20 85",), {}, "1 row above 0 Hz"),
        (("20;85;3", "25;;4", "31;;5"), {}, r"line 2: the level is empty \(and 1 more\)"),
        (("20;85;3", "25;86;", "31;87;5"), {}, "line 2: the phase is empty"),
        (("20;85;3", "25;NaN;4"), {}, "line 2: the level is 'NaN'"),
        (("20;85;3", "25;-inf;4"), {}, "line 2: the level is '-inf'"),
        (("20;85;3", ";86;4"), {"missing": "keep"}, "line 2: the frequency is empty"),
        (("20;;85", "25;;86"), {"missing": "keep"}, "the level is missing in every row"),
        (("20 1", "25 0"), {"level_scale": "pascal"}, "line 2: the magnitude is 0"),
        (("20 1", "25 -3"), {"level_scale": "linear", "missing": "keep"}, "line 2: the magnitude is -3"),
    ],
)
def test_what_cannot_be_a_curve_is_refused(rows, options, message):
    with pytest.raises(InputError, match=message) as refused:
        curve(*rows, **options)
    (problem,) = refused.value.problems
    assert problem.where == "a.txt"
    assert problem.fix


def test_frequencies_in_steps_of_one_hertz_are_read_where_they_are_named():
    rows = ("1 20 85", "2 25 86", "3 31.5 86")
    assert curve("Hz dB deg", *rows)[0].tolist() == [1, 2, 3]
    assert curve(*rows, columns={"frequency": 1, "level": 2})[0].tolist() == [1, 2, 3]
    assert curve(*rows, columns={"frequency": 2, "level": 3})[0].tolist() == [20, 25, 31.5]


def test_gaps_are_kept_on_demand_and_named():
    _, level, phase, notes = curve("20;85;1", "25;n/a;2", "31.5;87;", "40;-;4", missing="keep")
    np.testing.assert_array_equal(level, [85, np.nan, 87, np.nan])
    np.testing.assert_array_equal(phase, [1, 2, np.nan, 4])
    assert "level missing at 25, 40 Hz: kept as not measured" in notes
    assert "phase missing at 31.5 Hz: kept as not measured" in notes


def test_a_zero_magnitude_is_a_gap_on_demand():
    _, level, _, notes = curve("20 1", "25 0", level_scale="linear", missing="keep")
    np.testing.assert_array_equal(level, [0, np.nan])
    assert "level missing at 25 Hz: kept as not measured" in notes


def test_an_ignored_column_may_be_empty():
    assert curve("20;85;1;7", "25;86;2;")[1].tolist() == [85, 86]

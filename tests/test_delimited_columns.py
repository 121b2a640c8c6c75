import pytest
from pydantic import ValidationError

from anechain.errors import InputError
from anechain.importing.text_table import read_table
from anechain_delimited.columns import choose_columns
from anechain_delimited.options import Columns


def columns_of(*lines, wanted=None):
    return choose_columns(read_table("".join(line + "\n" for line in lines), "a.txt"), wanted, "a.txt")


@pytest.mark.parametrize(
    ("header", "row", "expected"),
    [
        ("Frequency;SPL;Phase", "{};{};{}", (0, 1, 2)),
        ("Phase [deg];Magnitude [dB];Freq [Hz]", "{};{};{}", (2, 1, 0)),
        ("# Hz dB deg", "{} {} {}", (0, 1, 2)),
        ("* Freq(Hz) SPL(dB) Phase(°)", "{}\t{}\t{}", (0, 1, 2)),
        ('"level", "noise", "frequency"', "{},{}.5,{}", (1 - 1, None, 2)),
        ("Frequency (Hz)  Level (dB)  Noise (dB)", "{} {} {}", (0, 1, None)),
        ("Frequency Level Noise", "{} {} {}", (0, 1, None)),
    ],
)
def test_the_header_finds_the_columns(header, row, expected):
    if expected[1] is None:
        expected = (2, 0, None)
    columns = columns_of(header, row.format(20, 85, 30), row.format(25, 86, 31))
    assert (columns.frequency, columns.level, columns.phase) == expected
    assert not any("read in the order" in note for note in columns.notes)


def test_a_line_of_units_under_the_names():
    columns = columns_of("Phase;Frequency;SPL", "rad;kHz;Pa", "1;20;85", "2;25;86")
    assert (columns.frequency, columns.level, columns.phase) == (1, 2, 0)
    assert columns.units == {"frequency": "kilohertz", "level": "pascal", "phase": "radian"}


@pytest.mark.parametrize("header", [(), ("Workshop, bench 2",), ("level of the drive: 2.83 V",), ("-----",)])
def test_without_names_the_usual_order_is_assumed_and_reported(header):
    columns = columns_of(*header, "20 85 -3 7", "25 86 -4 8")
    assert (columns.frequency, columns.level, columns.phase) == (0, 1, 2)
    assert any("columns read in the order frequency, level, phase" in note for note in columns.notes)
    assert "columns ignored: 4" in columns.notes
    assert columns_of("20 85", "25 86").phase is None


def test_a_third_column_of_another_name_is_no_phase():
    columns = columns_of("Frequency;Level;Noise", "20;85;3", "25;86;4")
    assert columns.phase is None
    assert "columns ignored: 3 (Noise)" in columns.notes


@pytest.mark.parametrize(
    ("header", "message"),
    [
        ("Frequency;Level;Level", r"columns 2 \(Level\) and 3 \(Level\) could each be the level"),
        ("Angle;Frequency;Gain", "names frequency in column 2, but no level"),
        ("Phase;Gain;Coherence", "names phase in column 1, but no"),
    ],
)
def test_a_header_that_is_ambiguous_is_refused(header, message):
    with pytest.raises(InputError, match=message) as refused:
        columns_of(header, "20;85;3", "25;86;4")
    assert "`columns`" in refused.value.problems[0].fix


@pytest.mark.parametrize(
    "wanted",
    [
        Columns(frequency=3, level=1, phase=2),
        Columns(frequency="tone", level="Gain", phase="turn"),
        Columns(frequency="Tone (kHz)", level=1, phase="TURN"),
    ],
)
def test_declared_columns(wanted):
    columns = columns_of("Gain;Turn;Tone (kHz)", "85;3;20", "86;4;25", wanted=wanted)
    assert (columns.frequency, columns.level, columns.phase) == (2, 0, 1)
    assert columns.units == {"frequency": "kilohertz"}


@pytest.mark.parametrize(
    ("wanted", "message"),
    [
        (Columns(frequency=1, level=4), r"level column 4 .* is not in the table"),
        (Columns(frequency=1, level="Loudness"), r"'Loudness' .* is not in the table"),
        (Columns(frequency=1, level="Gain"), r"'Gain' .* is several times in"),
        (Columns(frequency=1, level="Tone"), r"the same column"),
    ],
)
def test_declared_columns_that_are_not_there_are_refused(wanted, message):
    with pytest.raises(InputError, match=message):
        columns_of("Tone;Gain;Gain", "20;85;3", "25;86;4", wanted=wanted)


@pytest.mark.parametrize("bad", [{"frequency": 0, "level": 1}, {"frequency": 1, "level": 1}, {"frequency": 1}])
def test_impossible_declarations(bad):
    with pytest.raises(ValidationError):
        Columns(**bad)
